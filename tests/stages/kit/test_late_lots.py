"""Whether a kit is proven to be the cheapest, where some of it can't come in time."""

from datetime import date
from decimal import Decimal

import pytest
from msgspec import structs
from tests.stages.workbench import (
    HIRE_YARD,
    MONDAY,
    offer,
    starter,
    stocked,
    supplier,
    with_part,
    with_suppliers,
)

from kitwright.catalogue.model import Catalogue, ItemId, Offer, Quality
from kitwright.solve.cover import least_cover
from kitwright.stages.kit import Kit, Market, Need, NeedKind, choose_kit
from kitwright.stages.request import Terms
from kitwright.stages.supply import find_supply

PLACES = range(5)
GASKET = "V68-G-103"


def ring(name: str) -> list[ItemId]:
    return [ItemId(f"{name}-{place}") for place in PLACES]


def in_pairs(catalogue: Catalogue, items: list[ItemId]) -> tuple[Catalogue, tuple[Offer, ...]]:
    """Return the catalogue with parts that are sold only in pairs of neighbours, round a ring, and
    the offers of these: which three pairs are cheapest has to be searched for.
    """
    like = next(iter(catalogue.sets.values()))
    for item in items:
        catalogue = with_part(catalogue, item, GASKET)
    pairs = {}
    for place, item in enumerate(items):
        contents = {item: 1, items[(place + 1) % len(items)]: 1}
        pair = ItemId(f"{item}-P")
        pairs[pair] = structs.replace(like, id=pair, contents=contents)
    catalogue = structs.replace(catalogue, sets={**catalogue.sets, **pairs})
    return catalogue, tuple(
        offer(pair, f"{cost}.00") for pair, cost in zip(pairs, (10, 11, 12, 13, 14), strict=True)
    )


def need(item: ItemId) -> Need:
    return Need(
        role=item,
        cylinder=None,
        item=item,
        quantity=Decimal(1),
        unit="piece",
        kind=NeedKind.replaced,
        floor=Quality.maker,
        acceptable=(item,),
        options=(item,),
        why=(),
    )


def chosen(*, is_early_tangled: bool, is_late_tangled: bool) -> Kit:
    """Return a kit of ten parts, of which the first five come in time."""
    catalogue = starter()
    offers = []
    for name, is_tangled in (("EARLY", is_early_tangled), ("LATE", is_late_tangled)):
        catalogue, pairs = in_pairs(catalogue, ring(name))
        offers.append(pairs if is_tangled else tuple(offer(item, "5.00") for item in ring(name)))
    early, late = offers
    catalogue = stocked(
        with_suppliers(catalogue, supplier("SOON", *early), supplier("LATER", *late, lead_days=20))
    )
    shop = catalogue.shops[HIRE_YARD]
    return choose_kit(
        Market(catalogue, shop, find_supply(catalogue, shop)),
        tuple(need(item) for item in (*ring("EARLY"), *ring("LATE"))),
        Terms(),
        on=MONDAY,
        needed_by=date(2027, 3, 5),
    )


@pytest.mark.parametrize("is_early_tangled", [False, True])
@pytest.mark.parametrize("is_late_tangled", [False, True])
def test_choose_kit_is_proven_the_cheapest_only_if_both_what_is_in_time_and_what_is_late_are(
    monkeypatch: pytest.MonkeyPatch, is_early_tangled: bool, is_late_tangled: bool
) -> None:
    # so that what has to be searched for at all is too much, as only huge kits are
    assert least_cover.__kwdefaults__ is not None
    monkeypatch.setitem(least_cover.__kwdefaults__, "unaided_steps", 0)
    monkeypatch.setitem(least_cover.__kwdefaults__, "most_steps", 0)

    kit = chosen(is_early_tangled=is_early_tangled, is_late_tangled=is_late_tangled)

    assert not kit.unfilled
    assert {each.source.supplier.id for each in kit.bought} == {"SOON", "LATER"}
    assert kit.is_least == (not is_early_tangled and not is_late_tangled)


def test_choose_kit_is_proven_the_cheapest_where_the_search_ends() -> None:
    kit = chosen(is_early_tangled=True, is_late_tangled=True)

    assert kit.is_least
