"""Orders for several quotes over the API: one order a supplier, and what each quote has of it."""

from collections import Counter, defaultdict
from decimal import Decimal
from typing import Any

from tests.web.calls.conftest import Staff

HEADS: dict[str, Any] = {
    "family": "TB-V68",
    "serial": 3200000,
    "chassis": "loose",
    "diagnoses": [],
    "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}],
}


def accepted(staff: Staff, count: int, **members: Any) -> list[str]:
    return [staff.accepted(**{**HEADS, **members}) for _ in range(count)]


def asked(*quotes: str, revision: int = 1) -> dict[str, Any]:
    return {"revisions": [{"quote": quote, "revision": revision} for quote in quotes]}


def amount(shown: dict[str, str]) -> Decimal:
    return Decimal(shown["amount"])


def packs_of(orders: list[Any]) -> dict[str, Counter[str]]:
    """Return the packs that each quote has, by SKU."""
    found: dict[str, Counter[str]] = defaultdict(Counter)
    for one in orders:
        skus = [line["sku"] for line in one["order"]["lines"]]
        for own in one["allocations"]:
            for line in own["lines"]:
                found[own["quote"]][skus[line["line"] - 1]] += line["packs"]
    return found


def test_order_of_several_quotes_is_one_for_each_supplier(staff: Staff) -> None:
    quotes = accepted(staff, 4)
    planned = {
        quote: {
            line["sku"]: line["packs"]
            for order in staff.get(f"/v1/quotes/{quote}")["quote"]["orders"]
            for line in order["lines"]
        }
        for quote in quotes
    }

    made = staff.done("/v1/orders", asked(*quotes)).json()["items"]

    suppliers = [one["order"]["supplier"] for one in made]
    assert len(suppliers) == len({*suppliers})
    assert packs_of(made) == planned
    for one in made:
        assert (one["quote"], one["revision"]) == (None, None)
        assert [own["quote"] for own in one["allocations"]] == quotes
        order, own = one["order"], one["allocations"]
        assert sum(amount(each["goods"]) for each in own) == amount(order["goods"])
        assert sum(amount(each["freight"]) for each in own) == amount(order["freight"])
        assert sum(amount(each["net"]) for each in own) == amount(order["net"])
        fees = sum(amount(fee["amount"]) for fee in order["fees"])
        assert sum(amount(each["fees"]) for each in own) == fees
    for quote in quotes:
        found = staff.get("/v1/orders", quote=quote)["items"]
        assert {one["id"] for one in found} == {one["id"] for one in made}
        assert staff.get(f"/v1/quotes/{quote}")["state"] == "ordered"
        staff.act(quote, "start")


def test_order_together_costs_less_than_one_by_one(staff: Staff) -> None:
    together, alone = accepted(staff, 3), accepted(staff, 3)

    joint = staff.done("/v1/orders", asked(*together)).json()["items"]
    single = [
        one for quote in alone for one in staff.done("/v1/orders", asked(quote)).json()["items"]
    ]

    assert all(one["quote"] in alone for one in single)
    assert sum(amount(one["order"]["net"]) for one in joint) < sum(
        amount(one["order"]["net"]) for one in single
    )


def test_order_is_for_nobody_if_one_has_not_accepted(staff: Staff) -> None:
    quotes = [*accepted(staff, 2), staff.issued(**HEADS)]

    told = staff.refused("/v1/orders", asked(*quotes))

    (error,) = told["errors"]
    assert (error["code"], error["pointer"]) == ("not-agreed", "/revisions/2/revision")
    assert staff.get("/v1/orders")["items"] == []
    assert all(staff.get(f"/v1/quotes/{quote}")["state"] == "accepted" for quote in quotes[:2])


def test_quote_named_twice_is_ordered_once(staff: Staff) -> None:
    (quote,) = accepted(staff, 1)

    made = staff.done("/v1/orders", asked(quote, quote)).json()["items"]

    assert all([own["quote"] for own in one["allocations"]] == [quote] for one in made)
    assert all((one["quote"], one["revision"]) == (quote, 1) for one in made)


def test_many_quotes_are_ordered_at_once(staff: Staff) -> None:
    first, *_ = quotes = accepted(staff, 60)
    alone = {
        line["sku"]: line["packs"]
        for order in staff.get(f"/v1/quotes/{first}")["quote"]["orders"]
        for line in order["lines"]
    }

    made = staff.done("/v1/orders", asked(*quotes)).json()["items"]

    packs = packs_of(made)
    assert packs.keys() == {*quotes}
    # what is on the shelf goes to the first ones; what is short is bought for the others
    assert all(packs[first][sku] <= packs[quotes[-1]][sku] for sku in alone)
    assert staff.done("/v1/orders", asked(*quotes)).json()["items"] == []


def test_quotes_of_several_languages_are_ordered_in_that_of_the_shop(staff: Staff) -> None:
    english, german = accepted(staff, 1)[0], accepted(staff, 1, language="de")[0]

    made = staff.done("/v1/orders", asked(german, english)).json()["items"]

    names = {line["name"] for one in made for line in one["order"]["lines"]}
    assert "Head gasket" in " ".join(names)


def test_customer_is_given_orders_that_are_for_others_as_well(staff: Staff) -> None:
    customer = staff.done("/v1/customers", {"name": "Ada Okafor"}).json()["id"]
    own, other = accepted(staff, 1, customer=customer)[0], accepted(staff, 1)[0]
    made = staff.done("/v1/orders", asked(own, other)).json()["items"]

    exported = staff.get(f"/v1/customers/{customer}/export")

    (quote,) = exported["quotes"]
    assert {one["id"] for one in quote["orders"]} == {one["id"] for one in made}
