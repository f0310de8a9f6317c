"""Second orders: parts that are found later come at what they cost then, and the shop sees it."""

from decimal import Decimal
from typing import Any

from msgspec import structs
from tests.stages.workbench import figure
from tests.web.calls.conftest import Staff
from tests.web.calls.test_follow_up import by_supplier, change

from kitwright.catalogue.model import Supplier

FIRST = {"tear_down_first": True}


def amount(told: Any) -> Decimal:
    return Decimal(told["amount"])


def order(staff: Staff, quote: str, revision: int) -> Any:
    asked = {"revisions": [{"quote": quote, "revision": revision}]}
    return staff.done("/v1/orders", asked).json()


def found_part(staff: Staff, id: str, *, with_new: bool = True) -> int:  # noqa: A002
    """Have a find agreed to that needs another part; return the agreed revision."""
    listed = staff.get(f"/v1/quotes/{id}")["quote"]["contingencies"]["each"]
    find = next(one for one in listed if one["parts"] and one["jobs"] and one["after"] is None)
    body = {
        "contingency": {name: find[name] for name in ("contingency", "cylinder")},
        "what": "Seen with the head off.",
        "why": "It would not seal.",
        "by": "R. Okafor",
    }
    made = staff.done(f"/v1/quotes/{id}/found", body, staff.tag(id)).json()
    revision = int(made["revision"])
    if with_new:
        yes = {"revision": revision, "who": "A. Customer", "means": "telephone"}
        staff.act(id, "accept", yes)
    return revision


def spent(orders: list[Any]) -> Decimal:
    return sum((amount(one["order"]["net"]) for one in orders), Decimal(0))


def test_margin_of_a_change_order_counts_both_orders(staff: Staff) -> None:
    ordered, arrived = (margin_of_a_find(staff, is_here=is_here) for is_here in (False, True))

    # what arrived for the quote is no stock
    assert arrived == ordered


def margin_of_a_find(staff: Staff, *, is_here: bool) -> Any:
    """Return the margin of a quote whose second order was placed, once it is checked."""
    id = staff.accepted()  # noqa: A001
    first = order(staff, id, 1)["items"]
    if is_here:
        for one in first:
            staff.delivered(one["id"])
    staff.act(id, "start", None if is_here else FIRST)

    revision = found_part(staff, id)
    changed = staff.get(f"/v1/quotes/{id}/revisions/{revision}")["quote"]
    margin = changed["margin"]
    answer = order(staff, id, revision)

    second = answer["items"]
    assert second
    charged = [amount(fee["amount"]) for one in second for fee in one["order"]["fees"]]
    charged += [amount(one["order"]["freight"]) for one in second]
    assert sum(charged) > 0
    # what was ordered is paid as it was ordered, and only the rest is bought now
    assert amount(margin["landed"]) == spent(first) + spent(second)
    assert changed["buying"]["landed"] == margin["landed"]
    arriving = second if is_here else [*first, *second]
    assert changed["buying"]["ready_on"] == max(one["order"]["promised"] for one in arriving)
    (cost,) = answer["costs"]
    assert cost["planned"] == cost["landed"] == margin["landed"]
    assert cost["left"] == margin["left"]
    return margin


def priced(supplier: Supplier, times: int) -> Supplier:
    """Return a supplier at many times its prices."""
    offers = tuple(
        structs.replace(offer, cost=figure(str(offer.cost * times)), breaks=())
        for offer in supplier.offer
    )
    percent = supplier.default_cost_percent
    return structs.replace(
        supplier,
        offer=offers,
        default_cost_percent=None if percent is None else figure(str(percent * times)),
    )


def test_first_order_keeps_the_quoted_packs(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    quoted = staff.get(f"/v1/quotes/{id}")["quote"]["orders"]

    made = by_supplier(order(staff, id, 1))

    assert {one["supplier"]: one["net"] for one in quoted} == {
        supplier: one["net"] for supplier, one in made.items()
    }


def test_loss_of_a_second_order_is_told(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    order(staff, id, 1)
    staff.act(id, "start", FIRST)
    revision = found_part(staff, id)

    change(staff, lambda supplier: priced(supplier, 1000))

    (cost,) = order(staff, id, revision)["costs"]

    assert cost["loss"]
    assert amount(cost["left"]) < 0
