"""A yes by a link as a contract made from afar: notice, waiting, wish, and withdrawal."""

import re
from collections.abc import Iterator
from contextlib import closing
from datetime import date, datetime, timedelta
from decimal import Decimal
from hashlib import sha256
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from tests.desks import DAY
from tests.documents.printed import text as pdf_text
from tests.web.calls.conftest import Staff

from kitwright.keeping.distance import last_day
from kitwright.store.engine import FILE
from kitwright.store.ledger import check_ledger
from kitwright.store.sqlite import sqlite3

HTML = {"Accept": "text/html", "Authorization": ""}
JSON = {"Accept": "application/json", "Authorization": ""}
DAYS = 14
BUSINESS = {
    "name": "Maud Ferrier Ltd",
    "billing": {"country": "DE", "vat_id": "DE999999999"},
}


WITHDREW = [
    ("en", "The work is stopped", "You owe only the part of the price", "Your machine is here."),
    ("de", "Die Arbeit ist eingestellt", "Sie schulden nur den Teil", "Ihr Gerät ist bei uns."),
]
"""Language, and the words of what follows a withdrawal from work that has begun."""
WHILE_IT_STANDS = {
    "en": ("We are working on it", "before the total exceeds", "Total due", "bill will not exceed"),
    "de": ("Wir arbeiten daran", "Ihre Grenze", "Gesamtbetrag fällig", "Gültig bis"),
}
"""Words of what is agreed and stands, by language."""


@pytest.fixture
def orchard(orchard: Staff, tmp_path: Path) -> Iterator[Staff]:
    """Return somebody at the counter, whose books are in order afterwards."""
    yield orchard
    with closing(sqlite3.connect(tmp_path / "orchard" / FILE)) as connection:
        assert [*check_ledger(connection)] == []


def linked(staff: Staff, **members: Any) -> tuple[str, str]:
    id = staff.issued(**members)  # noqa: A001
    return id, staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]


def said_yes(staff: Staff, *, starts_early: bool = False, **members: Any) -> tuple[str, str]:
    id, path = linked(staff, **members)  # noqa: A001
    yes = {"who": "M. Ferrier", "start_early": starts_early}
    answer = staff.client.post(f"{path}/accept", json=yes, headers=JSON)
    assert answer.is_success, answer.text
    return id, path


def ordered(staff: Staff, id: str, revision: int = 1) -> None:  # noqa: A002
    staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": revision}]})


def told(staff: Staff, path: str) -> Any:
    return staff.client.get(path, headers=JSON).json()


def page(staff: Staff, path: str) -> str:
    return " ".join(unescape(staff.client.get(path, headers=HTML).text).split())


def paper(staff: Staff, path: str) -> str:
    found = staff.client.get(path, headers={"Accept": "application/pdf", "Authorization": ""})
    return " ".join(pdf_text(found.content).split())


def acts(staff: Staff, id: str) -> list[str]:  # noqa: A002
    found: list[str] = staff.get(f"/v1/quotes/{id}")["acts"]
    return found


def refusal(staff: Staff, id: str, act: str, body: Any = None) -> str:  # noqa: A002
    answer = staff.refused(f"/v1/quotes/{id}/{act}", body or {}, staff.tag(id))
    assert answer["status"] == 409
    (error,) = answer["errors"]
    return f"{error['code']}: {error['detail']}"


def first_step_after(staff: Staff, id: str, share: Decimal) -> str:  # noqa: A002
    """Return a step of the plan before which a share of the steps are done."""
    steps = staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]["work_plan"]["steps"]
    return str(steps[int(len(steps) * share)]["step"])


@pytest.mark.parametrize("language", ["en", "de"])
def test_offer_to_a_consumer_carries_notice_form_and_an_unticked_wish(
    orchard: Staff, language: str
) -> None:
    _, path = linked(orchard, language=language)
    right, seen = told(orchard, path)["withdrawal"], page(orchard, path)
    paper = orchard.client.get(path, headers={"Accept": "application/pdf", "Authorization": ""})
    printed = " ".join(pdf_text(paper.content).split())

    assert (right["days"], right["until"], right["starts_early"]) == (DAYS, None, False)
    for words in (*right["notice"], *right["form"]):
        assert " ".join(words.split()) in seen
        assert words.replace(" ", "")[:80] in printed.replace(" ", "").replace("-\u200b", "")
    assert '<input type="checkbox" name="start_early" value="true">' in seen
    button = {"en": "Order with an obligation to pay", "de": "Zahlungspflichtig beauftragen"}
    assert f'class="yes">{button[language]}</button>' in seen
    contact = orchard.counter.desk.service.workshop.shop.contact
    assert contact is not None
    assert contact.email is not None
    assert contact.email in " ".join(right["notice"])


def test_notice_that_was_shown_is_kept_by_its_fingerprint(orchard: Staff) -> None:
    id, path = linked(orchard)  # noqa: A001
    right = told(orchard, path)["withdrawal"]
    shown = "\n".join((*right["notice"], *right["form"]))
    answer = orchard.client.post(f"{path}/accept", json={"who": "M. Ferrier"}, headers=JSON)
    assert answer.is_success, answer.text
    (given,) = orchard.get(f"/v1/quotes/{id}/authorisations")["authorisations"]
    _, other = linked(orchard, language="de")

    assert given["from_afar"]["notice_sha256"] == right["sha256"]
    assert right["sha256"] == sha256(shown.encode()).hexdigest()
    assert told(orchard, other)["withdrawal"]["sha256"] != right["sha256"]


def test_business_and_other_places_have_no_such_right(orchard: Staff, staff: Staff) -> None:
    buyer = orchard.done("/v1/customers", BUSINESS).json()["id"]
    for shop, members in ((orchard, {"customer": buyer}), (staff, {})):
        id, path = linked(shop, **members)  # noqa: A001
        assert told(shop, path)["withdrawal"] is None
        assert "start_early" not in page(shop, path)
        assert "Yes, go ahead for" in page(shop, path)
        wrong = shop.client.post(
            f"{path}/accept", json={"who": "M.", "start_early": True}, headers=JSON
        ).json()
        assert wrong["errors"][0]["code"] == "nothing-to-wait-for"
        shop.client.post(f"{path}/accept", json={"who": "M."}, headers=JSON)
        ordered(shop, id)
        assert "withdrawal" not in acts(shop, id)
        shop.act(id, "start")


def test_yes_at_the_counter_is_not_made_from_afar(orchard: Staff) -> None:
    id = orchard.accepted()  # noqa: A001
    ordered(orchard, id)
    assert "no-right-to-withdraw" in refusal(
        orchard, id, "withdrawal", {"who": "M.", "means": "telephone"}
    )
    orchard.act(id, "start")


def test_work_waits_until_the_period_is_over(orchard: Staff) -> None:
    id, path = said_yes(orchard)  # noqa: A001
    until = DAY + timedelta(days=DAYS)
    ordered(orchard, id)

    said = refusal(orchard, id, "start")

    assert said.startswith("withdrawal-period: ")
    assert f"start the work on {(until + timedelta(days=1)).isoformat()} or later" in said
    assert "start" not in acts(orchard, id)
    assert told(orchard, path)["withdrawal"]["until"] == until.isoformat()
    orchard.counter.clock.pass_days(DAYS)
    assert "start" not in acts(orchard, id)
    assert "withdrawal" in acts(orchard, id)
    later = {"who": "M.", "means": "email", "at": "2027-12-01T09:00:00+01:00"}
    wrong = orchard.refused(f"/v1/quotes/{id}/withdrawal", later, orchard.tag(id))
    assert wrong["errors"][0]["code"] == "not-yet-said"
    orchard.counter.clock.pass_days(1)
    assert "withdrawal" not in acts(orchard, id)
    assert "the period ended on" in refusal(
        orchard, id, "withdrawal", {"who": "M.", "means": "telephone"}
    )
    orchard.act(id, "start")


def test_last_day_is_never_on_a_weekend() -> None:
    for at in range(60):
        agreed = date(2027, 3, 1) + timedelta(days=at)
        last = last_day(agreed, DAYS)
        assert last.weekday() < 5
        assert DAYS <= (last - agreed).days <= DAYS + 2


def test_wish_by_the_form_lets_the_work_begin_and_is_recorded(orchard: Staff) -> None:
    id, path = linked(orchard)  # noqa: A001
    kind = {"Content-Type": "application/x-www-form-urlencoded", **HTML}
    answer = orchard.client.post(
        f"{path}/accept",
        content="who=M.+Ferrier&start_early=true",
        headers=kind,
        follow_redirects=False,
    )
    assert answer.status_code == 303, answer.text
    given = orchard.get(f"/v1/quotes/{id}/authorisations")["authorisations"][0]

    assert given["from_afar"]["starts_early"] is True
    assert told(orchard, path)["withdrawal"]["wish"] in given["text"]
    ordered(orchard, id)
    orchard.act(id, "start")
    # the same again is the same
    again = {"who": "M. Ferrier", "start_early": True}
    assert orchard.client.post(f"{path}/accept", json=again, headers=JSON).is_success
    other = orchard.client.post(f"{path}/accept", json={"who": "M. Ferrier"}, headers=JSON)
    assert other.json()["errors"][0]["code"] == "agreed-otherwise"


@pytest.mark.parametrize("is_ordered", [False, True])
def test_withdrawal_before_the_work_leaves_nothing_agreed(orchard: Staff, is_ordered: bool) -> None:
    id, path = said_yes(orchard)  # noqa: A001
    if is_ordered:
        ordered(orchard, id)
    assert "Withdraw from the contract" in page(orchard, path)
    kind = {"Content-Type": "application/x-www-form-urlencoded", **HTML}
    done = orchard.client.post(
        f"{path}/withdraw", content="who=M.+Ferrier", headers=kind, follow_redirects=False
    )

    assert done.status_code == 303, done.text
    left = orchard.get(f"/v1/quotes/{id}")
    assert (left["state"], left["agreed"], left["withdrawn_at"]) == ("declined", None, None)
    seen = page(orchard, path)
    assert "You withdrew from the contract on" in seen
    assert "You owe nothing." in seen
    assert told(orchard, path)["agreed"] is None
    assert told(orchard, path)["withdrawal"]["withdrawn_at"] is not None
    given = orchard.get(f"/v1/quotes/{id}/authorisations")["authorisations"][0]
    assert (given["from_afar"]["withdrawn_by"], given["from_afar"]["means"]) == (
        "M. Ferrier",
        "link",
    )
    kinds = [event["kind"] for event in orchard.get("/v1/events", limit=200)["items"]]
    again = orchard.client.post(f"{path}/withdraw", json={"who": "M. Ferrier"}, headers=JSON)
    assert again.json()["state"] == "withdrawn"
    after = [event["kind"] for event in orchard.get("/v1/events", limit=200)["items"]]
    assert (kinds.count("quote.withdrawal"), after) == (1, kinds)


def test_withdrawal_from_begun_work_owes_what_was_done_alone(orchard: Staff) -> None:
    bills = {}
    for way in ("stopped", "withdrawn", "at once"):
        id, _ = said_yes(orchard, starts_early=True)  # noqa: A001
        ordered(orchard, id)
        orchard.act(id, "start")
        share = Decimal(0) if way == "at once" else Decimal("0.5")
        if way != "stopped":
            orchard.act(id, "withdrawal", {"who": "M. Ferrier", "means": "email"})
            assert acts(orchard, id) == ["pay", "stop"]
            assert "the customer has withdrawn" in refusal(orchard, id, "finish")
            assert "the customer has withdrawn" in refusal(
                orchard, id, "found", {"what": "x", "why": "y", "by": "z", "step": "a"}
            )
        body = {"step": first_step_after(orchard, id, share), "machine": "put_together"}
        body["unbooked"] = "Counted at the bench."
        orchard.act(id, "stop", body)
        made = orchard.get(f"/v1/quotes/{id}/statement")["statement"]
        bills[way] = Decimal(made["gross"]["amount"])
        assert bills[way] <= Decimal(made["agreed_gross"]["amount"])
    assert bills["at once"] == 0
    assert 0 < bills["withdrawn"] < bills["stopped"]


@pytest.mark.parametrize(("language", "stopped", "owed", "here"), WITHDREW)
def test_page_after_a_withdrawal_from_begun_work_says_what_follows(
    orchard: Staff, language: str, stopped: str, owed: str, here: str
) -> None:
    id, path = said_yes(orchard, starts_early=True, language=language)  # noqa: A001
    ordered(orchard, id)
    orchard.act(id, "start")
    orchard.act(id, "withdrawal", {"who": "M. Ferrier", "means": "email"})
    seen, printed = page(orchard, path), paper(orchard, path)

    for words in (stopped, owed, here):
        assert words in seen
    assert owed in printed
    for wrong in (*WHILE_IT_STANDS["en"], *WHILE_IT_STANDS["de"]):
        assert wrong not in seen
        assert wrong not in printed


def test_withdrawal_before_the_work_is_told_on_paper(orchard: Staff) -> None:
    _, path = said_yes(orchard)
    orchard.client.post(f"{path}/withdraw", json={"who": "M. Ferrier"}, headers=JSON)

    printed = paper(orchard, path)
    assert "You withdrew from the contract on" in printed
    assert "You owe nothing." in printed
    assert "The bill will not exceed" not in printed


def test_ready_day_counts_the_wait(orchard: Staff) -> None:
    _, path = linked(orchard)
    quote = told(orchard, path)["quote"]
    soon = date.fromisoformat(quote["ready_on"])
    begins = DAY + timedelta(days=DAYS + 1)
    assert soon < begins
    offered = re.compile(
        r"Ready:? (?:<[^>]+>|\s)*(\w+ \d+, \d{4}).{,60}?if you agree on \w+ \d+ and nothing is "
        r"found; (\w+ \d+) if you tick the early start"
    )
    last = ""
    for seen in (page(orchard, path), paper(orchard, path)):
        ((last, early),) = set(offered.findall(seen))
        assert datetime.strptime(last, "%B %d, %Y").date() > begins  # noqa: DTZ007
        assert early == f"{soon:%B} {soon.day}"

    orchard.client.post(f"{path}/accept", json={"who": "M. Ferrier"}, headers=JSON)
    for seen in (page(orchard, path), paper(orchard, path)):
        assert last in seen
        assert f"work begins on {begins:%B} {begins.day}" in seen
        assert f"{soon:%B} {soon.day}, {soon.year}" not in seen


def test_early_start_keeps_the_early_day(orchard: Staff) -> None:
    _, path = said_yes(orchard, starts_early=True)
    soon = date.fromisoformat(told(orchard, path)["quote"]["ready_on"])
    for seen in (page(orchard, path), paper(orchard, path)):
        assert f"{soon:%B} {soon.day}, {soon.year}" in seen
        assert "work begins on" not in seen


@pytest.mark.parametrize("means", ["form", "link", "counter"])
def test_early_start_may_be_asked_for_after_the_yes(orchard: Staff, means: str) -> None:
    id, path = said_yes(orchard)  # noqa: A001
    ordered(orchard, id)
    assert "early_start" in acts(orchard, id)
    late = page(orchard, path)
    assert "Yes, start at once" in late
    wish = told(orchard, path)["withdrawal"]["wish"]

    for _ in range(2):
        if means == "form":
            headers = {**HTML, "Content-Type": "application/x-www-form-urlencoded"}
            answer = orchard.client.post(f"{path}/early-start", content="", headers=headers)
        elif means == "link":
            answer = orchard.client.post(f"{path}/early-start", json={}, headers=JSON)
        else:
            asked = {"who": "M. Ferrier", "means": "telephone"}
            answer = orchard.post(f"/v1/quotes/{id}/early-start", asked, orchard.tag(id))
        assert answer.is_success, answer.text

    given = orchard.get(f"/v1/quotes/{id}/authorisations")["authorisations"][-1]["from_afar"]
    assert given["starts_early"] is True
    assert given["wish"].pop("at")
    by = "telephone" if means == "counter" else "link"
    assert given["wish"] == {"who": "M. Ferrier", "means": by, "text": wish}
    kinds = [one["kind"] for one in orchard.get(f"/v1/quotes/{id}/history")["items"]]
    assert kinds.count("quote.early_start") == 1
    # the right to withdraw stays, and the day is the early one
    right = told(orchard, path)["withdrawal"]
    assert (right["starts_early"], right["until"]) == (True, "2027-03-15")
    early = page(orchard, path)
    assert "You asked us to start before that." in early
    assert "Yes, start at once" not in early
    assert "work begins on" in late
    assert "work begins on" not in early
    orchard.act(id, "start")
    assert refusal(orchard, id, "early-start", {"who": "M", "means": "email"}).startswith(
        "not-in-this-state"
    )


def test_change_that_is_agreed_at_the_counter_leaves_the_right_to_withdraw(orchard: Staff) -> None:
    id, _ = said_yes(orchard)  # noqa: A001
    jobs = {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]}
    orchard.act(id, "revise", jobs)
    orchard.act(id, "issue")
    orchard.act(id, "accept", {"revision": 2, "who": "M. Ferrier", "means": "telephone"})

    assert {"early_start", "withdrawal"} <= set(acts(orchard, id))
    ordered(orchard, id, revision=2)
    assert refusal(orchard, id, "start").startswith("withdrawal-period")


def test_early_start_is_asked_for_only_where_the_work_waits(orchard: Staff) -> None:
    body = {"who": "M. Ferrier", "means": "telephone"}
    counter = orchard.accepted()
    assert "early_start" not in acts(orchard, counter)
    assert refusal(orchard, counter, "early-start", body).startswith("no-wait")
    id, path = said_yes(orchard)  # noqa: A001
    orchard.counter.clock.pass_days(15)
    assert "early_start" not in acts(orchard, id)
    assert refusal(orchard, id, "early-start", body).startswith("no-wait")
    assert "Yes, start at once" not in page(orchard, path)
    withdrew, gone = said_yes(orchard)
    orchard.act(withdrew, "withdrawal", body)
    assert "early_start" not in acts(orchard, withdrew)
    assert refusal(orchard, withdrew, "early-start", body)
    answer = orchard.client.post(f"{gone}/early-start", json={}, headers=JSON)
    assert answer.status_code == 409


def test_name_of_who_withdrew_is_erased_with_the_customer(orchard: Staff) -> None:
    buyer = orchard.done("/v1/customers", {"name": "Mugwort"}).json()["id"]
    id, path = said_yes(orchard, customer=buyer)  # noqa: A001
    orchard.act(id, "early-start", {"who": "Sorrel", "means": "email", "text": "Begin. Sorrel"})
    orchard.client.post(f"{path}/withdraw", json={"who": "Tansy"}, headers=JSON)
    tag = orchard.client.get(f"/v1/customers/{buyer}").headers["ETag"]
    assert "Tansy" in orchard.client.get(f"/v1/customers/{buyer}/export").text
    orchard.done(f"/v1/customers/{buyer}/erase", {}, tag)

    left = orchard.client.get(f"/v1/quotes/{id}/authorisations").text
    assert "Tansy" not in left
    assert "Sorrel" not in left
