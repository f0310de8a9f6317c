from collections.abc import Callable, Iterator
from datetime import date
from fractions import Fraction

import pytest
from msgspec import structs
from tests.stages.workbench import (
    BOTH_HEADS,
    HEAD,
    HIRE_YARD,
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
    with_supplier,
    with_suppliers,
)

from kitwright.catalogue.check import check_catalogue
from kitwright.catalogue.model import (
    Break,
    Catalogue,
    Fitment,
    ItemId,
    Quality,
    RoleId,
    StockRow,
    SupplierId,
)
from kitwright.stages.kit import Kit
from kitwright.stages.why import Why

NUT, OLD_NUT, NEW_NUT = ItemId("V68-B-205"), ItemId("V68-B-204"), ItemId("V68-B-205N")


def bare(catalogue: Catalogue | None = None) -> Catalogue:
    """Return a catalogue with nothing on the hire yard's shelves."""
    return stocked(catalogue or starter())


def bought(kit: Kit) -> dict[tuple[str, str], int]:
    return {(each.source.supplier.id, each.source.item): each.packs for each in kit.bought}


def taken(kit: Kit, item: str) -> list[tuple[str, int | None, Fraction]]:
    return [
        (cover.need.role, cover.need.cylinder, cover.quantity)
        for each in kit.from_stock
        if each.item == item
        for cover in each.covers
    ]


def test_choose_kit_buys_of_two_offers_for_one_item_by_one_supplier() -> None:
    more = offer("V68-G-103", "40.00", sku="AQ-FIVE", pack=5)
    offers = (*starter().suppliers[SupplierId("ALDQ")].offer, more)
    catalogue = with_supplier(starter(), "ALDQ", offer=offers)
    assert check_catalogue(catalogue) == ()
    kit = quote(bare(catalogue), jobs=BOTH_HEADS).repair.kit
    assert not kit.unfilled


def test_choose_kit_opens_a_set_that_lies_in_two_bins() -> None:
    rows = [on_shelf("V68-K-011", 1, bin=place) for place in ("A1", "B2")]
    catalogue = stocked(starter(), *rows)
    assert check_catalogue(catalogue) == ()
    kit = quote(catalogue, jobs=BOTH_HEADS).repair.kit
    assert [each.item for each in kit.from_stock] == ["V68-K-011"]


def superseded_nut(older_on: int) -> Catalogue:
    """Return a catalogue where one cylinder took the older nut, the other has only the new one."""
    catalogue = with_part(starter(), NUT, superseded_by=NEW_NUT, use_remaining_stock=True)
    catalogue = with_part(catalogue, NEW_NUT, NUT, superseded_by=None, use_remaining_stock=None)

    def rows(row: Fitment) -> Iterator[Fitment]:
        yield structs.replace(row, cylinders=(older_on,))
        yield structs.replace(row, cylinders=(3 - older_on,), part=NEW_NUT)

    return stocked(with_role(catalogue, "exhaust_nut", rows), on_shelf(NUT, 10))


@pytest.mark.parametrize("older_on", [1, 2])
def test_choose_kit_takes_an_older_number_only_where_it_fitted(older_on: int) -> None:
    # the muffler disturbs the nuts of both cylinders
    kit = quote(superseded_nut(older_on), jobs=(HEAD,)).repair.kit
    assert taken(kit, NUT) == [("exhaust_nut", older_on, Fraction(2))]


def test_choose_kit_never_covers_a_makers_role_from_an_alternate_set() -> None:
    makers = (*starter().suppliers[SupplierId("ALDQ")].makers, "Fennimoor")
    catalogue = with_supplier(starter(), "ALDQ", makers=makers)
    catalogue = bare(with_set(catalogue, "V68-K-011X", list_price=listed("3.00")))
    assert check_catalogue(catalogue) == ()
    kit = quote(catalogue, jobs=BOTH_HEADS).repair.kit
    (whole,) = [each for each in kit.bought if each.source.item == "V68-K-011X"]
    assert {cover.need.floor for cover in whole.covers} == {Quality.alternate}


def test_choose_kit_keeps_in_time_what_can_be_in_time() -> None:
    # only the head gasket is late; its late set must not make everything else late
    fast = [each for each in everything(starter()) if each.item != "V68-G-103"]
    slow = supplier("SLOW", offer("V68-K-011", "20.00"), offer("V68-G-103", "15.00"), lead_days=20)
    catalogue = bare(with_suppliers(starter(), supplier("FAST", *fast), slow))
    kit = quote(catalogue, jobs=(HEAD,), needed_by=date(2027, 3, 5)).repair.kit
    late = [each for each in kit.bought if each.source.supplier.id == "SLOW"]
    assert {cover.need.role for each in late for cover in each.covers} == {"head_gasket"}


def test_choose_kit_prefers_what_comes_in_time_to_what_is_cheaper() -> None:
    slow = supplier("SLOW", *everything(starter(), "1.00"), lead_days=20)
    catalogue = bare(with_suppliers(starter(), supplier("FAST", *everything(starter())), slow))
    kit = quote(catalogue, jobs=(HEAD,), needed_by=date(2027, 3, 5)).repair.kit
    assert {supplier for supplier, _ in bought(kit)} == {"FAST"}
    whenever = quote(catalogue, jobs=(HEAD,)).repair.kit
    assert {supplier for supplier, _ in bought(whenever)} == {"SLOW"}


def test_choose_kit_takes_the_earliest_where_nothing_is_in_time() -> None:
    slow = supplier("SLOW", *everything(starter(), "1.00"), lead_days=20)
    slower = supplier("SLOWER", *everything(starter(), "0.50"), lead_days=30)
    catalogue = bare(with_suppliers(starter(), slow, slower))
    kit = quote(catalogue, jobs=(HEAD,), needed_by=date(2027, 3, 5)).repair.kit
    assert {supplier for supplier, _ in bought(kit)} == {"SLOW"}


def test_choose_kit_names_what_nobody_sells_and_how_much_of_it() -> None:
    offers = [each for each in everything(starter()) if each.item != NUT]
    few = offer(NUT, "1.00", stock=3)
    catalogue = bare(with_suppliers(starter(), supplier("ONE", *offers, few)))
    told = quote(catalogue, jobs=(HEAD,))
    kit = told.repair.kit
    assert [(each.item, each.quantity) for each in kit.unfilled] == [(NUT, Fraction(1))]
    assert bought(kit)["ONE", NUT] == 3
    # a day is promised only for parts that can all be had
    assert told.parts_by is None
    assert [why for why in told.notes if why.code == "part-not-available"] == [
        Why("part-not-available", {"missing": NUT})
    ]


def test_choose_kit_fills_from_two_suppliers_where_one_has_too_few() -> None:
    offers = [each for each in everything(starter()) if each.item != NUT]
    one = supplier("ONE", *offers, offer(NUT, "1.00", stock=3))
    two = supplier("TWO", offer(NUT, "2.00"))
    kit = quote(bare(with_suppliers(starter(), one, two)), jobs=(HEAD,)).repair.kit
    packs = bought(kit)
    assert (packs["ONE", NUT], packs["TWO", NUT]) == (3, 1)


def test_choose_kit_buys_up_to_a_break_that_is_cheaper_and_keeps_the_rest() -> None:
    offers = [each for each in everything(starter()) if each.item != NUT]
    cheap = offer(NUT, "1.00", breaks=(Break(packs=5, cost=figure("0.10")),))
    catalogue = bare(with_suppliers(starter(), supplier("ONE", *offers, cheap)))
    kit = quote(catalogue, jobs=(HEAD,)).repair.kit
    assert bought(kit)["ONE", NUT] == 5
    assert [(each.item, each.quantity) for each in kit.left_over if each.item == NUT] == [
        (NUT, Fraction(1))
    ]


def test_choose_kit_opens_a_set_on_the_shelf_where_it_cost_less_than_new_pieces() -> None:
    cheap = stocked(starter(), on_shelf("V68-K-011", 1, "5.00"))
    dear = stocked(starter(), on_shelf("V68-K-011", 1, "500.00"))
    opened = [each.item for each in quote(cheap, jobs=BOTH_HEADS).repair.kit.from_stock]
    left = [each.item for each in quote(dear, jobs=BOTH_HEADS).repair.kit.from_stock]
    assert (opened, left) == (["V68-K-011"], [])


def one_item_two_floors(row: Fitment) -> Iterator[Fitment]:
    yield structs.replace(row, part=ItemId("V68-G-110"))


def test_choose_kit_uses_alternate_stock_in_the_role_that_allows_it() -> None:
    # one number in two roles, of which only one asks for the maker's
    shop = starter().shops[HIRE_YARD]
    floors = {**shop.quality_floor, RoleId("rocker_cover_gasket"): Quality.maker}
    catalogue = with_shop(starter(), quality_floor=floors)
    catalogue = stocked(
        with_role(catalogue, "exhaust_gasket", one_item_two_floors),
        on_shelf("V68-G-110", 5, quality=Quality.alternate),
    )
    kit = quote(catalogue, jobs=(HEAD,)).repair.kit
    assert taken(kit, "V68-G-110") == [
        ("exhaust_gasket", 1, Fraction(1)),
        ("exhaust_gasket", 2, Fraction(1)),
    ]


@pytest.mark.parametrize(
    "change",
    [
        lambda catalogue: with_suppliers(catalogue),
        lambda catalogue: with_suppliers(catalogue, supplier("ONE", *everything(catalogue))),
    ],
)
def test_choose_kit_takes_free_stock_first(change: Callable[[Catalogue], Catalogue]) -> None:
    row = on_shelf(NUT, 3, "99.00", promised=1)
    kit = quote(change(stocked(starter(), row)), jobs=(HEAD,)).repair.kit
    assert taken(kit, NUT) == [("exhaust_nut", 1, Fraction(2))]


def three_numbers(*rows: StockRow) -> Catalogue:
    """Return a catalogue of a nut that was sold under three numbers, which no alphabet sorts."""
    catalogue = with_part(starter(), NUT, superseded_by=OLD_NUT, use_remaining_stock=True)
    catalogue = with_part(catalogue, OLD_NUT, NUT, superseded_by=NEW_NUT)
    catalogue = with_part(catalogue, NEW_NUT, NUT, superseded_by=None, use_remaining_stock=None)
    return stocked(catalogue, *rows)


def amounts(kit: Kit) -> dict[str, Fraction]:
    return {
        each.item: each.quantity for each in kit.from_stock if each.item in (NUT, OLD_NUT, NEW_NUT)
    }


@pytest.mark.parametrize(
    ("on_hand", "found"),
    [
        ((9, 9, 9), {NUT: 4}),
        # never one number on one cylinder, and another on the other
        ((3, 9, 9), {OLD_NUT: 4}),
        ((1, 1, 9), {NEW_NUT: 4}),
        ((0, 3, 9), {NEW_NUT: 4}),
        ((0, 3, 1), {NEW_NUT: 1}),
    ],
)
@pytest.mark.parametrize("is_reversed", [False, True])
def test_choose_kit_uses_up_the_oldest_number_of_which_there_is_enough(
    on_hand: tuple[int, ...], found: dict[str, int], is_reversed: bool
) -> None:
    rows = [
        on_shelf(number, count)
        for number, count in zip((NUT, OLD_NUT, NEW_NUT), on_hand, strict=True)
    ]
    catalogue = three_numbers(*(reversed(rows) if is_reversed else rows))

    kit = quote(catalogue, jobs=(HEAD,)).repair.kit

    assert amounts(kit) == {item: Fraction(count) for item, count in found.items()}


@pytest.mark.parametrize("older_on", [1, 2])
def test_choose_kit_uses_up_the_older_number_even_if_the_first_need_takes_only_the_newer(
    older_on: int,
) -> None:
    catalogue = stocked(superseded_nut(older_on), on_shelf(NEW_NUT, 9), on_shelf(NUT, 9))

    kit = quote(catalogue, jobs=(HEAD,)).repair.kit

    assert taken(kit, NUT) == [("exhaust_nut", older_on, Fraction(2))]
    assert taken(kit, NEW_NUT) == [("exhaust_nut", 3 - older_on, Fraction(2))]


@pytest.mark.parametrize("bins", [("A1", "B2"), ("B2", "A1")])
def test_choose_kit_empties_shelves_in_the_order_in_which_the_shop_lists_them(
    bins: tuple[str, str],
) -> None:
    catalogue = stocked(starter(), *(on_shelf(NUT, 3, bin=each) for each in bins))

    kit = quote(catalogue, jobs=(HEAD,)).repair.kit

    found = {each.bin: each.quantity for each in kit.from_stock if each.item == NUT}
    assert found == {bins[0]: Fraction(3), bins[1]: Fraction(1)}


@pytest.mark.parametrize(("of_sets", "of_pieces"), [("ANNE", "ZOE"), ("ZOE", "ANNE")])
def test_choose_kit_fits_what_is_in_a_set_before_pieces_bought_beside_it(
    of_sets: str, of_pieces: str
) -> None:
    # a set that has one of the nuts as well; the others come in packs of five
    contents = {**starter().sets[ItemId("V68-K-011")].contents, NUT: 1}
    offers = [each for each in everything(starter()) if each.item != NUT]
    catalogue = with_suppliers(
        with_set(starter(), "V68-K-011", contents=contents),
        supplier(of_sets, offer("V68-K-011", "6.00")),
        supplier(of_pieces, *offers, offer(NUT, "1.00", pack=5)),
    )

    kit = quote(bare(catalogue), jobs=(HEAD,)).repair.kit

    fitted = {
        each.source.item: sum(cover.quantity for cover in each.covers if cover.need.item == NUT)
        for each in kit.bought
        if each.source.item in ("V68-K-011", NUT)
    }
    assert fitted == {"V68-K-011": 1, NUT: 3}
