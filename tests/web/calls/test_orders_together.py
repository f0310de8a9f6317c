"""Orders for several quotes over the API: one order a supplier, and what each quote has of it."""

from collections import defaultdict
from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
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


def covered(orders: Iterable[Any]) -> dict[str, dict[tuple[Any, ...], Fraction]]:
    """Return what is ordered for each quote, by need."""
    found: dict[str, dict[tuple[Any, ...], Fraction]] = defaultdict(lambda: defaultdict(Fraction))
    for own in (own for one in orders for own in one["allocations"]):
        for use in (use for line in own["lines"] for use in line["covers"]):
            need = use["role"], use["cylinder"], use["part"]
            found[own["quote"]][need] += Fraction(use["quantity"])
    return found


def planned(staff: Staff, quote: str) -> dict[tuple[Any, ...], Fraction]:
    """Return what a quote's own orders are for."""
    lines = [
        line
        for order in staff.get(f"/v1/quotes/{quote}")["quote"]["orders"]
        for line in order["lines"]
    ]
    found: dict[tuple[Any, ...], Fraction] = defaultdict(Fraction)
    for use in (use for line in lines for use in line["covers"]):
        found[use["role"], use["cylinder"], use["part"]] += Fraction(use["quantity"])
    return found


def test_order_of_several_quotes_is_one_for_each_supplier(staff: Staff) -> None:
    quotes = accepted(staff, 4)
    made = staff.done("/v1/orders", asked(*quotes)).json()["items"]

    suppliers = [one["order"]["supplier"] for one in made]
    assert len(suppliers) == len({*suppliers})
    has = covered(made)
    for quote in quotes:
        own = planned(staff, quote)
        # what is short of the shelf is bought as well
        assert own.items() <= has[quote].items()
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


def test_quotes_share_a_pack_and_say_what_each_has_of_it(staff: Staff) -> None:
    quotes = accepted(staff, 5)

    made = staff.done("/v1/orders", asked(*quotes)).json()["items"]

    shared = 0
    for one in made:
        for place, line in enumerate(one["order"]["lines"], start=1):
            own = [
                part["packs"] + Fraction(part.get("fraction") or 0)
                for each in one["allocations"]
                for part in each["lines"]
                if part["line"] == place
            ]
            assert sum(own) <= line["packs"]
            shared += len(own) > line["packs"]
    assert shared


def test_last_quotes_lose_their_part_of_shared_packs_that_are_cancelled(staff: Staff) -> None:
    quotes = accepted(staff, 12)
    made = staff.done("/v1/orders", asked(*quotes)).json()["items"]
    one, place, packs = next(
        (one, place, line["packs"])
        for one in made
        for place, line in enumerate(one["order"]["lines"], start=1)
        if line["packs"] > 1
        and any(
            part.get("fraction")
            for own in one["allocations"]
            for part in own["lines"]
            if part["line"] == place
        )
    )
    path = f"/v1/orders/{one['id']}"

    def act(name: str, **body: Any) -> Any:
        tag = staff.client.get(path).headers["ETag"]
        return staff.done(f"{path}/{name}", {"by": "Owner", **body}, tag).json()

    act("send", without_advance="Known.", means="portal")
    done = act("cancel", reason="Too many.", lines=[{"line": place, "packs": 1}])

    entry = staff.get(f"{path}/entries")["items"][-1]
    lost = [
        (part["quote"], part["packs"] + Fraction(part["fraction"] or 0))
        for part in entry["lines"][0]["parts"]
    ]
    has = [
        (own["quote"], part["packs"] + Fraction(part.get("fraction") or 0))
        for own in one["allocations"]
        for part in own["lines"]
        if part["line"] == place
    ]
    # what is left fills the needs of the first ones; the last ones lose no more than must be
    assert sum(share for _, share in lost) == sum(share for _, share in has) - (packs - 1)
    assert [quote for quote, _ in lost] == [quote for quote, _ in has][: -len(lost) - 1 : -1]
    assert {*done["reopened"]} == {quote for quote, _ in lost}
    again = staff.done("/v1/orders", asked(*quotes)).json()["items"]
    sku = one["order"]["lines"][place - 1]["sku"]
    bought = [line for each in again for line in each["order"]["lines"]]
    assert [(line["sku"], line["packs"]) for line in bought] == [(sku, 1)]


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

    made = staff.done("/v1/orders", asked(*quotes)).json()["items"]

    has = covered(made)
    assert has.keys() == {*quotes}
    # what is on the shelf goes to the first ones; what is short is bought for the others
    assert planned(staff, first).items() <= has[first].items()
    assert all(amount <= has[quotes[-1]][need] for need, amount in has[first].items())
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
