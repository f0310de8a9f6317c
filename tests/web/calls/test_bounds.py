"""Figures that nobody means are refused wherever they are typed, by one set of bounds."""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any, get_type_hints

import pytest
from tests.web.calls.conftest import Staff
from tests.web.calls.test_goods_here import goods_of, in_work

from kitwright.stages.request import MOST_MINUTES, MOST_PACKS
from kitwright.stages.request.bounds import MOST_MINOR, MOST_QUANTITY
from kitwright.web.edge.shapes import Wire

BILLION = "1000000000.00"
LINE = {
    "description": "Clip",
    "kind": "part",
    "quantity": "1",
    "unit": "C62",
    "unit_price": "1.00",
    "reason": "Loose.",
    "by": "R. Okafor",
}
OVERRIDE = {"line": {"code": "VALVE-EX"}, "reason": "Said so.", "by": "R. Okafor"}
VALVE = {
    "family": "QM-H27",
    "serial": 2140077,
    "chassis": "PW-G5",
    "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
}


def beyond(staff: Staff, path: str, body: Any, pointer: str, etag: str | None = None) -> None:
    """Check that a call is refused because of one figure."""
    told = staff.refused(path, body, etag)
    errors = [one for one in told["errors"] if one["pointer"] == pointer]
    assert [one["code"] for one in errors] == ["beyond-bounds"], told
    assert told["status"] == 422


@pytest.mark.parametrize(
    ("terms", "pointer"),
    [
        ({"free_lines": [{**LINE, "unit_price": BILLION}]}, "/free_lines/0/unit_price"),
        ({"free_lines": [{**LINE, "quantity": BILLION}]}, "/free_lines/0/quantity"),
        (
            {"free_lines": [{**LINE, "quantity": "90000", "unit_price": "90000"}]},
            "/free_lines/0/unit_price",
        ),
        (
            {"free_lines": [{**LINE, "kind": "labour", "unit": "MIN", "quantity": "10081"}]},
            "/free_lines/0/quantity",
        ),
        (
            {"free_lines": [{**LINE, "kind": "labour", "unit": "HUR", "quantity": "168.1"}]},
            "/free_lines/0/quantity",
        ),
        ({"overrides": [{**OVERRIDE, "unit_price": BILLION}]}, "/overrides/0/unit_price"),
        ({"discounts": [{"amount": BILLION, "reason": "a", "by": "b"}]}, "/discounts/0/amount"),
        ({"prepaid": BILLION}, "/prepaid"),
        ({"diagnostic_fee": BILLION}, "/diagnostic_fee"),
    ],
)
def test_quote_refuses_figures_that_nobody_means(
    staff: Staff, terms: dict[str, Any], pointer: str
) -> None:
    for path in ("/v1/quotes/preview", "/v1/quotes"):
        beyond(staff, path, {**VALVE, **terms}, pointer)


def test_quote_takes_figures_at_the_bounds(staff: Staff) -> None:
    lines = [
        {**LINE, "unit_price": "1000000.00"},
        {**LINE, "quantity": str(MOST_QUANTITY), "unit_price": "10.00"},
        {**LINE, "kind": "labour", "unit": "MIN", "quantity": str(MOST_MINUTES)},
    ]
    assert Decimal(MOST_MINOR) / 100 == 1_000_000
    staff.done("/v1/quotes", {**VALVE, "free_lines": lines})


def test_found_and_additions_refuse_them(staff: Staff) -> None:
    id, _ = in_work(staff)  # noqa: A001
    step = staff.get(f"/v1/quotes/{id}")["quote"]["work_plan"]["steps"][0]["step"]
    found = {"step": step, "what": "Loose.", "why": "It rattles.", "by": "R. Okafor"}
    found |= {"free_lines": [{**LINE, "unit_price": BILLION}]}
    beyond(staff, f"/v1/quotes/{id}/found", found, "/free_lines/0/unit_price", staff.tag(id))

    more = {"description": "a hose", "kind": "part"}
    for member in ("net", "amount"):
        body = {**more, member: BILLION}
        beyond(staff, f"/v1/quotes/{id}/additions", body, f"/{member}", staff.tag(id))
    paid = {"amount": BILLION, "means": "cash", "by": "Owner"}
    beyond(staff, f"/v1/quotes/{id}/payments", paid, "/amount", staff.tag(id))


def test_finish_refuses_them(staff: Staff) -> None:
    id, _ = in_work(staff)  # noqa: A001
    lines = staff.get(f"/v1/quotes/{id}")["quote"]["lines"]
    labour = next(at for at, line in enumerate(lines, start=1) if line["kind"] == "labour")
    part = next(iter(goods_of(staff, id)))
    for member, told, pointer in (
        ("goods", {"line": part, "used": "100001"}, "/goods/0/used"),
        ("clocked", {"line": labour, "minutes": "10081"}, "/clocked/0/minutes"),
        ("disposed", {"what": "oil", "quantity": "100001", "unit": "LTR"}, "/disposed/0/quantity"),
    ):
        body = {member: [told], "unbooked": "None is booked."}
        beyond(staff, f"/v1/quotes/{id}/finish", body, pointer, staff.tag(id))


def test_clock_takes_no_more_than_a_day(staff: Staff) -> None:
    id, _ = in_work(staff)  # noqa: A001
    body = {"act": "minutes", "by": "R. Okafor", "phase": "work", "minutes": 1441}
    assert staff.post(f"/v1/quotes/{id}/clock", body).status_code == 400


def test_orders_refuse_them(staff: Staff) -> None:
    _, orders = in_work(staff)
    path, tag = f"/v1/orders/{orders[0]}", staff.order_tag(orders[0])
    staff.done(f"{path}/send", {"means": "portal", "without_advance": "Known.", "by": "Owner"}, tag)
    tag = staff.order_tag(orders[0])
    line = {"line": 1, "unit_cost": BILLION}
    bodies: tuple[tuple[str, dict[str, Any], str], ...] = (
        ("confirm", {"lines": [line]}, "/lines/0/unit_cost"),
        ("receipts", {"lines": [{**line, "packs": 1}]}, "/lines/0/unit_cost"),
        ("bills", {"lines": [{**line, "packs": 1}]}, "/lines/0/unit_cost"),
        ("bills", {"charges": BILLION}, "/charges"),
        ("bills", {"net": BILLION}, "/net"),
    )
    billed = {"line": 1, "packs": 1, "unit_cost": "1.00"}
    bill = {"number": "B1", "day": "2027-03-02", "charges": "0", "net": "0", "lines": [billed]}
    for act, body, pointer in bodies:
        known = bill if act == "bills" else {}
        beyond(staff, f"{path}/{act}", {"by": "Owner", **known, **body}, pointer, tag)
    many = {"lines": [{"line": 1, "packs": MOST_PACKS + 1}], "by": "Owner"}
    assert staff.post(f"{path}/receipts", many, tag).status_code == 400


def test_receipt_of_nothing_is_refused(staff: Staff) -> None:
    _, orders = in_work(staff)
    path, tag = f"/v1/orders/{orders[0]}", staff.order_tag(orders[0])
    staff.done(f"{path}/send", {"means": "portal", "without_advance": "Known.", "by": "Owner"}, tag)
    before = staff.get(path)
    for lines in ([{"line": 1}], [{"line": 1, "packs": 0, "unit_cost": "1.00"}]):
        told = staff.refused(
            f"{path}/receipts", {"lines": lines, "by": "Owner"}, staff.order_tag(orders[0])
        )
        (error,) = told["errors"]
        assert (error["code"], error["pointer"]) == ("nothing-arrived", "/lines/0")
    assert staff.get(path) == before

    # nothing good came, but something did
    damaged = {"lines": [{"line": 1, "damaged": 1}], "by": "Owner"}
    staff.done(f"{path}/receipts", damaged, staff.order_tag(orders[0]))


def test_shelf_refuses_them(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    item = next(iter(goods_of(staff, id).values()))["code"]
    move = {"kind": "receive", "bin": "A1", "reason": "Came.", "by": "Owner"}
    path = f"/v1/shelf/{item}/moves"
    beyond(staff, path, {**move, "quantity": "100001"}, "/quantity")
    beyond(staff, path, {**move, "quantity": "1", "cost": BILLION}, "/cost")
    point = {"least": "1", "wanted": BILLION}
    beyond(staff, f"/v1/shelf/{item}/reorder-point", point, "/wanted")


QUOTES = ("PreviewIn", "NewPreviewIn", "QuoteIn", "NewQuoteIn")
CHECKED = {
    # by read_amount, check_typed or the request's bounds
    *("AcceptIn.amount", "AcceptIn.limit", "AdditionIn.amount", "AdditionIn.net"),
    *("PaymentIn.amount", "CreditPartIn.net", "YesIn.amount"),
    *("YesIn.limit", "TicketIn.fee", "TicketIn.most"),
    *(f"{one}.{name}" for one in QUOTES for name in ("prepaid", "diagnostic_fee")),
    *("FreeLineIn.quantity", "FreeLineIn.unit_price", "OverrideIn.unit_price"),
    *("DiscountIn.amount", "WorthIn.value", "WorthIn.replacement_price"),
    *("MoveIn.quantity", "MoveIn.packs", "MoveIn.cost", "ReorderPointIn.wanted"),
    *("AnswerLineIn.unit_cost", "ReceivedLineIn.unit_cost", "BilledLineIn.unit_cost"),
    *("BillIn.charges", "BillIn.net", "CreditClaimIn.amount"),
    # by check_used
    *("GoodsUsedIn.used", "GoodsUsedIn.to_shelf", "GoodsUsedIn.to_supplier"),
    *("GoodsUsedIn.not_arrived", "ClockedIn.minutes", "CoreBackIn.quantity"),
    "DisposedIn.quantity",
}
"""Members that take an amount or a quantity, each bounded by a check above or its caller."""
OTHERWISE = {
    # at most that of the line that is credited, or of `wanted`
    *("CreditPartIn.quantity", "ReorderPointIn.least"),
    # what a gauge, a caliper or a machine's meter shows; its own check knows the instrument
    *("GaugeIn.value", "ReadingIn.in_cylinder", "ReadingIn.orifice_mm", "ReadingIn.supply"),
    *("MeasuredIn.value", "ClaimIn.hours_fitted", "ClaimIn.hours_failed"),
    # at most a hundred
    "DiscountIn.percent",
    # set by the service itself
    *(
        "ChangeIn.was",
        "ChangeIn.by_prices",
        "ChangeIn.limit",
        "OrderedIn.charged",
        "OrderedIn.goods",
    ),
}


def decimals(struct: type[Wire]) -> Iterator[str]:
    for name, hint in get_type_hints(struct, include_extras=True).items():
        if "A decimal number." in repr(hint) or "A quantity, at least zero." in repr(hint):
            yield f"{struct.__name__}.{name}"


def test_every_typed_figure_is_known_to_be_bounded() -> None:
    def below(struct: type[Wire]) -> Iterator[type[Wire]]:
        for one in struct.__subclasses__():
            yield one
            yield from below(one)

    found = {name for one in below(Wire) for name in decimals(one)}
    unknown = {name for name in found if name not in CHECKED | OTHERWISE}
    assert not unknown, sorted(unknown)
    assert not (CHECKED | OTHERWISE) - found
