from collections.abc import Iterator
from decimal import Decimal

import pytest
from msgspec import structs
from tests.stages.workbench import (
    BOTH_HEADS,
    everything,
    listed,
    offer,
    quote,
    starter,
    stocked,
    supplier,
    with_part,
    with_role,
    with_shop,
    with_suppliers,
)

from kitwright.catalogue.model import Catalogue, Fitment, ItemId, Quality, RoleId
from kitwright.stages.price import LineKind

SET = "V68-K-011"


def test_price_goods_prices_a_set_by_what_meets_the_floors_of_its_roles() -> None:
    # an alternate issue of the set is cheap, but the head gaskets ask for the maker's
    maker = supplier("ONE", *everything(starter(), "20.00"), offer(SET, "25.90"))
    cheap = supplier("TWO", offer(SET, "4.00", Quality.alternate))
    catalogue = stocked(with_suppliers(starter(), maker, cheap))
    repair = quote(catalogue, jobs=BOTH_HEADS).repair
    assert ("ONE", SET) in {
        (each.source.supplier.id, each.source.item) for each in repair.kit.bought
    }
    (line,) = [line for line in repair.lines if line.code == SET]
    assert line.unit_price > Decimal("25.90")


def test_price_goods_sells_a_set_at_the_lower_of_its_price_and_its_pieces() -> None:
    # cost 4.00 is the cheapest way to get one gasket; the customer pays the gasket
    offers = [each for each in everything(starter(), "1.00") if each.item != "V68-G-103"]
    dear = offer("V68-G-103", "12.00")
    catalogue = stocked(
        with_suppliers(starter(), supplier("ONE", *offers, dear, offer(SET, "11.00")))
    )
    repair = quote(catalogue, jobs=BOTH_HEADS[:1]).repair
    (line,) = [line for line in repair.lines if line.kind is LineKind.part_set]
    pieces = sum(
        cover.quantity
        for each in repair.kit.bought
        if each.source.item == SET
        for cover in each.covers
    )
    assert pieces > 1
    assert line.why[0].code in ("set-for-pieces", "set-at-price-of-pieces")


ROLES = ("exhaust_gasket", "rocker_cover_gasket")
GASKET = "V68-G-110"


def asking(catalogue: Catalogue, *makers: str) -> Catalogue:
    """Return the catalogue of a shop that asks for the maker's in these roles alone."""
    roles = {row.role for rows in catalogue.fitments.values() for row in rows}
    floors = dict.fromkeys(roles, Quality.alternate)
    return with_shop(
        catalogue, quality_floor={**floors, **{RoleId(role): Quality.maker for role in makers}}
    )


def price(catalogue: Catalogue, item: str) -> Decimal:
    """Return what one of an item sells at that both heads need."""
    (line,) = [line for line in quote(catalogue, jobs=BOTH_HEADS).repair.lines if line.code == item]
    return line.unit_price


def in_two_roles(row: Fitment) -> Iterator[Fitment]:
    yield structs.replace(row, part=ItemId(GASKET))


@pytest.mark.parametrize("strict", [ROLES[:1], ROLES[1:]])
def test_price_goods_prices_an_item_at_the_strictest_floor_of_its_roles(
    strict: tuple[str, ...],
) -> None:
    others = [each for each in everything(starter(), "20.00") if each.item != GASKET]
    maker = supplier("ONE", *others, offer(GASKET, "20.00"))
    cheap = supplier("TWO", offer(GASKET, "4.00", Quality.alternate))
    listing = with_part(starter(), GASKET, list_price=listed("99.00"))
    catalogue = with_role(stocked(with_suppliers(listing, maker, cheap)), ROLES[0], in_two_roles)

    # the needs stand by role: the strict one is the first of them, or the last
    found = price(asking(catalogue, *strict), GASKET)

    assert found == price(asking(catalogue, *ROLES), GASKET)
    assert found > price(asking(catalogue), GASKET)


@pytest.mark.parametrize("role", ["exhaust_gasket", "head_gasket", "rocker_cover_gasket"])
def test_price_goods_prices_a_set_at_the_strictest_floor_whichever_role_has_it(role: str) -> None:
    maker = supplier("ONE", *everything(starter(), "20.00"), offer(SET, "21.00"))
    cheap = supplier("TWO", offer(SET, "4.00", Quality.alternate))
    catalogue = stocked(with_suppliers(starter(), maker, cheap))

    found = price(asking(catalogue, role), SET)

    assert found > Decimal("21.00")
    assert price(asking(catalogue), SET) < Decimal("21.00")
