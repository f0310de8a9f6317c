"""What is agreed is what is shown, with what was added to it, wherever a quote is read."""

import email
import email.policy
import re
from collections.abc import Iterator
from decimal import Decimal
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from lxml import etree, html
from pypdf import PdfReader
from tests.desks import DAY, client_of, open_counter
from tests.web.calls.conftest import Staff

from kitwright.app import make_app, make_service
from kitwright.language.scribe import Scribe
from kitwright.settings import Settings, built_in_catalog

ASKED = {
    "hire-yard": {
        "family": "QM-H27",
        "serial": 2140077,
        "chassis": "PW-G5",
        "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
    },
    "orchard": {
        "family": "TB-S50",
        "serial": 1799999,
        "chassis": "MF-WB30",
        "diagnoses": [{"code": "BREATHER"}],
        "pays_cash": True,
    },
}
"""A shop whose prices are without tax, and one whose prices include it."""
PREPAID = "20.00"
MORE = (
    {"description": "A fuel line", "kind": "part", "net": "12.34"},
    {"description": "A stuck screw", "kind": "labour", "amount": "30.00"},
    {"description": "Waste", "kind": "fee", "tax_kind": "core", "net": "1.00"},
)


@pytest.fixture(params=sorted(ASKED))
def at(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Staff, str]]:
    """Return somebody at the counter of a shop, and an agreed quote there, partly paid."""
    service = make_service(Settings(catalog=built_in_catalog(), shop=request.param), lambda: DAY)
    with (
        open_counter(service, tmp_path) as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        staff = Staff(counter, client)
        quote = staff.accepted("5000.00", **ASKED[request.param], prepaid=PREPAID)
        yield staff, quote


def amount(money: Any) -> Decimal:
    return Decimal(money["amount"])


def add_all(staff: Staff, quote: str) -> list[Any]:
    rulings = [staff.act(quote, "additions", one) for one in MORE]
    assert [one["decision"] for one in rulings] == ["go"] * len(MORE)
    return [one["addition"] for one in rulings]


def begin_draft(staff: Staff, quote: str) -> Any:
    request = {**staff.get(f"/v1/quotes/{quote}")["request"], "prepaid": "0", "machines": 3}
    return staff.act(quote, "revise", request)


def test_additions_are_lines_in_totals_and_taxes(at: tuple[Staff, str]) -> None:
    staff, quote = at
    before = staff.get(f"/v1/quotes/{quote}")
    added = add_all(staff, quote)

    after = staff.get(f"/v1/quotes/{quote}")

    answer, agreed = after["quote"], before["quote"]
    lines, totals = answer["lines"], answer["totals"]
    new = lines[len(agreed["lines"]) :]
    assert [one["amount"] for one in lines[: len(agreed["lines"])]] == [
        one["amount"] for one in agreed["lines"]
    ]
    assert [(one["description"], one["kind"], one["tax_kind"]) for one in new] == [
        (one["description"], one["kind"], one["tax_kind"]) for one in added
    ]
    assert [one["tax_kind"] for one in new] == ["part", "labour", "core"]
    for name in ("net", "tax", "gross"):
        assert sum(amount(line[name]) for line in lines) == amount(totals[name])
    assert sum(amount(one["amount"]) for one in answer["taxes"]) == amount(totals["tax"])
    assert amount(totals["net"]) + amount(totals["tax"]) == amount(totals["gross"])
    left = amount(totals["gross"]) - Decimal(PREPAID)
    assert amount(totals["payable"]) == left + amount(totals["cash_rounding"])
    assert abs(amount(totals["cash_rounding"])) < Decimal("0.05")
    grown = amount(totals["gross"]) - amount(agreed["totals"]["gross"])
    assert sum(amount(one["amount"]) for one in added) == grown
    assert [amount(one["net"]) for one in (added[0], added[2])] == [
        Decimal("12.34"),
        Decimal("1.00"),
    ]
    assert Decimal("29.95") <= amount(added[1]["amount"]) <= Decimal("30.00")
    ahead = answer["contingencies"]
    assert ahead["as_quoted"] == totals["gross"]
    assert amount(ahead["worst"]) - amount(agreed["contingencies"]["worst"]) == grown
    limit = staff.get(f"/v1/quotes/{quote}/authorisations")["limit"]
    assert limit["committed"] == agreed["totals"]["gross"]
    assert amount(limit["spent"]) == grown


def test_addition_of_an_untaxed_kind_adds_just_its_net(staff: Staff) -> None:
    quote = staff.accepted("1000.00")

    told = staff.act(quote, "additions", MORE[2])

    assert amount(told["addition"]["amount"]) == amount(told["addition"]["net"]) == 1


def test_later_draft_never_shows_through(at: tuple[Staff, str]) -> None:
    staff, quote = at
    add_all(staff, quote)
    agreed = staff.get(f"/v1/quotes/{quote}")

    read = begin_draft(staff, quote)

    drafted = read["draft"]
    assert (drafted["revision"], drafted["state"]) == (2, "draft")
    assert drafted["gross"] == drafted["quote"]["totals"]["gross"] != agreed["gross"]
    assert staff.get(f"/v1/quotes/{quote}") == read
    assert (read["shown"], read["revision"], read["agreed"]) == (1, 2, 1)
    assert (read["quote"], read["request"]) == (agreed["quote"], agreed["request"])
    (listed,) = staff.get("/v1/quotes")["items"]
    head = {name: drafted[name] for name in listed["draft"]}
    assert {**{name: read[name] for name in listed}, "draft": head} == listed
    event = staff.get(f"/v1/quotes/{quote}/history")["items"][-1]
    assert event["kind"] == "quote.revised"
    assert (event["facts"]["shown"], event["facts"]["gross"]) == (1, agreed["gross"]["amount"])
    assert staff.get(f"/v1/quotes/{quote}/revisions/2")["quote"] == drafted["quote"]
    sheet = staff.client.get(f"/v1/quotes/{quote}/sheet", headers={"Accept": "application/json"})
    assert sheet.json()["totals"] == agreed["quote"]["totals"]
    copy = staff.done(f"/v1/quotes/{quote}/copy").json()
    assert copy["request"]["machines"] == 1

    staff.supplied(quote)
    staff.act(quote, "start")
    done = staff.act(quote, "finish")

    assert (done["state"], done["shown"], done["gross"]) == ("done", 1, agreed["gross"])
    assert staff.get(f"/v1/quotes/{quote}")["quote"] == agreed["quote"]
    event = staff.get(f"/v1/quotes/{quote}/history")["items"][-1]
    assert event["facts"]["gross"] == agreed["gross"]["amount"]


def tight(text: str) -> str:
    return re.sub(r"[\s\u200b\u00a0\u202f\u00ad]", "", text)


def test_every_document_has_the_three_figures_with_what_was_added(at: tuple[Staff, str]) -> None:
    staff, quote = at
    add_all(staff, quote)
    begin_draft(staff, quote)
    totals = staff.get(f"/v1/quotes/{quote}")["quote"]["totals"]
    scribe = Scribe(staff.get(f"/v1/quotes/{quote}")["quote"]["language"])
    figures = [totals[name] for name in ("gross", "prepaid", "payable")]
    wanted = [tight(scribe.money(one["amount"], one["currency"])) for one in figures]
    path = f"/v1/quotes/{quote}/sheet"

    def taken(form: str) -> bytes:
        answer = staff.client.get(path, headers={"Accept": form})
        assert answer.status_code == 200, answer.text
        return bytes(answer.content)

    page = tight(html.fromstring(taken("text/html")).text_content())
    pdf = taken("application/pdf")
    printed = tight("".join(one.extract_text() for one in PdfReader(BytesIO(pdf)).pages))
    letter = sent(staff, quote)
    for text in (page, printed, letter):
        assert all(one in text for one in wanted)
    for text in (page, printed):
        assert all(tight(str(one["description"])) in text for one in MORE)
    root = etree.fromstring(taken("application/xml"))
    assert root.findtext("{*}ID") == f"{quote}-1+3"
    sums = root.find("{*}QuotedMonetaryTotal")
    assert [
        sums.findtext(f"{{*}}{name}")
        for name in ("TaxInclusiveAmount", "PrepaidAmount", "PayableAmount")
    ] == [one["amount"] for one in figures]
    nets = [
        Decimal(one.text)
        for one in root.findall("{*}QuotationLine/{*}LineItem/{*}LineExtensionAmount")
    ]
    assert sum(nets) == Decimal(sums.findtext("{*}LineExtensionAmount"))
    named = [one.text for one in root.findall("{*}QuotationLine/{*}LineItem/{*}Item/{*}Name")]
    assert named[-len(MORE) :] == [one["description"] for one in MORE]


def sent(staff: Staff, quote: str) -> str:
    """Return what a letter says, as plain text, without spaces."""
    staff.done(f"/v1/quotes/{quote}/messages", {"to": "a@mower.example"}, staff.tag(quote))
    number = int(quote[1:])
    *_, mail = staff.counter.store.read(lambda records: records.mails.of_quote(number))
    letter = email.message_from_bytes(mail.body, policy=email.policy.default)
    part = letter.get_body(("plain",))
    assert part is not None
    return tight(part.get_content())


def test_link_keeps_what_was_agreed_and_tells_what_was_added(staff: Staff) -> None:
    quote = staff.issued()
    link = staff.done(f"/v1/quotes/{quote}/links", {}, staff.tag(quote)).json()
    staff.done(f"{link['path']}/accept", {"who": "A. Customer", "limit": "1000.00"})
    before = staff.client.get(link["path"]).json()

    staff.act(quote, "additions", {"description": "A clamp", "kind": "part", "net": "5.00"})

    after = staff.client.get(link["path"]).json()
    assert before["with_additions"] is None
    assert after["quote"] == before["quote"]
    assert after["sha256"] == before["sha256"]
    kept = staff.get(f"/v1/quotes/{quote}")["quote"]
    assert after["with_additions"]["totals"] == kept["totals"]
    assert after["with_additions"]["lines"][-1]["description"] == "A clamp"
    page = staff.client.get(link["path"], headers={"Accept": "text/html"}).text
    assert "A clamp" in page
    assert Scribe("en").money(kept["totals"]["gross"]["amount"], "USD") in page


@pytest.mark.parametrize(
    "members", [{}, {"net": "1.00", "amount": "1.08"}], ids=["no price", "two prices"]
)
def test_addition_has_one_price(staff: Staff, members: dict[str, str]) -> None:
    quote = staff.accepted("1000.00")

    told = staff.refused(
        f"/v1/quotes/{quote}/additions",
        {"description": "A clamp", "kind": "part", **members},
        staff.tag(quote),
    )

    assert [(one["code"], one["pointer"]) for one in told["errors"]] == [("price-unclear", "/net")]


def test_limit_without_tax_counts_additions_without_tax(staff: Staff) -> None:
    quote = staff.issued()
    net = Decimal(staff.get(f"/v1/quotes/{quote}")["net"]["amount"])
    yes = {"revision": 1, "who": "A. Customer", "means": "telephone", "includes_tax": False}
    staff.act(quote, "accept", {**yes, "limit": str(net + 10)})

    told = staff.act(quote, "additions", {"description": "A", "kind": "part", "net": "10.00"})
    over = staff.act(quote, "additions", {"description": "B", "kind": "part", "amount": "0.01"})

    assert (told["decision"], told["limit"]["left"]["amount"]) == ("go", "0.00")
    assert (over["decision"], over["over_by"]["amount"]) == ("stop", "0.01")
    page = staff.client.get(f"/v1/quotes/{quote}/sheet", headers={"Accept": "application/pdf"})
    printed = "".join(one.extract_text() for one in PdfReader(BytesIO(page.content)).pages)
    assert "before tax unless you agree to a higher amount" in " ".join(printed.split())


def test_more_paid_than_it_comes_to_is_paid_back_in_words(staff: Staff) -> None:
    quote = staff.issued(prepaid="5000.00")
    answer = staff.get(f"/v1/quotes/{quote}")["quote"]
    scribe = Scribe("en")
    gross = answer["totals"]["gross"]["amount"]
    back = scribe.money(str(Decimal("5000.00") - Decimal(gross)), "USD")
    path = f"/v1/quotes/{quote}/sheet"

    page = staff.client.get(path, headers={"Accept": "text/html"})
    pdf = staff.client.get(path, headers={"Accept": "application/pdf"})
    xml = staff.client.get(path, headers={"Accept": "application/xml"})
    preview = {**answer_request(staff, quote), "contingencies": False}
    text = staff.client.post(
        "/v1/quotes/preview", json=preview, headers={"Accept": "text/plain"}
    ).text

    shown = html.fromstring(page.content).text_content()
    printed = "".join(one.extract_text() for one in PdfReader(BytesIO(pdf.content)).pages)
    letter = sent(staff, quote)
    for told in (shown, printed, text):
        assert tight(f"Refund to you {back}") in tight(told)
    assert tight(f"The total is {scribe.money(gross, 'USD')} including tax") in letter
    assert tight(f"already paid $5,000.00. We will refund {back}.") in letter
    assert tight(f"will not exceed {scribe.money(gross, 'USD')} unless") in tight(printed)
    root = etree.fromstring(xml.content)
    notes = [one.text for one in root.findall("{*}Note")]
    assert f"You have already paid $5,000.00. We will refund {back}." in notes
    for told in (shown, printed, letter, text):
        assert f"-{back}" not in tight(told)


def answer_request(staff: Staff, quote: str) -> dict[str, Any]:
    asked = staff.get(f"/v1/quotes/{quote}")["request"]
    return {
        name: value
        for name, value in asked.items()
        if name not in ("customer", "machine", "ticket")
    }


@pytest.mark.parametrize("act", ["decline", "withdraw"])
@pytest.mark.parametrize("prepaid", ["20.00", "5000.00"])
def test_nothing_is_owed_of_what_was_declined(tmp_path: Path, act: str, prepaid: str) -> None:
    service = make_service(Settings(catalog=built_in_catalog(), shop="hire-yard"), lambda: DAY)
    with (
        open_counter(service, tmp_path) as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        staff = Staff(counter, client)
        quote = staff.issued(**ASKED["hire-yard"], prepaid=prepaid)
        body = {"revision": 1} if act == "decline" else {}
        staff.done(f"/v1/quotes/{quote}/{act}", body, staff.tag(quote))
        page = client.get(f"/v1/quotes/{quote}/sheet", headers={"Accept": "text/html"})
        printed = client.get(f"/v1/quotes/{quote}/sheet", headers={"Accept": "application/pdf"})

    pdf = " ".join(each.extract_text() for each in PdfReader(BytesIO(printed.content)).pages)
    for told in (page.text, pdf):
        assert "Already paid" in told
        for words in ("Balance due", "Refund", "Total due", "not known yet"):
            assert words not in told


def test_certificate_says_nothing_where_no_exemption_is_known(tmp_path: Path) -> None:
    """A customer who has one is quoted like everybody in a tax area that frees nobody."""
    service = make_service(Settings(catalog=built_in_catalog(), shop="orchard"), lambda: DAY)
    with (
        open_counter(service, tmp_path) as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        staff = Staff(counter, client)
        certificate = {"certificate_number": "C-1", "certificate_until": "2030-01-01"}
        customer = staff.done("/v1/customers", {"name": "Somebody", **certificate}).json()["id"]
        quote = staff.quote(**ASKED["orchard"], customer=customer)
        told = staff.get(f"/v1/quotes/{quote}")["quote"]

    assert told["exemption"] is None
