"""Orders as they live: sent, answered, received, billed, returned and cancelled over the API."""

from collections.abc import Iterator
from decimal import Decimal
from email import message_from_bytes
from email.policy import default
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs
from tests.desks import DAY, client_of, open_counter
from tests.web.calls.conftest import Staff
from tests.web.problem import sound_problem

from kitwright.app import make_app
from kitwright.catalogue.model import ShopId
from kitwright.keeping.charges import charged_for
from kitwright.money import Money
from kitwright.web.calls.service import Service
from kitwright.workshop import Workshop

XML = {"Content-Type": "application/xml"}
HEADS: dict[str, Any] = {
    "family": "TB-V68",
    "serial": 3200000,
    "chassis": "loose",
    "diagnoses": [],
    "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}],
}
BLOCK = "V68-A-001"
BY = {"by": "R. Okafor"}


class Buyer:
    """Somebody who orders parts, and acts on orders as they stand."""

    def __init__(self, staff: Staff) -> None:
        self.staff = staff

    def order(self, *quotes: str) -> dict[str, dict[str, Any]]:
        """Order for some quotes; return the orders by supplier."""
        asked = {"revisions": [{"quote": quote, "revision": 1} for quote in quotes]}
        made = self.staff.done("/v1/orders", asked).json()["items"]
        return {one["order"]["supplier"]: one for one in made}

    def read(self, order: str) -> Any:
        return self.staff.get(f"/v1/orders/{order}")

    def tag(self, order: str) -> str:
        return str(self.staff.client.get(f"/v1/orders/{order}").headers["ETag"])

    def act(self, order: str, act: str, **body: Any) -> Any:
        answer = self.staff.done(f"/v1/orders/{order}/{act}", {**BY, **body}, self.tag(order))
        assert answer.headers["ETag"] == self.tag(order)
        return answer.json()

    def refused(self, order: str, act: str, **body: Any) -> str:
        told = self.staff.refused(f"/v1/orders/{order}/{act}", {**BY, **body}, self.tag(order))
        return str(told["errors"][0]["code"])

    def sent(self, *quotes: str, supplier: str) -> Any:
        one = self.order(*quotes)[supplier]
        return self.act(
            one["id"], "send", without_advance="Known.", means="portal", reference="S-1"
        )

    def free(self, item: str) -> tuple[str, str]:
        shown = self.staff.get(f"/v1/shelf/{item}")
        return shown["on_hand"], shown["reserved"]


@pytest.fixture
def buyer(staff: Staff) -> Buyer:
    return Buyer(staff)


def events(buyer: Buyer, order: str) -> list[str]:
    feed = buyer.staff.get("/v1/events", limit=200)["items"]
    return [one["kind"] for one in feed if one["subject"] == order]


def test_order_is_sent_by_email_with_its_documents(buyer: Buyer) -> None:
    quote = buyer.staff.accepted(**HEADS)
    order = buyer.order(quote)["ALDQ"]
    assert order["acts"] == ["cancel", "send"]

    told = buyer.act(
        order["id"], "send", without_advance="Known.", means="email", note="Gate code 4410."
    )

    assert (told["state"], told["sent_by"]) == ("sent", "email")
    assert told["acts"] == ["bills", "cancel", "confirm", "receipts"]
    (mail,) = buyer.staff.get(f"/v1/orders/{order['id']}/messages")["items"]
    assert (mail["to"], mail["state"]) == ("orders@alderquay.example", "queued")
    kept = buyer.staff.counter.store.read(lambda records: records.mails.of_order(1))
    message = message_from_bytes(
        buyer.staff.counter.store.read(
            lambda records: records.mails.due(buyer.staff.counter.clock.now, 9)
        )[0].body,
        policy=default,
    )
    assert message["Subject"] == f"Purchase order {order['id']} from Tollimoor Hire Yard"
    names = {part.get_filename() for part in message.iter_attachments()}
    assert names == {f"{order['id']}.{form}" for form in ("pdf", "csv", "xml")}
    text = message.get_body(("plain",)).get_content()  # type: ignore[union-attr]
    assert "Gate code 4410." in text
    assert "TH-4410" in text
    assert "rear gate" in text
    assert len(kept) <= 1
    assert events(buyer, order["id"]) == ["order.created", "order.sent", "mail.queued"]


def test_quotes_are_bought_together_where_all_of_it_costs_least(buyer: Buyer) -> None:
    quotes = [buyer.staff.accepted(**HEADS, needed_by="2027-03-12") for _ in range(12)]
    for quote in quotes:
        alone = buyer.staff.get(f"/v1/quotes/{quote}")["quote"]["orders"]
        assert [one["supplier"] for one in alone] == ["ALDQ", "DLWY"]

    made = buyer.order(*quotes)

    # CPSN is cheaper and later; only together do the quotes reach what ends its fee and freight
    order = made["CPSN"]["order"]
    assert made.keys() == {"CPSN", "DLWY"}
    assert (order["goods"], order["fees"]) == (order["net"], [])
    assert order["promised"] <= "2027-03-12"
    shares = [one["goods"]["amount"] for one in made["CPSN"]["allocations"]]
    assert sum(map(Decimal, shares)) == Decimal(order["goods"]["amount"])
    assert buyer.order(*quotes) == {}
    buyer.staff.act(quotes[-1], "start")


def test_order_without_an_address_is_told_by_telephone(buyer: Buyer) -> None:
    workshop = buyer.staff.counter.desk.service.workshop
    suppliers = {
        name: structs.replace(one, contact=None)
        for name, one in workshop.catalogue.suppliers.items()
    }
    catalogue = structs.replace(workshop.catalogue, suppliers=suppliers)
    buyer.staff.counter.desk.service = Service(Workshop(catalogue, workshop.shop), lambda: DAY)
    order = next(iter(buyer.order(buyer.staff.accepted(**HEADS)).values()))

    assert (
        buyer.refused(order["id"], "send", without_advance="Known.", means="email")
        == "no-order-address"
    )
    told = buyer.act(
        order["id"], "send", without_advance="Known.", means="telephone", reference="AQ-1"
    )

    assert (told["reference"], told["sent_by"]) == ("AQ-1", "telephone")
    assert (
        buyer.refused(order["id"], "send", without_advance="Known.", means="portal")
        == "order-not-in-this-state"
    )
    assert buyer.staff.get(f"/v1/orders/{order['id']}/messages")["items"] == []


def test_answer_that_comes_late_says_who_slips_and_what_else_there_is(buyer: Buyer) -> None:
    quotes = [buyer.staff.accepted(**HEADS, needed_by="2027-03-12") for _ in range(2)]
    order = buyer.sent(*quotes, supplier="ALDQ")

    told = buyer.act(
        order["id"],
        "confirm",
        reference="BW-7",
        lines=[{"line": 1, "back_order": True, "promised": "2027-03-26"}],
    )

    assert told["state"] == "confirmed"
    slips = {slip["quote"]: slip for slip in told["slips"]}
    assert slips.keys() == {*quotes}
    for slip in slips.values():
        assert (slip["now"], slip["complete_on"], slip["late"]) == (
            "2027-03-26",
            "2027-03-26",
            True,
        )
    (proposal,) = told["proposals"]
    assert proposal["promised"] < "2027-03-26"
    assert proposal["supplier"] != "ALDQ"
    feed = buyer.staff.get("/v1/events", limit=200)["items"]
    slipped = {one["subject"] for one in feed if one["kind"] == "quote.slipped"}
    assert slipped == {*quotes}


def test_refused_packs_are_ordered_elsewhere(buyer: Buyer) -> None:
    first, second = (buyer.staff.accepted(**HEADS) for _ in range(2))
    order = buyer.sent(first, second, supplier="ALDQ")
    (line, *_) = order["lines"]
    both = line["packs"]

    told = buyer.act(order["id"], "confirm", lines=[{"line": 1, "refused": both // 2}])

    # the last one loses its parts
    assert told["reopened"] == [second]
    assert told["lines"][0]["cancelled"] == both // 2
    acts = buyer.staff.get(f"/v1/quotes/{second}")["acts"]
    assert "start" not in acts
    assert "order" in acts
    buyer.staff.act(first, "start")
    again = buyer.order(second)
    skus = [one["sku"] for order in again.values() for one in order["order"]["lines"]]
    assert skus == [line["sku"]]
    assert buyer.order(first, second) == {}
    buyer.staff.act(second, "start")


def test_cancelling_opens_every_need_again(buyer: Buyer) -> None:
    quotes = [buyer.staff.accepted(**HEADS) for _ in range(3)]
    made = buyer.order(*quotes)
    before = {sku["sku"]: sku["packs"] for one in made.values() for sku in one["order"]["lines"]}
    for one in made.values():
        told = buyer.act(one["id"], "cancel", reason="Ordered by mistake.")
        assert (told["state"], told["acts"]) == ("cancelled", [])
        assert told["reopened"] == quotes

    again = buyer.order(*quotes)

    after = {sku["sku"]: sku["packs"] for one in again.values() for sku in one["order"]["lines"]}
    assert after == before


def test_draft_is_cancelled_as_a_whole(buyer: Buyer) -> None:
    order = next(iter(buyer.order(buyer.staff.accepted(**HEADS)).values()))

    lines = [{"line": 1, "packs": 1}]
    assert buyer.refused(order["id"], "cancel", reason="Less.", lines=lines) == "draft-is-whole"


def test_delivery_goes_onto_the_shelf_for_whom_it_was_ordered(buyer: Buyer) -> None:
    first, second = (buyer.staff.accepted(**HEADS) for _ in range(2))
    order = buyer.sent(first, second, supplier="ALDQ")
    line = order["lines"][0]
    item, packs = order["order"]["lines"][0]["item"], line["packs"]
    on_hand, reserved = (
        buyer.free(item)
        if buyer.staff.client.get(f"/v1/shelf/{item}").status_code == 200
        else ("0", "0")
    )

    told = buyer.act(order["id"], "receipts", lines=[{"line": 1, "packs": packs - 1}])

    assert told["state"] == "part_received"
    assert [one["kind"] for one in told["differences"]] == ["short"]
    assert buyer.free(item) == (
        str(int(on_hand) + packs - 1),
        str(int(reserved) + packs - 1),
    )
    told = buyer.act(order["id"], "receipts", lines=[{"line": 1, "packs": 3, "keep": 1}])
    assert [one["kind"] for one in told["differences"]] == ["over"]
    assert (told["lines"][0]["received"], told["lines"][0]["over"]) == (packs, 2)
    assert told["lines"][0]["waiting"] == 1
    assert buyer.free(item) == (str(int(on_hand) + packs + 1), str(int(reserved) + packs))
    # what was received is reserved, and not ordered again
    assert buyer.order(first, second) == {}


def test_goods_that_a_count_does_not_find_are_ordered_again(buyer: Buyer) -> None:
    first, second = (buyer.staff.accepted(**HEADS) for _ in range(2))
    order = received(buyer, first, second)
    item, line = order["order"]["lines"][0]["item"], order["lines"][0]
    each = line["packs"] // 2
    reserved = int(buyer.free(item)[1])

    # one quote's worth is gone
    lost = {"kind": "count", "quantity": str(reserved - each), "by": "Owner"}
    buyer.staff.done(f"/v1/shelf/{item}/moves", {**lost, "reason": "Not there."})

    assert "start" not in buyer.staff.get(f"/v1/quotes/{second}")["acts"]
    again = buyer.order(first, second)
    assert [
        (one["item"], one["packs"]) for made in again.values() for one in made["order"]["lines"]
    ] == [(item, each)]
    assert {part["quote"] for made in again.values() for part in made["allocations"]} == {second}
    assert buyer.order(first, second) == {}


def test_damaged_and_wrong_goods_are_still_due_and_go_back(buyer: Buyer) -> None:
    order = buyer.sent(buyer.staff.accepted(**HEADS), supplier="ALDQ")
    packs = order["lines"][0]["packs"]
    lines = [{"line": 1, "packs": packs - 1, "damaged": 1, "wrong": 2, "unit_cost": "9.99"}]

    told = buyer.act(order["id"], "receipts", reference="DN-1", lines=lines)

    kinds = {one["kind"] for one in told["differences"]}
    assert kinds == {"short", "damaged", "wrong", "price"}
    assert (told["lines"][0]["due"], told["lines"][0]["waiting"]) == (1, 3)
    assert "returns" in told["acts"]
    assert (
        buyer.refused(order["id"], "returns", lines=[{"line": 1, "why": "damaged", "packs": 2}])
        == "too-many-packs"
    )
    back = [
        {"line": 1, "why": "damaged", "packs": 1},
        {"line": 1, "why": "wrong", "packs": 2},
    ]
    told = buyer.act(order["id"], "returns", reference="RMA-1", lines=back)
    assert (told["lines"][0]["returned"], told["lines"][0]["waiting"]) == (3, 0)


def received(buyer: Buyer, *quotes: str) -> Any:
    order = buyer.sent(*quotes, supplier="ALDQ")
    lines = [{"line": one["line"], "packs": one["packs"]} for one in order["lines"]]
    return buyer.act(order["id"], "receipts", lines=lines)


def test_goods_not_needed_go_back_until_their_last_day(buyer: Buyer) -> None:
    quote = buyer.staff.accepted(**HEADS)
    order = received(buyer, quote, buyer.staff.accepted(**HEADS))
    item = order["order"]["lines"][0]["item"]
    assert order["state"] == "received"
    on_hand, _ = buyer.free(item)

    back = [{"line": 1, "why": "not_needed", "packs": 1}]
    told = buyer.act(order["id"], "returns", lines=back)

    (open_again,) = told["reopened"]
    assert open_again != quote
    assert buyer.free(item)[0] == str(int(on_hand) - 1)
    assert [*buyer.order(quote, open_again)] == ["ALDQ"]
    days = order["lines"][0]["return_by"]
    assert days is not None
    buyer.staff.counter.clock.pass_days(60)
    late = buyer.read(order["id"])
    assert "returns" not in late["acts"]
    more = [{"line": 1, "why": "not_needed", "packs": 1}]
    assert buyer.refused(order["id"], "returns", lines=more) == "not-taken-back"
    buyer.act(order["id"], "returns", lines=more, agreed="Told by the counter on 3 May.")


def test_bill_is_matched_to_what_arrived(buyer: Buyer) -> None:
    order = received(buyer, buyer.staff.accepted(**HEADS))
    placed = order["order"]
    lines = [
        {"line": at, "packs": line["packs"], "unit_cost": line["unit_cost"]}
        for at, line in enumerate(placed["lines"], start=1)
    ]
    charges = f"{float(placed['net']['amount']) - float(placed['goods']['amount']):.2f}"
    good = {"number": "INV-1", "day": "2027-03-05", "charges": charges}

    told = buyer.act(order["id"], "bills", **good, lines=lines, net=placed["net"]["amount"])
    assert told["differences"] == []

    twice = {**good, "lines": lines[:1], "net": "999.99"}
    assert buyer.refused(order["id"], "bills", **twice) == "bill-recorded"
    again = buyer.act(order["id"], "bills", **{**twice, "number": "INV-2"})
    kinds = {one["kind"] for one in again["differences"]}
    assert kinds == {"quantity", "charges", "sum"}
    shown = buyer.read(order["id"])["lines"]
    assert [line["overbilled"] for line in shown] == [lines[0]["packs"], *[0] * (len(shown) - 1)]


def test_disputed_charges_are_not_passed_on_and_a_bill_is_taken_back(buyer: Buyer) -> None:
    quote = buyer.staff.accepted(**HEADS)
    order = received(buyer, quote)
    others = [one for one in buyer.staff.get("/v1/orders")["items"] if one["id"] != order["id"]]
    for other in others:
        buyer.staff.delivered(other["id"])
    buyer.staff.act(quote, "start")
    step = buyer.staff.get(f"/v1/quotes/{quote}")["quote"]["work_plan"]["steps"][0]["step"]
    find = {"step": step, "what": "Plug worn.", "why": "Old.", "by": "R.", "trial": True}
    find["jobs"] = [{"job": "J-PLUG", "cylinder": 1}]
    placed = order["order"]
    lines = [
        {"line": at, "packs": line["packs"], "unit_cost": line["unit_cost"]}
        for at, line in enumerate(placed["lines"], start=1)
    ]
    charges = f"{Decimal(placed['net']['amount']) - Decimal(placed['goods']['amount'])}"
    bill = {"day": "2027-03-05", "charges": charges, "net": placed["net"]["amount"]}
    assert Decimal(charges) > 0

    def by_prices() -> str:
        path = f"/v1/quotes/{quote}/found"
        made = buyer.staff.done(path, find, buyer.staff.tag(quote)).json()
        return str(made["change"]["by_prices"]["amount"])

    before = by_prices()
    buyer.act(order["id"], "bills", number="INV-1", **bill, lines=lines)
    again = buyer.act(order["id"], "bills", number="INV-2", **bill, lines=lines)
    assert {one["kind"] for one in again["differences"]} == {"quantity", "charges"}
    assert by_prices() == before

    said = {"number": "INV-2", "reason": "Sent twice."}
    buyer.act(order["id"], "bills/back", **said)

    assert {line["overbilled"] for line in buyer.read(order["id"])["lines"]} == {0}
    entry = buyer.staff.get(f"/v1/orders/{order['id']}/entries")["items"][-1]
    assert (entry["kind"], entry["reference"], entry["reason"]) == (
        "bill_back",
        "INV-2",
        "Sent twice.",
    )
    assert buyer.refused(order["id"], "bills/back", **said) == "bill-unknown"
    buyer.act(order["id"], "bills/back", number="INV-1", reason="Wrong month.")
    told = buyer.act(order["id"], "bills", number="INV-1", **bill, lines=lines)
    assert told["differences"] == []


def test_freight_of_an_order_of_which_nothing_is_kept_is_not_the_customers(buyer: Buyer) -> None:
    quotes = [buyer.staff.accepted(**HEADS), buyer.staff.accepted(**HEADS)]
    order = received(buyer, *quotes)

    def charged(quote: str) -> Money | None:
        return buyer.staff.counter.desk.store.read(
            lambda records: charged_for(records, int(quote[1:]), Fraction(2))
        )

    before = charged(quotes[1])
    assert before is not None
    share = next(one for one in order["allocations"] if one["quote"] == quotes[1])
    own = Decimal(share["freight"]["amount"]) + Decimal(share["fees"]["amount"])
    assert own > 0
    back = [
        {"line": line["line"], "why": "not_needed", "packs": line["packs"]}
        for line in share["lines"]
        if line["packs"]
    ]
    buyer.act(order["id"], "returns", lines=back, agreed="Told by the counter.")

    now = charged(quotes[1])
    assert now is not None
    assert before.amount - now.amount == own


def test_what_happened_is_read_back_with_its_differences(buyer: Buyer) -> None:
    order = buyer.sent(buyer.staff.accepted(**HEADS), supplier="ALDQ")
    packs = order["lines"][0]["packs"]
    buyer.act(order["id"], "confirm", reference="AQ-7", lines=[])
    got = {"line": 1, "packs": packs - 1, "damaged": 1, "unit_cost": "9.99"}
    received = buyer.act(order["id"], "receipts", reference="DN-1", lines=[got])
    back = [{"line": 1, "why": "damaged", "packs": 1}]
    buyer.act(order["id"], "returns", reference="RMA-1", lines=back)
    bill = {"number": "INV-1", "day": "2027-03-05", "charges": "99.00", "net": "1.00"}
    lines = [{"line": 1, "packs": packs, "unit_cost": "1.22"}]
    billed = buyer.act(order["id"], "bills", **bill, lines=lines)
    buyer.act(order["id"], "cancel", reason="No longer wanted.")

    told = buyer.staff.get(f"/v1/orders/{order['id']}/entries")["items"]

    kinds = ["sent", "answered", "received", "returned", "billed", "cancelled"]
    assert [one["kind"] for one in told] == kinds
    assert [one["entry"] for one in told] == [1, 2, 3, 4, 5, 6]
    assert {one["by"] for one in told} == {BY["by"]}
    assert [one["reference"] for one in told] == ["S-1", "AQ-7", "DN-1", "RMA-1", "INV-1", None]
    assert told[0]["means"] == "portal"
    assert told[2]["differences"] == received["differences"]
    assert told[4]["differences"] == billed["differences"]
    assert (told[4]["charges"]["amount"], told[4]["day"]) == ("99.00", "2027-03-05")
    (line,) = told[2]["lines"]
    assert (line["packs"], line["damaged"], line["unit_cost"]) == (packs - 1, 1, "9.99")
    own = {"quote": order["quote"], "packs": packs - 1, "fraction": None}
    assert line["parts"] == [own]
    assert told[3]["lines"][0]["why"] == "damaged"
    assert told[5]["reason"] == "No longer wanted."


def test_days_that_cannot_be_are_refused(buyer: Buyer) -> None:
    order = buyer.sent(buyer.staff.accepted(**HEADS), supplier="ALDQ")
    early = [{"line": 1, "promised": "2027-02-28"}]
    bill = {"number": "INV-1", "charges": "0.00", "net": "2.00"}
    lines = [{"line": 1, "packs": 1, "unit_cost": "2.00"}]

    assert buyer.refused(order["id"], "confirm", lines=early) == "day-impossible"
    assert buyer.refused(order["id"], "bills", **bill, day="2031-11-28", lines=lines) == (
        "day-impossible"
    )
    twice = [{"line": 1, "packs": 1}] * 2
    assert buyer.refused(order["id"], "receipts", lines=twice) == "order-line-twice"
    beyond = [{"line": 77, "packs": 1}]
    assert buyer.refused(order["id"], "receipts", lines=beyond) == "order-line-unknown"


def test_cost_below_zero_is_refused(buyer: Buyer) -> None:
    order = buyer.sent(buyer.staff.accepted(**HEADS), supplier="ALDQ")
    lines = [{"line": 1, "packs": 1, "unit_cost": "-1.00"}]

    for act, more in (
        ("confirm", {"lines": [{"line": 1, "unit_cost": "-1.00"}]}),
        ("receipts", {"lines": lines}),
        (
            "bills",
            {"lines": lines, "number": "1", "day": "2027-03-01", "charges": "0", "net": "0"},
        ),
    ):
        assert buyer.refused(order["id"], act, **more) == "cost-invalid"


def test_acts_need_the_version_that_was_read(buyer: Buyer) -> None:
    order = next(iter(buyer.order(buyer.staff.accepted(**HEADS)).values()))
    old = buyer.tag(order["id"])
    buyer.act(order["id"], "send", without_advance="Known.", means="portal")

    answer = buyer.staff.post(f"/v1/orders/{order['id']}/cancel", {"reason": "Late.", **BY}, old)

    assert sound_problem(answer, answer.request.content)["code"] == "record-changed"


@pytest.fixture
def orchard(service: Service, tmp_path: Path) -> Iterator[Buyer]:
    """Return a buyer of the other shop, whose first supplier is written to in German."""
    workshop = Workshop(service.workshop.catalogue, _shop(service, "orchard"))
    other = Service(workshop, lambda: DAY)
    with (
        open_counter(other, tmp_path / "orchard") as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        yield Buyer(Staff(counter, client))


def _shop(service: Service, name: str) -> Any:
    return service.workshop.catalogue.shops[ShopId(name)]


SHORT_BLOCK: dict[str, Any] = {**HEADS, "jobs": [{"job": "J-SHORT-BLOCK"}]}
ENGINE: dict[str, Any] = {**HEADS, "jobs": [{"job": "J-ENGINE"}]}


@pytest.mark.parametrize("asked", [SHORT_BLOCK, ENGINE, HEADS])
def test_parts_are_sent_for_once_the_advance_asked_for_them_is_recorded(
    orchard: Buyer, asked: dict[str, Any]
) -> None:
    staff = orchard.staff
    quote = staff.accepted(**asked)
    owed = staff.get(f"/v1/quotes/{quote}/payments")
    assert owed["advance_left"] == owed["advance_due"] != "0.00"
    made = orchard.order(quote)
    parts = [
        one["id"]
        for one in made.values()
        if any(line["item"].startswith("V68") for line in one["order"]["lines"])
    ]
    assert parts
    for order in parts:
        for means in ("email", "portal", "telephone"):
            assert orchard.refused(order, "send", means=means) == "advance-missing"
    paid = {"amount": owed["advance_due"]["amount"], "means": "card", "by": "Owner"}
    much = {**paid, "amount": "999999.00"}
    told = staff.refused(f"/v1/quotes/{quote}/payments", much, staff.tag(quote))
    assert told["errors"][0]["code"] == "advance-too-large"

    staff.done(f"/v1/quotes/{quote}/payments", paid, staff.tag(quote))

    assert staff.get(f"/v1/quotes/{quote}/payments")["advance_left"]["amount"] == "0.00"
    for order in parts:
        assert orchard.act(order, "send", means="portal")["state"] == "sent"


def test_order_goes_out_without_an_advance_if_somebody_says_why(orchard: Buyer) -> None:
    order = next(iter(orchard.order(orchard.staff.accepted(**ENGINE)).values()))["id"]

    orchard.act(order, "send", means="portal", without_advance="A customer of many years.")

    (entry,) = orchard.staff.get(f"/v1/orders/{order}/entries")["items"]
    assert entry["reason"] == "A customer of many years."


def test_core_goes_back_for_its_deposit_and_a_special_part_does_not(orchard: Buyer) -> None:
    staff = orchard.staff
    quote = staff.accepted(**SHORT_BLOCK)
    owed = staff.get(f"/v1/quotes/{quote}/payments")["advance_due"]["amount"]
    paid = {"amount": owed, "means": "cash", "by": "Owner"}
    staff.done(f"/v1/quotes/{quote}/payments", paid, staff.tag(quote))
    order = orchard.sent(quote, supplier="FKRD")
    block = next(one for one in order["lines"] if one["sku"] == BLOCK)
    place = block["line"]
    told = orchard.act(order["id"], "receipts", lines=[{"line": place, "packs": 1}])
    line = told["lines"][place - 1]
    assert (line["cores"], line["return_by"]) == (1, None)

    core = [{"line": place, "why": "core", "packs": 1}]
    told = orchard.act(order["id"], "returns", reference="C-1", lines=core)

    assert told["lines"][place - 1]["cores"] == 0
    assert orchard.refused(order["id"], "returns", lines=core) == "too-many-packs"
    more = [{"line": place, "why": "not_needed", "packs": 1}]
    assert orchard.refused(order["id"], "returns", lines=more) == "not-taken-back"


def test_order_is_in_the_language_of_its_supplier(orchard: Buyer) -> None:
    order = orchard.order(orchard.staff.accepted(**HEADS))["EBHT"]

    orchard.act(order["id"], "send", without_advance="Known.", means="email")

    store, clock = orchard.staff.counter.store, orchard.staff.counter.clock
    (mail,) = store.read(lambda records: records.mails.due(clock.now, 9))
    message = message_from_bytes(mail.body, policy=default)
    assert message["Subject"].startswith(f"Bestellung {order['id']}")
    text = message.get_body(("plain",)).get_content()  # type: ignore[union-attr]
    assert "31-2207" in text


def answer_of(order: Any, *lines: str) -> str:
    """Return a UBL order response to an order."""
    cac = "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2"
    cbc = "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2"
    return (
        '<OrderResponse xmlns="urn:oasis:names:specification:ubl:schema:xsd:OrderResponse-2" '
        f'xmlns:cac="{cac}" xmlns:cbc="{cbc}"><cbc:ID>BW-991</cbc:ID>'
        "<cbc:IssueDate>2027-03-01</cbc:IssueDate>"
        f"<cac:OrderReference><cbc:ID>{order['id']}</cbc:ID></cac:OrderReference>"
        + "".join(
            f"<cac:OrderLine><cac:LineItem>{line}<cac:Item/></cac:LineItem></cac:OrderLine>"
            for line in lines
        )
        + "</OrderResponse>"
    )


def answered(buyer: Buyer, order: Any, document: str | bytes) -> Any:
    raw = document.encode() if isinstance(document, str) else document
    headers = {**XML, "If-Match": buyer.tag(order["id"]), "Idempotency-Key": f'"x-{hash(raw)}"'}
    path = f"/v1/orders/{order['id']}/confirm"
    return buyer.staff.client.post(path, content=raw, headers=headers)


def test_answer_in_ubl_is_read(buyer: Buyer) -> None:
    quotes = [buyer.staff.accepted(**HEADS) for _ in range(2)]
    order = buyer.sent(*quotes, supplier="ALDQ")
    packs = order["lines"][0]["packs"]
    said = (
        "<cbc:ID>1</cbc:ID><cbc:LineStatusCode>Revised</cbc:LineStatusCode>"
        f'<cbc:Quantity unitCode="C62">{packs - 1}</cbc:Quantity>'
        "<cac:Delivery><cac:PromisedDeliveryPeriod><cbc:EndDate>2027-03-30</cbc:EndDate>"
        "</cac:PromisedDeliveryPeriod></cac:Delivery>"
        '<cac:Price><cbc:PriceAmount currencyID="USD">4.60</cbc:PriceAmount>'
        '<cbc:BaseQuantity unitCode="C62">2</cbc:BaseQuantity></cac:Price>'
    )

    told = answered(buyer, order, answer_of(order, said)).json()

    line = told["lines"][0]
    assert (told["state"], told["reference"]) == ("confirmed", "BW-991")
    assert (line["cancelled"], line["promised"], line["unit_cost"]) == (1, "2027-03-30", "2.3")
    assert told["reopened"] == [quotes[1]]
    assert {slip["now"] for slip in told["slips"]} == {"2027-03-30"}


def test_disputed_line_leaves_the_order_unconfirmed(buyer: Buyer) -> None:
    order = buyer.sent(buyer.staff.accepted(**HEADS), supplier="ALDQ")
    said = "<cbc:ID>1</cbc:ID><cbc:LineStatusCode>Disputed</cbc:LineStatusCode>"

    told = answered(buyer, order, answer_of(order, said)).json()

    assert (told["state"], told["lines"][0]["disputed"]) == ("sent", True)
    assert buyer.act(order["id"], "confirm")["state"] == "confirmed"


@pytest.mark.parametrize(
    "broken",
    [
        lambda text: text.replace(
            "<OrderResponse ", '<!DOCTYPE x [<!ENTITY a "b">]><OrderResponse ', 1
        ),
        lambda text: text.replace("<cac:OrderReference>", "<cac:Other>").replace(
            "</cac:OrderReference>", "</cac:Other>"
        ),
        lambda text: text.replace("<cbc:ID>O", "<cbc:ID>X"),
        lambda text: text[:-20],
        lambda text: text.replace("</OrderResponse>", " " * 300_000 + "</OrderResponse>"),
    ],
    ids=["document type", "no order", "another order", "cut off", "too large"],
)
def test_answer_that_can_not_be_trusted_changes_nothing(buyer: Buyer, broken: Any) -> None:
    order = buyer.sent(buyer.staff.accepted(**HEADS), supplier="ALDQ")

    answer = answered(buyer, order, broken(answer_of(order)))

    assert answer.status_code in (413, 422), answer.text
    assert buyer.read(order["id"])["state"] == "sent"
    assert events(buyer, order["id"]) == ["order.created", "order.sent"]
