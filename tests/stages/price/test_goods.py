from decimal import Decimal

from tests.stages.workbench import (
    BOTH_HEADS,
    everything,
    offer,
    quote,
    starter,
    stocked,
    supplier,
    with_suppliers,
)

from kitwright.catalogue.model import Quality
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
