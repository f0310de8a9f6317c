"""From finished work to its invoice over HTTP: statement, payments, collection, credit note."""

import hashlib
from datetime import timedelta
from decimal import Decimal
from typing import Any

import msgspec
import pytest
from lxml import etree
from tests.documents.printed import text as pdf_text
from tests.web.calls.conftest import Staff

CUSTOMER = {
    "name": "Maud Ferrier",
    "billing": {"street": "Mill Lane 4", "city": "Tollimoor", "country": "DE"},
}


def in_work(staff: Staff, limit: str | None = None, **members: Any) -> str:
    """Return a quote whose work was started."""
    id = staff.accepted(limit, **members)  # noqa: A001
    staff.supplied(id)
    staff.act(id, "start")
    return id


def statement(staff: Staff, id: str) -> Any:  # noqa: A002
    return staff.client.get(f"/v1/quotes/{id}/statement").json()


def lines_of(staff: Staff, id: str, kind: str) -> list[tuple[int, Any]]:  # noqa: A002
    """Return the lines of a kind with their places."""
    lines = staff.client.get(f"/v1/quotes/{id}").json()["quote"]["lines"]
    return [(place, one) for place, one in enumerate(lines, start=1) if one["kind"] == kind]


def refused(staff: Staff, id: str, act: str, body: Any) -> tuple[int, str, str]:  # noqa: A002
    """Return status, code and detail of an act that is refused."""
    answer = staff.post(f"/v1/quotes/{id}/{act}", body, staff.tag(id))
    problem = answer.json()
    (error,) = problem["errors"]
    return answer.status_code, error["code"], error["detail"]


def test_without_a_body_everything_is_billed_as_agreed(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    agreed = staff.client.get(f"/v1/quotes/{id}").json()

    assert staff.act(id, "finish")["state"] == "done"

    made = statement(staff, id)
    assert made["statement"]["gross"] == made["statement"]["agreed_gross"] == agreed["gross"]
    assert {line["why"] for line in made["statement"]["lines"]} == {"agreed"}
    assert made["account"]["balance"] == agreed["gross"]
    body = msgspec.json.encode(made["statement"])
    assert made["sha256"] == hashlib.sha256(body).hexdigest()


def test_goods_that_were_not_used_are_not_billed_and_are_free_again(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    (place, line), *_ = lines_of(staff, id, "part")
    goods = [{"line": place, "used": "0", "to_shelf": line["quantity"]}]

    staff.act(id, "finish", {"goods": goods, "by": "R. Okafor"})

    made = statement(staff, id)["statement"]
    billed = made["lines"][place - 1]
    assert (billed["amount"]["amount"], billed["why"]) == ("0.00", "used")
    saved = Decimal(made["agreed_net"]["amount"]) - Decimal(made["net"]["amount"])
    assert saved == Decimal(line["net"]["amount"])


def test_bill_above_the_limit_needs_consent(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    (place, line), *_ = lines_of(staff, id, "part")
    more = {"goods": [{"line": place, "used": str(int(line["quantity"]) + 9)}]}

    status, code, detail = refused(staff, id, "finish", more)

    assert (status, code) == (409, "bill-over-limit")
    assert "first get the customer's consent to" in detail
    # nothing was kept, and the work can still be finished otherwise
    assert staff.client.get(f"/v1/quotes/{id}/statement").status_code == 409
    staff.act(id, "finish")


def test_more_is_billed_within_a_limit_that_was_agreed(staff: Staff) -> None:
    id = in_work(staff, limit="5000.00")  # noqa: A001
    (place, line), *_ = lines_of(staff, id, "part")
    used = str(int(line["quantity"]) + 1)

    goods = [{"line": place, "used": used}]
    staff.act(id, "finish", {"goods": goods, "unbooked": "From another job."})

    made = statement(staff, id)["statement"]
    assert made["lines"][place - 1]["quantity"] == used
    assert Decimal(made["gross"]["amount"]) > Decimal(made["agreed_gross"]["amount"])


def test_payments_settle_the_balance_and_the_machine_is_collected(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    staff.act(id, "payments", {"amount": "1.00", "means": "card", "by": "R"})
    back = {"amount": "1.01", "means": "card", "paid_back": True, "by": "R"}
    status, code, told = refused(staff, id, "payments", back)
    assert (status, code) == (409, "paid-too-much")
    assert "only 1.00 is to be paid back" in str(told)
    staff.act(id, "payments", {**back, "amount": "1.00"})
    staff.act(id, "finish")
    owed = statement(staff, id)["account"]["balance"]["amount"]

    staff.act(id, "payments", {"amount": "10.00", "means": "card", "by": "R. Okafor"})
    too_much = {"amount": owed, "means": "card", "by": "R. Okafor"}
    assert refused(staff, id, "payments", too_much)[1] == "paid-too-much"
    rest = str(Decimal(owed) - 10)
    staff.act(id, "payments", {"amount": rest, "means": "transfer", "by": "R. Okafor"})
    taken = {"collector": "A. Customer", "old_parts": True, "unsafe": True, "by": "R. Okafor"}
    assert refused(staff, id, "collected", taken)[1] == "not-tagged"
    staff.act(id, "collected", {**taken, "tagged_and_signed": True})
    assert refused(staff, id, "collected", {**taken, "unsafe": False})[1] == "already-collected"

    made = statement(staff, id)
    assert Decimal(made["account"]["balance"]["amount"]) == 0
    assert [one["amount"]["amount"] for one in made["payments"]] == [
        *("1.00", "-1.00"),
        "10.00",
        rest,
    ]
    assert [one["in_advance"] for one in made["payments"]] == [True, True, False, False]
    assert made["collected"]["unsafe"] is True


def test_invoice_is_made_credited_and_made_again(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    assert refused(staff, id, "invoice", {})[1] == "no-statement"
    staff.act(id, "finish")
    status, code, detail = refused(staff, id, "invoice", {})
    assert (status, code) == (409, "invoice-needs")
    assert "customer" in detail
    customer = staff.done("/v1/customers", CUSTOMER).json()["id"]

    made = staff.done(f"/v1/quotes/{id}/invoice", {"customer": customer}, staff.tag(id))

    invoice = made.json()
    assert made.status_code == 201
    assert made.headers["Location"] == "/v1/invoices/I1-00001"
    assert invoice["number"] == "I1-00001"
    assert invoice["gross"] == statement(staff, id)["statement"]["gross"]
    assert invoice["profile"] is None
    assert invoice["unmet"] == ["the tax area's tax is not a value added tax"]
    assert refused(staff, id, "invoice", {"customer": customer})[1] == "already-invoiced"

    some = staff.done("/v1/invoices/I1-00001/credit", {"reason": "Not fitted", "lines": [1]}).json()
    rest = staff.done("/v1/invoices/I1-00001/credit", {"reason": "Wrong name"}).json()
    again = staff.post("/v1/invoices/I1-00001/credit", {"reason": "Again"})

    assert again.json()["errors"][0]["code"] == "not-creditable"
    assert [some["number"], rest["number"]] == ["C1-00001", "C1-00002"]
    credited = Decimal(some["gross"]["amount"]) + Decimal(rest["gross"]["amount"])
    assert credited == Decimal(invoice["gross"]["amount"])
    assert Decimal(statement(staff, id)["account"]["balance"]["amount"]) == 0

    second = staff.done(f"/v1/quotes/{id}/invoice", {"customer": customer}, staff.tag(id)).json()
    assert second["number"] == "I1-00002"
    own = {"number": "", "issued_on": "", "seal": ""}
    assert {**second, **own} == {**invoice, **own}
    listed = staff.client.get("/v1/invoices").json()["items"]
    assert [one["number"] for one in listed] == ["I1-00002", "C1-00002", "C1-00001", "I1-00001"]
    assert listed[1]["credits"] == "I1-00001"


def test_invoice_has_the_same_amounts_in_every_form(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    staff.act(id, "finish")
    customer = staff.done("/v1/customers", CUSTOMER).json()["id"]
    staff.done(f"/v1/quotes/{id}/invoice", {"customer": customer}, staff.tag(id))
    staff.done("/v1/invoices/I1-00001/credit", {"reason": "Wrong name"})

    for number in ("I1-00001", "C1-00001"):
        path = f"/v1/invoices/{number}"
        told = staff.client.get(path).json()
        printed = pdf_text(staff.client.get(path, headers={"Accept": "application/pdf"}).content)
        xml = staff.client.get(path, headers={"Accept": "application/xml"}).content
        assert told["gross"]["amount"] in printed
        assert number in printed
        document = etree.fromstring(xml)
        (gross,) = document.xpath("//*[local-name() = 'TaxInclusiveAmount']/text()")
        assert gross == told["gross"]["amount"]
    assert staff.client.get("/v1/invoices/I1-00009").status_code == 404
    assert staff.client.get("/v1/invoices/I1-1").status_code == 404


@pytest.mark.parametrize(
    ("body", "code"),
    [
        ({"supplied_on": "2020-01-01"}, "supply-day-invalid"),
        ({"goods": [{"line": 99, "used": "1"}]}, "no-such-line"),
    ],
)
def test_what_can_not_be_so_is_refused(staff: Staff, body: Any, code: str) -> None:
    id = in_work(staff)  # noqa: A001

    assert refused(staff, id, "finish", body)[:2] == (422, code)


def test_goods_that_were_reserved_and_not_used_are_drawn_no_more(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    owner = staff.client
    (place, line), *_ = lines_of(staff, id, "part")
    item, quantity = line["code"], line["quantity"]
    (holding,) = staff.get(f"/v1/shelf/{item}")["holdings"]
    assert (holding["on_hand"], holding["reserved"]) == (quantity, quantity)

    staff.act(id, "finish", {"goods": [{"line": place, "used": "0", "to_shelf": quantity}]})

    found = owner.get(f"/v1/shelf/{item}").json()
    (holding,) = found["holdings"]
    assert (holding["on_hand"], holding["reserved"]) == (quantity, "0")


def test_month_has_the_invoice_the_payment_and_what_is_open(staff: Staff) -> None:
    customer = staff.done("/v1/customers", {**CUSTOMER, "name": "=Maud"}).json()["id"]
    id = in_work(staff, customer=customer)  # noqa: A001
    staff.act(id, "finish")
    invoice = staff.done(f"/v1/quotes/{id}/invoice", {"customer": customer}, staff.tag(id)).json()
    gross = Decimal(invoice["gross"]["amount"])
    staff.act(id, "payments", {"amount": "20.00", "means": "card", "by": "Till"})

    month = staff.get("/v1/reports/month", month="2027-03")

    assert month["complete"] is False
    assert {one["number"] for one in month["documents"]} == {invoice["number"]}
    assert sum(Decimal(one["gross"]["amount"]) for one in month["codes"]) == gross
    (receipt,) = month["receipts"]
    assert (receipt["kind"], receipt["quote"], receipt["means"]) == ("payment", id, "card")
    (item,) = month["open_items"]
    assert Decimal(item["balance"]["amount"]) == gross - 20
    assert month["closing"] == item["balance"]
    stock = staff.get("/v1/stock-value")
    assert month["stock"] == stock["value"]
    before = staff.get("/v1/reports/month", month="2027-02")
    assert (before["complete"], before["documents"], before["open_items"]) == (True, [], [])
    after = staff.get("/v1/reports/month", month="2027-04")
    assert (after["complete"], after["documents"]) == (False, [])
    assert after["opening"] == after["closing"] == month["closing"]

    answer = staff.client.get(
        "/v1/reports/month", params={"month": "2027-03"}, headers={"Accept": "text/csv"}
    )
    assert answer.headers["content-type"].startswith("text/csv")
    assert ",'=Maud," in answer.text


@pytest.mark.parametrize("month", ["2027-13", "2027", "March"])
def test_month_that_is_none_is_refused(staff: Staff, month: str) -> None:
    answer = staff.client.get("/v1/reports/month", params={"month": month})

    assert (answer.status_code, answer.json()["code"]) == (400, "query-invalid")


def clock(staff: Staff, id: str, act: str, **members: Any) -> Any:  # noqa: A002
    body = {"act": act, "by": "R. Okafor", **members}
    return staff.done(f"/v1/quotes/{id}/clock", body).json()


def labour_of(staff: Staff, id: str) -> list[Any]:  # noqa: A002
    lines = statement(staff, id)["statement"]["lines"]
    return [line for line in lines if line["kind"] == "labour"]


def test_clocked_minutes_of_the_clock_are_in_the_statement(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    clock(staff, id, "minutes", phase="work", minutes=41)
    clock(staff, id, "start", phase="refit")
    staff.counter.clock.now += timedelta(minutes=12)

    staff.act(id, "finish")

    lines = labour_of(staff, id)
    # a shop that bills flat bills what was agreed, and shows what it took
    assert {line["why"] for line in lines} == {"agreed"}
    assert sum(int(line["clocked"]) for line in lines) == 53
    (event,) = staff.get("/v1/events", limit=200)["items"][-1:]
    assert (event["kind"], event["facts"]["clocks_stopped"]) == ("quote.finished", 1)


def test_minutes_of_the_body_count_instead_of_the_clock(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    clock(staff, id, "minutes", phase="work", minutes=41)
    (place, _), *_ = lines_of(staff, id, "labour")

    staff.act(id, "finish", {"clocked": [{"line": place, "minutes": "7"}]})

    assert [one["clocked"] for one in labour_of(staff, id) if one["clocked"]] == ["7"]


def test_clocked_minutes_are_billed_up_to_those_agreed(orchard: Staff) -> None:
    id = in_work(orchard)  # noqa: A001
    agreed = sum(Decimal(line["quantity"]) for _, line in lines_of(orchard, id, "labour"))
    clock(orchard, id, "minutes", phase="teardown", minutes=20)
    clock(orchard, id, "minutes", phase="work", minutes=15)

    orchard.act(id, "finish")

    lines = labour_of(orchard, id)
    assert sum(Decimal(line["quantity"]) for line in lines) == 35 < agreed
    made = statement(orchard, id)["statement"]
    assert Decimal(made["gross"]["amount"]) < Decimal(made["agreed_gross"]["amount"])

    longer = in_work(orchard)
    clock(orchard, longer, "minutes", phase="work", minutes=1_400)
    orchard.act(longer, "finish")
    assert {line["why"] for line in labour_of(orchard, longer)} == {"capped"}
    made = statement(orchard, longer)["statement"]
    assert made["gross"] == made["agreed_gross"]


def test_forgotten_clock_is_not_billed_before_it_is_corrected(orchard: Staff) -> None:
    id = in_work(orchard)  # noqa: A001
    clock(orchard, id, "start", phase="work")
    orchard.counter.clock.pass_days(1)

    status, code, detail = refused(orchard, id, "finish", {})

    assert (status, code) == (409, "clock-forgotten")
    assert "entry 1 of R. Okafor" in detail
    clock(orchard, id, "correct", entry=1, minutes=25, reason="Went home.")
    orchard.act(id, "finish")
    assert sum(Decimal(line["quantity"]) for line in labour_of(orchard, id)) == 25


def freight_of(staff: Staff, quote: str) -> tuple[Decimal, Decimal, str]:
    """Return what a quote agreed for freight, what was billed, and why."""
    (line,) = [
        line for line in statement(staff, quote)["statement"]["lines"] if line["kind"] == "freight"
    ]
    return Decimal(line["agreed"]["amount"]), Decimal(line["amount"]["amount"]), line["why"]


def act_on_order(staff: Staff, order: str, act: str, **body: Any) -> Any:
    tag = staff.client.get(f"/v1/orders/{order}").headers["ETag"]
    return staff.done(f"/v1/orders/{order}/{act}", {"by": "Owner", **body}, tag).json()


def test_freight_is_billed_as_the_orders_of_several_quotes_shared_it(staff: Staff) -> None:
    quotes = [staff.accepted() for _ in range(3)]
    revisions = [{"quote": quote, "revision": 1} for quote in quotes]
    made = staff.done("/v1/orders", {"revisions": revisions}).json()["items"]
    paid = {quote: Decimal(0) for quote in quotes}
    for own in (own for one in made for own in one["allocations"]):
        paid[own["quote"]] += Decimal(own["fees"]["amount"]) + Decimal(own["freight"]["amount"])

    for one in made:
        staff.delivered(one["id"])
    for quote in quotes:
        staff.act(quote, "start")
        staff.act(quote, "finish")
        agreed, billed, why = freight_of(staff, quote)
        assert billed == paid[quote] < agreed
        assert why == "charged"


def test_freight_is_billed_as_the_supplier_billed_it(staff: Staff) -> None:
    quote = staff.accepted()
    asked = {"revisions": [{"quote": quote, "revision": 1}]}
    made = staff.done("/v1/orders", asked).json()["items"]
    charged = {
        one["id"]: Decimal(one["order"]["freight"]["amount"])
        + sum(Decimal(fee["amount"]["amount"]) for fee in one["order"]["fees"])
        for one in made
    }
    first = next(order for order, amount in charged.items() if amount)
    act_on_order(staff, first, "send", without_advance="Known.", means="portal")
    bill = {"number": "B-1", "lines": [{"line": 1, "packs": 1, "unit_cost": "1.00"}]}
    bill |= {"charges": "1.00", "net": "2.00"}
    act_on_order(staff, first, "bills", day="2027-03-02", **bill)
    for one in made:
        staff.delivered(one["id"])
    staff.act(quote, "start")
    staff.act(quote, "finish")

    agreed, billed, why = freight_of(staff, quote)

    assert agreed == sum(charged.values())
    assert (billed, why) == (agreed - charged[first] + 1, "charged")


def test_part_of_a_line_is_credited_and_the_engine_is_named(staff: Staff) -> None:
    customer = staff.done("/v1/customers", CUSTOMER).json()["id"]
    quote = in_work(staff, customer=customer, serial=3120416)
    staff.act(quote, "finish")
    invoice = staff.done(f"/v1/quotes/{quote}/invoice", {}, staff.tag(quote)).json()
    line = next(one for one in invoice["lines"] if one["kind"] == "labour")
    path = f"/v1/invoices/{invoice['number']}/credit"

    unclear = staff.refused(path, {"reason": "Goodwill.", "parts": [{"line": line["line"]}]})
    assert unclear["errors"][0]["pointer"] == "/parts/0"
    part = {"line": line["line"], "net": "5.00"}
    nothing = {"line": line["line"], "quantity": "0.0001"}
    refusal = staff.refused(path, {"reason": "Goodwill.", "parts": [nothing]})
    assert "come to nothing" in refusal["errors"][0]["detail"]

    note = staff.done(path, {"reason": "Goodwill.", "parts": [part]}).json()

    assert (note["net"]["amount"], note["lines"][0]["unit"]) == ("5.00", "LS")
    assert invoice["engine"]["serial"] == note["engine"]["serial"] == 3120416
    text = pdf_text(
        staff.client.get(
            f"/v1/invoices/{note['number']}", headers={"Accept": "application/pdf"}
        ).content
    )
    assert "3120416" in text
    assert "lump sum" in text
    rest = staff.done(path, {"reason": "All of it."}).json()
    given = Decimal(note["gross"]["amount"]) + Decimal(rest["gross"]["amount"])
    assert given == Decimal(invoice["gross"]["amount"])


def test_paid_invoice_asks_for_nothing(staff: Staff) -> None:
    customer = staff.done("/v1/customers", CUSTOMER).json()["id"]
    quote = in_work(staff, customer=customer)
    staff.act(quote, "finish")
    due = statement(staff, quote)["account"]["balance"]["amount"]
    staff.act(quote, "payments", {"amount": due, "means": "card", "by": "Owner"})

    invoice = staff.done(f"/v1/quotes/{quote}/invoice", {}, staff.tag(quote)).json()

    path = f"/v1/invoices/{invoice['number']}"
    printed = pdf_text(staff.client.get(path, headers={"Accept": "application/pdf"}).content)
    assert "Nothing is left to pay" in printed
    assert "Payable by" not in printed.split("Left to pay")[1]
