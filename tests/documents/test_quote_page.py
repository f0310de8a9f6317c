"""The quote's page: its figures, its words, and that nobody's text acts on it."""

from __future__ import annotations

import re
from base64 import b64encode
from collections import Counter
from datetime import UTC, date, datetime
from decimal import Decimal
from hashlib import sha256
from math import ceil
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from msgspec import structs
from tests.cases.counter import Json
from tests.documents.offers import (
    ENVELOPE,
    NAMES,
    OPEN,
    case,
    everything,
    for_a_test,
    long,
    of_findings,
    shops,
    shown,
    told,
    whole_of_everything,
)
from tests.documents.reading import NotStrict, figure, having, read, rows, section, text

from kitwright.catalogue.model import Contact
from kitwright.documents.notice_page import Notice, notice_page
from kitwright.documents.page_actions import PageField, PageState
from kitwright.documents.web_page import page_policy, style
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount

HOSTILE = {
    "script": "<script>alert(1)</script>",
    "attribute": "\" onmouseover='alert(1)' x=\"",
    "closing": "</bdi></td></style></textarea></title><img src=x onerror=alert(1)>",
    "entity": "&lt;b&gt; &amp; &#60;script&#62;",
    "braces": "{{ 7 * 7 }} {% raw %} {quote} %(a)s {0}",
    "long": "W" * 10_000,
    "turned": "abc \u202e\u2067 evil \u05d0\u05d1 \u0627\u0628",
    "lines": "one\r\ntwo\rthree\nfour",
    "controls": "a\x00b\x07c\x1bd\x7f\x9b\ufffe",
    "half": "lone \ud800 half",
}
YARD = shops()["hire-yard"]
EVERY = [*NAMES, "findings", "test", "long"]


def answered(name: str) -> Json:
    special = {"findings": of_findings, "test": for_a_test, "long": long}
    return special[name]() if name in special else case(name)


def money(amount: Any) -> Decimal:
    return Decimal(amount["amount"])


def table(root: ET.Element, name: str) -> ET.Element:
    held = section(root, name)
    assert held is not None, name
    return next(held.iter("table"))


@pytest.mark.parametrize("name", EVERY)
def test_quote_page_shows_every_line_with_its_amount(name: str) -> None:
    made = answered(name)
    costs = table(read(shown(made)), "costs")
    told_rows = [
        (text(next(having(row, "what"))).strip(" ,"), figure(text(row[1])))
        for row in having(costs, "line")
    ]
    small = [
        (name.strip(" ,"), figure(amount))
        for parts in having(costs, "parts")
        for name, _, amount in (text(one).rpartition(": ") for one in parts)
    ]
    given = [
        (" ".join(line["description"].split()).strip(" ,"), money(line["amount"]))
        for line in made["lines"]
    ]
    # work of a job is one row, and small consumables are one with a list
    jobs: dict[tuple[str, int | None], Decimal] = {}
    for line in made["lines"]:
        if line["kind"] == "labour" and line["job"]:
            at = line["job"], line["cylinder"]
            jobs[at] = jobs.get(at, Decimal(0)) + money(line["amount"])
    others = [
        (" ".join(line["description"].split()).strip(" ,"), money(line["amount"]))
        for line in made["lines"]
        if not (line["kind"] == "labour" and line["job"])
    ]
    rest = [one for one in told_rows if one[0] != "Small consumables"]
    assert not Counter(small) - Counter(given)
    assert not Counter(others) - Counter(rest) - Counter(small)
    assert Counter(jobs.values()) <= Counter(amount for _, amount in rest)
    assert sum(amount for _, amount in told_rows) == sum(amount for _, amount in given)
    together = [figure(text(row).rpartition(" ")[2]) for row in having(costs, "group")]
    assert sum(together) == sum(amount for _, amount in given)


@pytest.mark.parametrize("name", EVERY)
def test_quote_page_shows_the_totals_of_the_answer(name: str) -> None:
    made = answered(name)
    totals, taxes = made["totals"], [money(tax["amount"]) for tax in made["taxes"]]
    root = read(shown(made))
    costs = table(root, "costs")
    due = [amount for _, amount in rows(costs, "total")]
    others = sorted(amount for kind in ("plain", "within") for _, amount in rows(costs, kind))
    heads = [figure(text(row[1])) for row in having(root, "sum")]
    if totals["payable"] is None:
        assert due == [money(totals["net"] or totals["lines"])]
        deposit = money(totals["deposit"])
        assert others == ([deposit] if deposit else [])
        assert heads == due
        assert "tax is not known yet" in text(root)
        return
    # without a tax, the total is all there is to say
    expected = [money(totals["net"]), *taxes] if taxes else []
    if money(totals["discount"]):
        expected += [money(totals["lines"]), money(totals["discount"])]
    prepaid = money(totals["prepaid"])
    if prepaid or money(totals["cash_rounding"]):
        expected.append(money(totals["gross"]))
    expected += [-prepaid] if prepaid else []
    expected += [money(totals["cash_rounding"])] if money(totals["cash_rounding"]) else []
    advance = max(money(totals["deposit"]) - prepaid, Decimal(0))
    expected += [advance] if advance else []
    assert due == [money(totals["payable"])]
    assert others == sorted(expected)
    before = [money(totals["gross"]), prepaid] if prepaid else []
    assert heads == [*before, money(totals["payable"])]


@pytest.mark.parametrize("name", EVERY)
def test_quote_page_shows_what_may_come_on_top(name: str) -> None:
    made = answered(name)
    root = read(shown(made))
    extras = [money(extra["price"]) for extra in made["extras"]]
    assert (section(root, "extra") is None) is (not extras)
    if extras:
        top = table(root, "extra")
        assert [amount for _, amount in rows(top, "line")] == extras
        together = [amount for _, amount in rows(top, "plain")]
        assert together == ([sum(extras)] if len(extras) > 1 else [])
    after = [money(one["price"]) for one in made["in_play"]]
    assert (section(root, "after") is None) is (not after)
    if after:
        assert [amount for _, amount in rows(table(root, "after"), "line")] == after


@pytest.mark.parametrize("name", EVERY)
def test_quote_page_shows_what_may_turn_up_and_the_most_it_comes_to(name: str) -> None:
    made = answered(name)
    root = read(shown(made))
    found = made["contingencies"] or {"each": []}
    assert (section(root, "surprise") is None) is (not found["each"])
    if found["each"]:
        top = table(root, "surprise")
        shown_rows = [text(row[1]) for row in having(top, "line")]
        for cell, one in zip(shown_rows, in_their_order(found["each"]), strict=True):
            price = money(one["price"])
            # a saving is called one, and what changes nothing has no figure
            assert cell.startswith("saves ") == (price < 0)
            assert (figure(cell.removeprefix("saves ")) if cell else 0) == abs(price)
        quoted, spread = money(found["as_quoted"]), made["range"]
        likely = dict.fromkeys(money(spread[at]) for at in ("p80", "p90"))
        assert (section(root, "range") is not None) is (money(found["worst"]) > quoted)
        assert [amount for _, amount in rows(top, "plain")] == [
            quoted,
            *(ceil(amount) for amount in likely if amount > quoted),
        ]
        assert [amount for _, amount in rows(top, "most")] == [ceil(money(found["worst"]))]
        # what is quoted already needs no other figure than the total
        totals = made["totals"]
        bare = money(totals["lines"]) + money(totals["discount"])
        total = bare if totals["gross"] is None else money(totals["gross"])
        assert money(found["as_quoted"]) == total


def in_their_order(each: list[Any]) -> list[Any]:
    """Return what may turn up as it stands on paper: what is the same on two cylinders once, and
    what follows on something right below that.
    """

    def under(above: list[tuple[Any, Any]]) -> list[Any]:
        same: dict[object, list[Any]] = {}
        for one in each:
            after = (one["after"], one["after_cylinder"])
            if after in above or (one["after"] is None and not above):
                alike = (one["name"], money(one["price"]), one["likely"], one["cylinder"] is None)
                same.setdefault(alike, []).append(one)
        found = []
        for members in same.values():
            places = [(one["contingency"], one["cylinder"]) for one in members]
            found += [members[0], *under(places)]
        return found

    return under([])


def test_quote_page_shows_what_was_reported_line_by_line() -> None:
    (told,) = read(shown(of_findings())).iter("blockquote")

    assert told.text == "Smokes blue at full throttle.\nOil gone."
    assert told.get("dir") == "auto"
    assert "What you reported" not in shown(answered(NAMES[0]))


@pytest.mark.parametrize("name", EVERY)
def test_quote_page_is_sound_and_fetches_nothing(name: str) -> None:
    check_page(shown(answered(name)))


def check_page(page: str) -> None:
    root = read(page)
    ids = [one.get("id") for one in root.iter() if one.get("id")]
    assert len(ids) == len(set(ids))
    assert len(list(root.iter("h1"))) == 1
    assert root.get("lang") == "en"
    for one in root.iter():
        assert one.tag not in {"script", "link", "img", "iframe", "object", "base", "font"}
        for name, value in one.attrib.items():
            assert not name.startswith("on"), name
            assert name not in {"style", "src", "srcset"}, name
            if name in {"aria-labelledby", "aria-describedby", "for"}:
                assert set(value.split()) <= set(ids), value
            if name in {"href", "action"}:
                assert re.match(r"#|/q/|tel:\+[0-9-]+$|mailto:[^?]+\?subject=", value), value
                assert value[0] != "#" or value[1:] in ids
    assert [one.tag for one in root.iter() if one.tag in ("header", "main", "footer")] == [
        "header",
        "main",
        "footer",
    ]
    for each in root.iter("table"):
        assert each[0].tag == "caption"
        assert all(cell.get("scope") for cell in each.iter("th"))


def test_reader_refuses_what_is_not_strict() -> None:
    for broken in ("<p><div></div></p>", "<p>", "<b></i></b>", '<a x="1" x="2"></a>', "<!-- -->"):
        with pytest.raises(NotStrict):
            read("<!DOCTYPE html>\n" + broken)


def test_page_policy_allows_only_its_own_style() -> None:
    for page in (shown(of_findings()), notice_page(Notice.accepted, Scribe("en"), shop=YARD)):
        inside = page.partition("<style>")[2].partition("</style>")[0]
        digest = b64encode(sha256(inside.encode()).digest()).decode()
        assert f"style-src 'sha256-{digest}';" in page_policy(page)
        assert page_policy(page).startswith("default-src 'none';")
    assert not re.search(r"<|url\((?!#)|@import|//", style())


def skeleton(page: str) -> list[tuple[str, tuple[str, ...]]]:
    return [(one.tag, tuple(one.attrib)) for one in read(page).iter()]


@pytest.mark.parametrize("kind", sorted(HOSTILE))
def test_quote_page_lets_no_text_act(kind: str) -> None:
    page = everything(HOSTILE[kind])

    check_page(page)
    page.encode()
    assert skeleton(page) == skeleton(everything("plain"))
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f]", page)


@pytest.mark.parametrize("kind", ["script", "attribute", "closing", "entity", "braces", "long"])
def test_quote_page_shows_a_hostile_text_as_it_stands(kind: str) -> None:
    free = HOSTILE[kind]
    root = read(everything(free))
    seen = [value for one in root.iter("input") for value in (one.get("value"),)]
    assert seen == [free, free]
    assert [text(one) for one in root.iter("textarea")] == [" ".join(free.split())]
    # customer, machine, lines, causes, extras, cautions and what else there is
    assert text(root).count(" ".join(free.split())) > 60


def test_quote_page_isolates_what_turns_the_reading_direction() -> None:
    turned = HOSTILE["turned"]
    page = shown(
        of_findings(),
        told(PageState.accepted, decided_at=datetime(2027, 3, 2, tzinfo=UTC), decided_by=turned),
    )
    assert "\u202e" not in page
    root = read(everything(turned))
    parents = {child: parent for parent in root.iter() for child in parent}
    for one in root.iter():
        assert "\u202e" not in (one.tail or "")
        if "\u202e" in (one.text or ""):
            apart = one.tag == "bdi" or one.get("dir") == "auto"
            assert apart or one.tag in ("title", "desc"), (one.tag, parents[one].tag)


def test_quote_page_has_forms_only_while_it_can_be_answered() -> None:
    for state in PageState:
        forms = [one.get("action") for one in read(shown(of_findings(), told(state))).iter("form")]
        is_open = state is PageState.issued
        assert forms == (["/q/token/accept", "/q/token/decline"] if is_open else [])
    assert list(read(shown(of_findings(), None)).iter("form")) == []


def test_quote_page_asks_for_a_yes_to_the_whole_whatever_was_paid_already() -> None:
    made = case("s50-walk-behind-breather-discount-and-prepaid")
    assert money(made["totals"]["payable"]) < money(made["totals"]["gross"]) == Decimal("146.86")
    yes, _ = read(shown(made)).iter("button")
    assert text(yes) == "Yes, go ahead for €146.86"


def test_quote_page_posts_the_names_that_the_service_reads() -> None:
    root = read(shown(of_findings()))
    named = [one.get("name") for one in root.iter() if one.tag in ("input", "textarea")]
    assert named == ["who", "limit", "reason"]
    labelled = {one.get("for") for one in root.iter("label")}
    assert labelled == {"who", "limit", "reason"}
    assert all(one.get("method") == "post" for one in root.iter("form"))


def test_quote_page_tells_what_is_wrong_beside_the_field_and_at_the_top() -> None:
    wrong = {PageField.limit: "That is below the price."}
    actions = structs.replace(OPEN, wrong=wrong, entered={PageField.limit: "3", PageField.who: "M"})
    root = read(shown(of_findings(), actions))
    by_id = {one.get("id"): one for one in root.iter()}
    limit = by_id["limit"]
    assert limit.get("value") == "3"
    assert limit.get("aria-invalid") == "true"
    described = (limit.get("aria-describedby") or "").split()
    assert "That is below the price." in [text(by_id[one]) for one in described]
    assert by_id["who"].get("aria-invalid") is None
    top = next(having(root, "wrong"))
    assert next(top.iter("a")).get("href") == "#limit"
    assert text(next(root.iter("title"))).startswith("Error: ")


@pytest.mark.parametrize(
    ("state", "sentence"),
    [
        (PageState.accepted, "Accepted on March 2, 2027"),
        (PageState.declined, "Declined on March 2, 2027"),
        (PageState.expired, "has expired"),
        (PageState.withdrawn, "withdrawn"),
        (PageState.superseded, "A newer revision"),
    ],
)
def test_quote_page_tells_what_became_of_it(state: PageState, sentence: str) -> None:
    actions = told(
        state,
        newer_url="/q/newer" if state is PageState.superseded else None,
        decided_at=datetime(2027, 3, 2, 17, 3, tzinfo=UTC),
        decided_by="Mira Example",
        limit=Amount("700.00", "USD") if state is PageState.accepted else None,
    )
    root = read(shown(of_findings(), actions))
    notice = next(having(root, state.value))
    assert sentence in text(notice)
    links = [one.get("href") for one in notice.iter("a")]
    assert links == (["/q/newer"] if state is PageState.superseded else [])
    assert ("$700.00" in text(notice)) is (state is PageState.accepted)
    if state is PageState.accepted:
        # Denver is seven hours behind
        assert "10:03" in text(notice)
        assert "Mira Example" in text(notice)


def test_quote_page_never_says_what_must_not_be_claimed() -> None:
    made = of_findings()
    page = text(read(shown(made)))
    faults = made["assessment"]["diagnoses"]
    assert len(faults) == 3
    for one in faults:
        assert one["say_not"] not in page
        assert one["probability"] not in page
        assert (one["plain"] in page) is (one["grade"] is not None)
    # what is not sure is told as an if
    means = section(read(shown(made)), "means")
    assert means is not None
    assert text(means).count("If this is the cause:") == 1


def test_quote_page_keeps_the_shops_own_words_and_sources_to_the_shop() -> None:
    suppliers, reasons = set(), set()
    for name in NAMES:
        made = case(name)
        page = text(read(shown(made)))
        for order in made["orders"]:
            suppliers.add(order["name"])
            assert order["name"] not in page
        for line in made["lines"]:
            for why in line["why"]:
                if why["code"] in ("price-overridden", "floor-changed", "percent-of-quote"):
                    reasons.add(why["code"])
                    assert why["text"] not in page
    assert len(suppliers) > 2
    assert len(reasons) == 3


def test_quote_page_marks_the_language_of_the_revision() -> None:
    made = of_findings() | {"language": "de"}
    root = read(shown(made))
    names = {one["description"] for one in made["lines"] if one["kind"] != "labour"}
    marked = {text(one) for one in root.iter("bdi") if one.get("lang") == "de"}
    assert names <= marked
    assert not [one for one in read(shown(of_findings())).iter("bdi") if one.get("lang")]


def test_quote_page_draws_a_strip_for_each_reading_and_tells_it_in_words() -> None:
    made = of_findings()
    made["assessment"]["leakage"][1]["standing"] = "void"
    root = read(shown(made))
    (figure_of,) = having(root, "readings")
    told_words = [text(one) for one in figure_of.iter("div")]
    assert told_words == ["Cylinder 124%, bad", "Cylinder 27%, does not count"]
    # 24 and 7 of 40 per cent
    bars = [one.get("width") for one in having(root, "bar") if one.get("x") is None]
    assert bars == ["60.0%", "17.5%"]
    # pictures repeat words, so they are left out when a page is read aloud
    assert {
        one.get("aria-hidden") for one in root.iter("svg") if "axis" not in one.get("class", "")
    } == {"true"}


def test_quote_page_shows_behind_the_bars_what_a_reading_means() -> None:
    root = read(shown(of_findings()))
    first, *_ = having(root, "strip")
    zones = list(having(first, "zone"))
    assert [one.get("class") for one in zones] == ["zone good", "zone watch", "zone bad"]
    assert [one.get("x") for one in zones] == ["0.0%", "25.0%", "50.0%"]
    assert [one.get("width") for one in zones] == ["25.0%", "25.0%", "50.0%"]
    # drawn before the bars, so that they lie behind
    order = [one.get("class", "") for one in first.iter("rect")]
    assert order.index("zone bad") < order.index("bar")
    (axis,) = having(root, "axis")
    assert [text(one) for one in axis] == ["0 good", "10 watch", "20 bad"]


def test_quote_page_bears_an_absent_reading_and_a_total_loss() -> None:
    made = of_findings()
    made["assessment"]["leakage"][0] |= {"whole_percent": None, "words": None}
    made["assessment"]["leakage"][1] |= {"whole_percent": "100"}
    root = read(shown(made))
    assert [one.get("width") for one in having(root, "bar")] == ["100.0%", "5"]
    assert "no reading that counts" in text(root)


class Silent(Scribe):
    """Says nothing of its own, so that what is left on a page is not the page's own."""

    def say(self, text: str, /, **facts: object) -> str:
        del text
        return " ".join(str(one) for one in facts.values())

    def say_many(self, one: str, many: str, count: int, /, **facts: object) -> str:
        del one, many, facts
        return str(count)

    def unit(self, code: str, quantity: str) -> str:
        del code
        return quantity

    def money(self, amount: str, currency: str) -> str:
        del currency
        return amount

    def day(self, day: date) -> str:
        return day.isoformat()

    def near_day(self, day: date, near: date) -> str:
        del near
        return day.isoformat()


def strings(value: Any) -> set[str]:
    if isinstance(value, dict | list):
        held = value.values() if isinstance(value, dict) else value
        return set().union(*(strings(one) for one in held))
    return {str(value)}


def test_quote_page_says_nothing_that_a_language_could_not_change() -> None:
    made = whole_of_everything()
    page = shown(made, structs.replace(OPEN, notice="Kept."), scribe=Silent("en"))
    root = read(page)
    root[0].clear()
    ours = (
        strings(made) | {*ENVELOPE.customer_address.split("\n")}
        if ENVELOPE.customer_address
        else set()
    )
    ours |= {str(getattr(ENVELOPE, name)) for name in ENVELOPE.__struct_fields__}
    contact = YARD.contact or Contact()
    ours |= {YARD.name, *contact.address, str(contact.telephone), str(contact.email)}
    ours.add(str(OPEN.consent))
    ours |= {"Kept.", "Q12 2", "USD"}
    words = re.compile(r"[A-Za-z]{2,}")
    known = {word for one in ours for word in words.findall(one)}
    left = set(words.findall(" ".join(root.itertext()))) - known
    assert left == set()


def test_quote_page_offers_to_call_and_to_write() -> None:
    links = [one.get("href") for one in read(shown(of_findings())).iter("a")]
    assert "tel:+1202-555-0143" in links
    assert "mailto:bench@tollimoor.example?subject=Quote%20Q12%2C%20revision%202" in links


@pytest.mark.parametrize("notice", Notice)
def test_notice_page_says_one_thing(notice: Notice) -> None:
    page = notice_page(notice, Scribe("en"), shop=YARD, quote_url="/q/token")
    check_page(page)
    root = read(page)
    assert "/q/token" in [one.get("href") for one in root.iter("a")]
    assert len(text(next(root.iter("h1")))) > 10


def test_notice_page_lets_no_text_act() -> None:
    plain = notice_page(Notice.accepted, Scribe("en"), shop=structs.replace(YARD, name="x"))
    for free in HOSTILE.values():
        page = notice_page(Notice.accepted, Scribe("en"), shop=structs.replace(YARD, name=free))
        check_page(page)
        assert skeleton(page) == skeleton(plain)


def test_quote_page_of_a_shop_without_contact_sends_to_the_counter() -> None:
    bare = structs.replace(YARD, contact=None)
    page = notice_page(Notice.link_expired, Scribe("en"), shop=bare)
    assert "Ask us at the counter." in text(read(page))
    check_page(page)
