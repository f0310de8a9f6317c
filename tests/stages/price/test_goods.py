from collections.abc import Iterator
from decimal import Decimal

import pytest
from msgspec import structs
from tests.stages.workbench import (
    BOTH_HEADS,
    everything,
    figure,
    listed,
    offer,
    on_shelf,
    quote,
    starter,
    stocked,
    supplier,
    with_part,
    with_role,
    with_set,
    with_shop,
    with_suppliers,
)

from kitwright.catalogue.model import (
    Catalogue,
    ChargeKind,
    Fitment,
    ItemId,
    Offer,
    PartsPrice,
    PriceRule,
    Quality,
    RoleId,
)
from kitwright.money import Money
from kitwright.stages.price import LineKind, PricedLine
from kitwright.stages.price.line import Make
from kitwright.stages.request import CustomerPart, Terms
from kitwright.stages.why import Why

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


NUT = "V68-B-205"
HEAD_GASKET = "V68-G-103"


def two_sets(cost: str, gaskets: Offer) -> PricedLine:
    """Return the line of two sets of a head gasket and two nuts each, at twice what they cost.

    Nuts cost 1.00, so sell at 2.00. Gaskets come in tens, so that two sets are cheaper to buy.
    """
    others = [each for each in everything(starter(), "1.00") if each.item != HEAD_GASKET]
    one = supplier("ONE", *others, gaskets, offer(SET, cost))
    holds = {ItemId(HEAD_GASKET): 1, ItemId(NUT): 2}
    twice = PartsPrice(rule=PriceRule.margin, margin_percent=figure("50"), step=figure("0.01"))
    catalogue = with_set(stocked(with_suppliers(starter(), one)), SET, contents=holds)
    repair = quote(with_shop(catalogue, parts_price=twice), jobs=BOTH_HEADS).repair
    (line,) = [line for line in repair.lines if line.code == SET]
    return line


@pytest.mark.parametrize(
    ("cost", "unit_price", "base", "amount", "code"),
    [
        # the pieces of both sets sell at 2 x 8.00 and 4 x 2.00: 24.00
        pytest.param("5.99", "11.98", 1, "23.96", "set-for-pieces", id="the sets are lower"),
        pytest.param("6.00", "12.00", 1, "24.00", "set-for-pieces", id="alike"),
        pytest.param("6.01", "24.00", 2, "24.00", "set-at-price-of-pieces", id="the pieces are"),
    ],
)
def test_price_goods_sells_a_set_at_the_lower_of_its_price_and_its_pieces(
    cost: str, unit_price: str, base: int, amount: str, code: str
) -> None:
    line = two_sets(cost, offer(HEAD_GASKET, "40.00", pack=10))

    assert (line.kind, line.quantity, line.unit) == (LineKind.part_set, Decimal(2), "set")
    assert (line.unit_price, line.base_quantity) == (Decimal(unit_price), Decimal(base))
    assert line.amount.amount_text == amount
    why = line.why[0]
    assert why.code == code
    assert why.facts == {
        "set_price": Money.of(4 * Decimal(cost), "USD"),
        "pieces_price": Money(2400, "USD"),
        "pieces": 6,
    }


def test_price_goods_says_what_a_set_is_for_and_who_brings_it() -> None:
    line = two_sets("5.00", offer(HEAD_GASKET, "40.00", pack=10))

    assert line.makes == (Make("Brand", Decimal(2)),)
    assert line.sources == ("ONE",)
    roles = {role for role, _ in line.places}
    assert {"head_gasket"} < roles
    assert {on for role, on in line.places if role == "head_gasket"} == {1, 2}
    # after the price, a reason for each need
    assert {why.facts["role"] for why in line.why[1:]} == roles


def test_price_goods_counts_the_pieces_of_each_make_and_those_of_unknown_make_last() -> None:
    # four nuts: one of Zed's and one that nobody knows are on the shelf, two are bought
    shelf = (
        on_shelf(NUT, 1, quality=Quality.alternate),
        on_shelf(NUT, 1, quality=Quality.alternate, brand="Zed"),
    )
    one = supplier("ONE", *everything(starter(), "1.00"))
    repair = quote(stocked(with_suppliers(starter(), one), *shelf), jobs=BOTH_HEADS).repair

    (line,) = [line for line in repair.lines if line.code == NUT]
    assert line.makes == (
        Make("Brand", Decimal(2)),
        Make("Zed", Decimal(1)),
        Make(None, Decimal(1)),
    )
    assert (line.quantity, line.unit, line.sources) == (Decimal(4), "piece", ("stock", "ONE"))


def test_price_goods_prices_what_nobody_sells_for_all_that_is_needed() -> None:
    # one of four nuts is on the shelf; nobody sells the other three
    offers = [each for each in everything(starter(), "1.00") if each.item != NUT]
    catalogue = with_part(starter(), NUT, list_price=listed("1.50"))
    sold = stocked(with_suppliers(catalogue, supplier("ONE", *offers)), on_shelf(NUT, 1))

    (line,) = [line for line in quote(sold, jobs=BOTH_HEADS).repair.lines if line.code == NUT]
    assert (line.quantity, line.amount.amount_text) == (Decimal(4), "6.00")
    assert {make.name: make.quantity for make in line.makes}[None] == 3


@pytest.mark.parametrize(
    ("item", "unit"), [pytest.param(HEAD_GASKET, "piece"), pytest.param(SET, "set")]
)
def test_price_goods_lists_what_the_customer_brings_at_zero(item: str, unit: str) -> None:
    terms = Terms(customer_parts=(CustomerPart(item=ItemId(item)),))
    repair = quote(starter(), jobs=BOTH_HEADS, terms=terms).repair

    (line,) = [line for line in repair.lines if line.kind is LineKind.brought]
    assert (line.code, line.unit, line.unit_price) == (item, unit, Decimal(0))
    assert line.tax_kind is ChargeKind.part
    assert line.sources == ("customer",)
    assert ("head_gasket", 2) in line.places
    assert line.why[0] == Why("customer-brings", {"item": item})


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
