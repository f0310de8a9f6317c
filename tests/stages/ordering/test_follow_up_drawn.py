"""Follow-up orders over drawn terms, against brute force."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from random import Random

from hypothesis import given
from hypothesis import strategies as st
from msgspec import Struct
from tests.stages.ordering.test_follow_up import SET, packs, uses
from tests.stages.recomputing import minor
from tests.stages.workbench import (
    HIRE_YARD,
    MONDAY,
    figure,
    offer,
    starter,
    stocked,
    supplier,
    with_set,
    with_suppliers,
)

from kitwright.catalogue.model import Break, Catalogue, ItemId, Offer, Quality, SupplierId
from kitwright.stages.kit import Bought, Covered, Need, NeedKind
from kitwright.stages.ordering import Earlier, FollowUp, Packs, PartsOrder, plan_follow_up
from kitwright.stages.ordering.follow_up import order_rest
from kitwright.stages.ordering.placed import offered_as
from kitwright.stages.supply import Supply, find_supply

PARTS = ("V68-B-205", "V68-G-110", "V68-S-410", "V68-S-411")
CONTENTS = {"V68-S-410": 1, "V68-S-411": 2}
SELLERS = ("ABE", "BEA", "CAT")


class Case(Struct, frozen=True):
    """A catalogue with drawn terms, what is wanted and what was ordered before."""

    catalogue: Catalogue
    wanted: list[Packs]
    before: list[Packs]

    def plan(self, before: list[Packs]) -> FollowUp:
        shop = self.catalogue.shops[HIRE_YARD]
        supply = find_supply(self.catalogue, shop)
        days = dict.fromkeys(self.catalogue.suppliers, MONDAY)
        return plan_follow_up(self.catalogue, shop, supply, self.wanted, before, days)

    def offer(self, one: Packs) -> Offer:
        return offered(self.catalogue, one.supplier, one.sku)


def offered(catalogue: Catalogue, by: SupplierId, sku: str) -> Offer:
    (found,) = [each for each in catalogue.suppliers[by].offer if each.sku == sku]
    return found


def allowed(terms: Offer, count: int) -> int:
    """Return the first number of packs, counting up, that is sold and is so many."""
    while count < terms.minimum or count % terms.multiple:
        count += 1
    return count


def draw_offer(random: Random, item: str) -> Offer:
    breaks = sorted(random.sample(range(2, 14), random.randint(0, 2)))
    return offer(
        item,
        f"{random.randint(100, 900) / 100:.2f}",
        random.choice([Quality.maker, Quality.alternate]),
        pack=random.choice([1, 1, 1, 2, 3]),
        minimum=random.choice([1, 1, 2, 5]),
        multiple=random.choice([1, 1, 2, 3, 4]),
        breaks=tuple(
            Break(packs=count, cost=figure(f"0.{90 - place * 10}5"))
            for place, count in enumerate(breaks)
        ),
        freight=random.choice([None, None, None, figure("1.25")]),
    )


def draw_case(random: Random) -> Case:
    changed = with_set(
        starter(), SET, contents={ItemId(part): count for part, count in CONTENTS.items()}
    )
    # goods are often whole dollars here, so that thresholds are met exactly
    sellers = [
        supplier(
            name,
            *(draw_offer(random, item) for item in (*PARTS, SET)),
            freight=figure(random.choice(["0.00", "7.50"])),
            free_freight_from=random.choice([None, figure("6.00"), figure("20.00")]),
            minimum_order=figure(random.choice(["0.00", "6.00", "20.00"])),
            small_order_fee=figure("4.00"),
        )
        for name in SELLERS
    ]
    catalogue = stocked(with_suppliers(changed, *sellers))
    case = Case(catalogue, [], [])
    # a number is wanted from one supplier, in pieces or out of the set
    items = random.choice([PARTS, (*PARTS[:2], SET)])
    for item in items:
        if random.random() < 0.8:
            case.wanted.append(draw_packs(random, case, item, random.choice(SELLERS)))
    for _ in range(random.randint(0, 4)):
        item, by = random.choice([*PARTS, SET]), random.choice(SELLERS)
        if case.wanted and random.random() < 0.5:
            again = random.choice(case.wanted)
            item, by = again.item, again.supplier
        case.before.append(draw_packs(random, case, item, by))
    return case


def draw_packs(random: Random, case: Case, item: str, by: str) -> Packs:
    """Return packs that suffice for a drawn number of pieces, sometimes more for a break."""
    terms = offered(case.catalogue, SupplierId(by), f"S-{item}")
    pieces = random.randint(1, 9)
    numbers = [item] * pieces
    needed = -(-pieces // terms.pack)
    if item == SET:
        sets = random.randint(1, 4)
        numbers = [part for part, count in CONTENTS.items() for _ in range(count * sets)]
        needed = -(-sets // terms.pack)
    if terms.breaks and random.random() < 0.3:
        needed = max(needed, terms.breaks[-1].packs)
    return packs(item, allowed(terms, needed), uses(*numbers), by=by, size=terms.pack)


def placed(orders: Iterable[PartsOrder]) -> list[Packs]:
    return [
        packs(
            line.source.item,
            line.packs,
            line.covers,
            by=order.supplier.id,
            size=line.source.pack,
        )
        for order in orders
        for line in order.lines
    ]


def suffice(case: Case, held: Iterable[Packs]) -> bool:
    """Whether packs hold what is wanted, number by number, in a quality as good."""
    good, there = Counter[str](), Counter[str]()
    for one in held:
        contents = CONTENTS if one.item == SET else {one.item: 1}
        for part, count in contents.items():
            pieces = count * int(one.count) * one.size
            there[part] += pieces
            good[part] += pieces * (case.offer(one).quality is Quality.maker)
    strict, asked = Counter[str](), Counter[str]()
    for one in case.wanted:
        for use in one.covers:
            asked[use.number] += 1
            strict[use.number] += case.offer(one).quality is Quality.maker
    return all(there[part] >= asked[part] and good[part] >= strict[part] for part in asked)


def is_first(case: Case, one: Packs) -> bool:
    """Whether nothing that was ordered before could be of use for a line."""
    is_strict = case.offer(one).quality is Quality.maker
    numbers = {use.number for use in one.covers}
    for other in case.before:
        held = set(CONTENTS) if other.item == SET else {other.item}
        is_good = not is_strict or case.offer(other).quality is Quality.maker
        if is_good and not numbers.isdisjoint(held):
            return False
    return True


@given(st.randoms(use_true_random=False))
def test_plan_follow_up_orders_the_fewest_packs_that_suffice(random: Random) -> None:
    case = draw_case(random)
    found = case.plan(case.before)
    now = placed(found.orders)
    wanted = {(one.supplier, one.sku): one for one in case.wanted}

    assert suffice(case, [*case.before, *now])
    for one in case.wanted:
        if is_first(case, one):
            again = [each for each in now if (each.supplier, each.sku) == (one.supplier, one.sku)]
            assert [each.count for each in again] == [one.count]
    for place, one in enumerate(now):
        terms, asked = case.offer(one), wanted[one.supplier, one.sku]
        assert one.count >= terms.minimum
        assert one.count % terms.multiple == 0
        assert sum(use.quantity for use in one.covers) > 0
        if is_first(case, asked):
            continue
        others = [*case.before, *now[:place], *now[place + 1 :]]
        for fewer in range(int(one.count)):
            if fewer == 0 or (fewer >= terms.minimum and fewer % terms.multiple == 0):
                less = packs(one.item, fewer, (), one.supplier, size=one.size)
                assert not suffice(case, [*others, less]), (one, fewer)


@given(st.randoms(use_true_random=False))
def test_plan_follow_up_charges_the_terms_of_each_order(random: Random) -> None:
    case = draw_case(random)

    for order in case.plan(case.before).orders:
        goods = freight = Fraction(0)
        is_flat_due = False
        for line in order.lines:
            terms = offered(case.catalogue, order.supplier.id, line.source.sku)
            cost = Fraction(terms.cost)
            for each in terms.breaks:
                if line.packs >= each.packs:
                    cost = Fraction(each.cost)
            goods += Fraction(minor(cost * line.packs, "USD"), 100)
            is_flat_due |= terms.freight is None
            freight += line.packs * Fraction(terms.freight or 0)
        seller = order.supplier
        free_from = seller.free_freight_from
        if is_flat_due and (free_from is None or goods < Fraction(free_from)):
            freight += Fraction(seller.freight)
        fee = Fraction(seller.small_order_fee) if goods < Fraction(seller.minimum_order) else 0
        assert order.goods.minor == goods * 100
        assert order.freight.minor == freight * 100
        assert sum(each.amount.minor for each in order.fees) == fee * 100
        assert order.net.minor == (goods + freight + fee) * 100


@given(st.randoms(use_true_random=False))
def test_plan_follow_up_is_done_once_its_orders_are_placed(random: Random) -> None:
    case = draw_case(random)
    found = case.plan(case.before)
    held = [*case.before, *placed(found.orders)]

    again = case.plan(held)

    assert again.orders == ()
    assert again.surplus == found.surplus
    spare: dict[tuple[str, str], int] = {
        (one.supplier, one.sku): one.packs for one in found.surplus
    }
    counts: Counter[tuple[str, str]] = Counter()
    for one in held:
        counts[one.supplier, one.sku] += int(one.count)
    assert all(0 < count <= counts[key] for key, count in spare.items())
    kept = [
        packs(str(key[1]).removeprefix("S-"), count - spare.get(key, 0), (), key[0], size=size)
        for key, count in counts.items()
        for size in [offered(case.catalogue, SupplierId(key[0]), key[1]).pack]
    ]
    assert suffice(case, kept)


@given(st.randoms(use_true_random=False))
def test_plan_follow_up_says_what_each_pack_is_for(random: Random) -> None:
    case = draw_case(random)
    wanted = {(one.supplier, one.sku): one for one in case.wanted}

    for one in placed(case.plan(case.before).orders):
        asked = wanted[one.supplier, one.sku]
        assert set(one.covers) <= set(asked.covers)
        held = {part: count * one.count * one.size for part, count in CONTENTS.items()}
        for number, count in Counter(use.number for use in one.covers).items():
            assert count <= (held[number] if one.item == SET else one.count * one.size)


def bought(supply: Supply, one: Packs) -> Bought:
    """Return packs as a purchase of today."""
    source = offered_as(supply, one.item, one.supplier, one.sku)
    assert source is not None
    return Bought(
        source=source,
        packs=int(one.count),
        covers=tuple(
            Covered(
                Need(
                    role=use.role,
                    cylinder=use.cylinder,
                    item=use.item,
                    quantity=Decimal(1),
                    unit="piece",
                    kind=NeedKind.replaced,
                    floor=Quality.alternate,
                    acceptable=(use.number,),
                    options=(),
                    why=(),
                ),
                use.quantity,
                use.number,
            )
            for use in one.covers
        ),
    )


@given(st.randoms(use_true_random=False))
def test_order_rest_places_the_orders_of_a_follow_up(random: Random) -> None:
    case = draw_case(random)
    case.wanted.sort(key=lambda one: (one.supplier, one.item))
    catalogue, shop = case.catalogue, case.catalogue.shops[HIRE_YARD]
    supply = find_supply(catalogue, shop)
    wanted = [bought(supply, one) for one in case.wanted]
    random.shuffle(wanted)
    earlier = Earlier(catalogue, supply, case.before)

    found = order_rest(catalogue, shop, supply, wanted, earlier, MONDAY)

    assert found == case.plan(case.before).orders
    assert found == order_rest(catalogue, shop, supply, wanted, earlier, MONDAY)
