"""Least purchases against enumeration, and against another model in a second solver."""

from __future__ import annotations

import os
import random
import time
from itertools import combinations, product
from typing import Any, NamedTuple

import pytest
from msgspec import structs
from ortools.linear_solver import pywraplp
from tests.solve.baskets import basket

from kitwright.solve import _part
from kitwright.solve.buying import (
    Charge,
    Charged,
    DuplicateId,
    Lack,
    Missing,
    Need,
    Offer,
    Price,
    Purchase,
    Unmet,
    least_purchase,
)

LONG = os.environ.get("KITWRIGHT_LONG") == "1"
"""Whether the second solver, which is slow, is asked more often."""


class Instance(NamedTuple):
    needs: list[Need[str, str]]
    offers: list[Offer[str, str, str]]
    charges: dict[str, list[Charge]]
    further: int


Answer = Purchase[str, str, str, str]


def found_purchase(instance: Instance, most_nodes: int = 20_000) -> Answer:
    return least_purchase(
        instance.needs,
        instance.offers,
        instance.charges,
        further=instance.further,
        most_nodes=most_nodes,
    )


def fits(need: Need[str, str], offer: Offer[str, str, str], kind: str) -> bool:
    return kind in need.kinds and (need.by is None or offer.day <= need.by)


def counts(instance: Instance, offer: Offer[str, str, str]) -> list[int]:
    """Return the numbers of packs that may be taken: none, those up to the first that fills by
    itself all that the offer can fill, and the first at each later price.
    """
    useful = 0
    for kind, held in offer.holds.items():
        wanted = sum(need.count for need in instance.needs if fits(need, offer, kind))
        useful = max(useful, -(-wanted // held))
    if not useful:
        return [0]
    sold = [
        packs
        for packs in range(offer.prices[0].least, 200)
        if packs % offer.multiple == 0 and packs > 0
    ]
    enough = next(packs for packs in sold if packs >= useful)
    found = {0, *(packs for packs in sold if packs <= enough)}
    for price in offer.prices:
        if price.least > enough:
            found.add(next(packs for packs in sold if packs >= price.least))
    return sorted(each for each in found if offer.most is None or each <= offer.most)


def is_filled(instance: Instance, taken: dict[str, int]) -> bool:
    """Return whether packs fill the needs.

    By Hall's theorem, they do if every set of needs can be filled from what fits any of them.
    """
    pieces = [
        (offer, kind, held * taken[offer.id])
        for offer in instance.offers
        for kind, held in offer.holds.items()
    ]
    wants: list[tuple[int, set[int]]] = [
        (need.count, {n for n, (offer, kind, _) in enumerate(pieces) if fits(need, offer, kind)})
        for need in instance.needs
    ]
    return all(
        sum(count for count, _ in some)
        <= sum(pieces[n][2] for n in set().union(*(fitting for _, fitting in some)))
        for size in range(1, len(wants) + 1)
        for some in combinations(wants, size)
    )


def price_of(offer: Offer[str, str, str], packs: int) -> int:
    reached = [price for price in offer.prices if price.least <= packs]
    return reached[-1].each * packs + reached[-1].fixed


def landed(instance: Instance, taken: dict[str, int]) -> int:
    """Return what packs cost, with everything that is charged."""
    bought = [offer for offer in instance.offers if taken.get(offer.id)]
    cost = sum(price_of(o, taken[o.id]) + o.extra * taken[o.id] for o in bought)
    sellers = {offer.seller for offer in bought} - {None}
    for seller in sellers:
        own = [offer for offer in bought if offer.seller == seller]
        value = sum(price_of(offer, taken[offer.id]) for offer in own)
        for charge in instance.charges.get(seller or "", ()):
            is_caused = any(charge.id in offer.causes for offer in own)
            if is_caused and (charge.ends_at is None or value < charge.ends_at):
                cost += charge.amount
    return cost + instance.further * max(0, len(sellers) - 1)


def best_of_all(instance: Instance) -> int | None:
    """Return the least cost by trying all; None if the needs can't be filled."""
    best = None
    for packs in product(*(counts(instance, offer) for offer in instance.offers)):
        taken = {offer.id: count for offer, count in zip(instance.offers, packs, strict=True)}
        cost = landed(instance, taken)
        if (best is None or cost < best) and is_filled(instance, taken):
            best = cost
    return best


def verify(instance: Instance, purchase: Answer) -> None:
    """Check a purchase by its parts: what is filled, left over and paid."""
    offers = {offer.id: offer for offer in instance.offers}
    needs = {need.id: need for need in instance.needs}
    taken = dict(purchase.packs)
    for offer in instance.offers:
        assert taken.get(offer.id, 0) in counts(instance, offer)
    filled = dict.fromkeys(needs, 0)
    used = {(id_, kind): 0 for id_ in taken for kind in offers[id_].holds}
    for use in purchase.uses:
        assert fits(needs[use.need], offers[use.offer], use.kind)
        assert use.count > 0
        filled[use.need] += use.count
        used[use.offer, use.kind] += use.count
    assert filled == {need.id: need.count for need in instance.needs}
    left = {(id_, kind): count for id_, kind, count in purchase.left_over}
    for (id_, kind), count in used.items():
        assert count + left.get((id_, kind), 0) == offers[id_].holds[kind] * taken[id_]
    assert purchase.cost == landed(instance, taken)
    assert purchase.is_least == (purchase.gap == 0)


def random_offer(
    chance: random.Random, id_: str, kinds: list[str], sellers: list[str | None], *, costs: int
) -> Offer[str, str, str]:
    """Return an offer with a pack, minimum, multiple, price breaks, stock, day and charges."""
    least = chance.choice([1, 1, 1, 2])
    each = chance.randint(1, costs)
    prices = [Price(each=each, least=least, fixed=chance.choice([0, 0, 0, 3]))]
    if chance.random() < 0.4:
        prices.append(Price(each=chance.randint(0, each), least=least + chance.randint(1, 3)))
    held = chance.sample(kinds, min(len(kinds), chance.choice([1, 1, 1, 2, 3])))
    return Offer(
        id=id_,
        seller=chance.choice(sellers),
        holds={kind: chance.choice([1, 1, 1, 2, 3]) for kind in held},
        prices=tuple(prices),
        multiple=chance.choice([1, 1, 1, 2]),
        most=chance.choice([None, None, None, 1, 2, 4]),
        extra=chance.choice([0, 0, 0, 2]),
        day=chance.randint(0, 3),
        causes=frozenset(name for name in ("flat", "small", "special") if chance.random() < 0.7),
    )


def random_instance(
    chance: random.Random, *, needs: int, offers: int, sellers: int, costs: int = 9
) -> Instance:
    kinds = [f"k{number}" for number in range(max(1, needs * 2 // 3))]
    names = [f"s{number}" for number in range(sellers)]
    return Instance(
        [
            Need(
                id=f"n{number:02}",
                count=chance.randint(1, 3),
                kinds=frozenset(chance.sample(kinds, min(len(kinds), chance.choice([1, 1, 2])))),
                by=chance.choice([None, None, 1, 2, 3]),
            )
            for number in range(needs)
        ],
        [
            random_offer(chance, f"o{number:02}", kinds, [*names, *names, None], costs=costs)
            for number in range(offers)
        ],
        {
            name: [
                Charge(
                    "flat", chance.randint(0, costs), chance.choice([None, 2 * costs, 3 * costs])
                ),
                Charge("small", chance.randint(0, costs), costs),
                Charge("special", chance.randint(0, costs)),
            ]
            for name in names
        },
        chance.choice([0, 0, 4]),
    )


def cost_found(instance: Instance) -> int | None:
    try:
        purchase = found_purchase(instance)
    except Unmet:
        return None
    verify(instance, purchase)
    assert purchase.is_least
    return purchase.cost


def test_least_purchase_agrees_with_enumeration_on_hundreds_of_instances() -> None:
    unmet = 0
    for seed in range(400):
        chance = random.Random(seed)
        instance = random_instance(
            chance, needs=chance.randint(1, 3), offers=chance.randint(2, 5), sellers=2
        )
        best = best_of_all(instance)
        unmet += best is None

        assert cost_found(instance) == best, seed
    assert 40 < unmet < 300, "the instances should be of both kinds"


def program_optimum(instance: Instance) -> int | None:
    """Return the least cost by SCIP: pieces flow from offers to needs."""
    model: Any = pywraplp.Solver.CreateSolver("SCIP")
    needs, offers = instance.needs, instance.offers
    into: list[list[Any]] = [[] for _ in needs]
    terms: list[Any] = []
    value: dict[str, Any] = {}
    taken: dict[str, Any] = {}
    for offer in offers:
        choices = [count for count in counts(instance, offer) if count]
        picked = [model.BoolVar("") for _ in choices]
        taken[offer.id] = model.Sum(picked)
        model.Add(taken[offer.id] <= 1)
        packs = model.Sum([c * p for c, p in zip(choices, picked, strict=True)])
        value[offer.id] = model.Sum(
            [price_of(offer, c) * p for c, p in zip(choices, picked, strict=True)]
        )
        terms += [value[offer.id], offer.extra * packs]
        for kind, held in offer.holds.items():
            out = []
            for place, need in enumerate(needs):
                if fits(need, offer, kind):
                    out.append(model.NumVar(0, need.count, ""))
                    into[place].append(out[-1])
            model.Add(model.Sum(out) <= held * packs)
    for need, flow in zip(needs, into, strict=True):
        model.Add(model.Sum(flow) == need.count)
    used = []
    for seller, charges in instance.charges.items():
        own = [offer for offer in offers if offer.seller == seller]
        goods = model.Sum([value[offer.id] for offer in own])
        for charge in charges:
            is_charged, is_ended = model.BoolVar(""), model.BoolVar("")
            if charge.ends_at is None:
                model.Add(is_ended == 0)
            else:
                model.Add(goods >= charge.ends_at * is_ended)
            for offer in own:
                if charge.id in offer.causes:
                    model.Add(taken[offer.id] <= is_charged + is_ended)
            terms.append(charge.amount * is_charged)
        used.append(model.BoolVar(""))
        for offer in own:
            model.Add(taken[offer.id] <= used[-1])
    beyond = model.NumVar(0, len(used), "")
    model.Add(beyond >= model.Sum(used) - 1)
    model.Minimize(model.Sum(terms) + instance.further * beyond)
    exact = pywraplp.MPSolverParameters()
    exact.SetDoubleParam(exact.RELATIVE_MIP_GAP, 0.0)
    status = model.Solve(exact)
    if status == pywraplp.Solver.INFEASIBLE:
        return None
    assert status == pywraplp.Solver.OPTIMAL
    least: float = model.Objective().Value()
    return round(least)


def basket_of(seed: int, lines: int, sellers: int) -> Instance:
    needs, offers, charges = basket(random.Random(seed), lines=lines, sellers=sellers)
    return Instance(needs, offers, charges, 300)


def test_least_purchase_costs_what_another_solver_finds() -> None:
    bought = 0
    for seed in range(60 if LONG else 20):
        instance = random_instance(random.Random(seed), needs=6, offers=18, sellers=3, costs=9)
        best = program_optimum(instance)

        assert cost_found(instance) == best, seed
        bought += best is not None
    assert bought > 5


@pytest.mark.parametrize(
    ("lines", "sellers", "count"), [(12, 3, 20), (25, 4, 12), (40, 6, 6 if LONG else 2)]
)
def test_least_purchase_of_a_basket_costs_what_another_solver_finds(
    lines: int, sellers: int, count: int
) -> None:
    for seed in range(count):
        instance = basket_of(seed, lines, sellers)

        assert cost_found(instance) == program_optimum(instance), seed


def test_least_purchase_of_200_lines_from_six_sellers_is_proven_in_seconds() -> None:
    for seed in range(2):
        instance = basket_of(seed, 200, 6)
        start = time.process_time()

        purchase = found_purchase(instance)

        assert time.process_time() - start < 10
        assert purchase.is_least
        verify(instance, purchase)


def test_least_purchase_tells_by_how_much_a_search_that_is_cut_short_may_be_off() -> None:
    cut_short = 0
    for seed in range(20):
        instance = basket_of(seed, 20, 4)
        least = found_purchase(instance)
        for nodes in (1, 5, 20):
            purchase = found_purchase(instance, nodes)

            verify(instance, purchase)
            assert purchase.cost - purchase.gap <= least.cost <= purchase.cost
            cut_short += not purchase.is_least
    assert cut_short > 20


def answer(instance: Instance) -> Answer | tuple[Missing[Any], ...]:
    try:
        return found_purchase(instance)
    except Unmet as error:
        return error.needs


def test_least_purchase_does_not_depend_on_any_order() -> None:
    for seed in range(30):
        chance = random.Random(seed)
        instance = random_instance(chance, needs=4, offers=10, sellers=3)
        shuffled = Instance(
            chance.sample(instance.needs, len(instance.needs)),
            [
                structs.replace(offer, holds=dict(reversed(list(offer.holds.items()))))
                for offer in chance.sample(instance.offers, len(instance.offers))
            ],
            dict(reversed(list(instance.charges.items()))),
            instance.further,
        )

        assert answer(shuffled) == answer(instance), seed


def piece(
    id_: str, kind: str, cost: int, seller: str | None = "a", **terms: Any
) -> Offer[str, str, str]:
    causes = frozenset({"freight"} if seller else ())
    return Offer(
        id=id_, seller=seller, holds={kind: 1}, prices=(Price(each=cost),), causes=causes, **terms
    )


def want(id_: str, kind: str, count: int = 1, by: int | None = None) -> Need[str, str]:
    return Need(id=id_, count=count, kinds=frozenset({kind}), by=by)


FREIGHT = {"a": [Charge("freight", 1_000, 5_000)], "b": [Charge("freight", 400)]}


def test_least_purchase_pays_more_for_a_piece_to_save_the_charge() -> None:
    offers = [piece("a1", "x", 311), piece("b1", "x", 700, "b"), piece("b2", "y", 90, "b")]

    purchase = least_purchase([want("n", "x"), want("m", "y")], offers, FREIGHT)

    assert purchase.packs == (("b1", 1), ("b2", 1))
    assert purchase.charged == (Charged("b", "freight", 400),)
    assert (purchase.goods, purchase.cost) == (790, 1_190)


def test_least_purchase_moves_goods_to_a_seller_whose_charge_ends() -> None:
    offers = [piece("a1", "x", 4_500), piece("a2", "y", 600), piece("b2", "y", 200, "b")]

    purchase = least_purchase([want("n", "x"), want("m", "y")], offers, FREIGHT)

    assert purchase.packs == (("a1", 1), ("a2", 1))
    assert purchase.charged == ()
    assert purchase.cost == 5_100


def test_least_purchase_counts_a_price_for_each_further_seller() -> None:
    offers = [piece("a1", "x", 5_000), piece("a2", "y", 900), piece("b2", "y", 200, "b")]
    needs = [want("n", "x"), want("m", "y")]

    assert least_purchase(needs, offers, FREIGHT, further=299).further == 299
    assert least_purchase(needs, offers, FREIGHT, further=301).packs == (("a1", 1), ("a2", 1))


def test_least_purchase_shares_a_pack_among_needs_by_their_days() -> None:
    soon = piece("b1", "x", 300, "b", day=1, most=2)
    late = Offer(id="a1", seller="a", holds={"x": 3}, prices=(Price(each=100),), day=5)
    needs = [want("early", "x", 1, by=2), want("first", "x", 1), want("second", "x", 2)]

    purchase = least_purchase(needs, [soon, late], FREIGHT)

    assert purchase.packs == (("a1", 1), ("b1", 1))
    assert [(use.need, use.offer, use.count) for use in purchase.uses] == [
        ("early", "b1", 1),
        ("first", "a1", 1),
        ("second", "a1", 2),
    ]


def test_least_purchase_takes_what_is_there_only_if_it_is_not_worth_more() -> None:
    there, bought = piece("0", "x", 250, None, most=1), piece("b1", "x", 100, "b")

    assert least_purchase([want("n", "x")], [there, bought], FREIGHT).packs == (("0", 1),)
    assert least_purchase([want("n", "x", 2)], [there, bought], FREIGHT).packs == (("b1", 2),)


def test_least_purchase_says_which_needs_cannot_be_filled_and_why() -> None:
    offers = [piece("a1", "x", 100, day=4), piece("b1", "y", 100, "b", most=2)]
    needs = [
        want("early", "x", by=3),
        want("many", "y", 2),
        want("more", "y", 1),
        want("odd", "z"),
        want("well", "x", by=4),
    ]

    with pytest.raises(Unmet) as raised:
        least_purchase(needs, offers, {})

    assert raised.value.needs == (
        Missing(need="early", why=Lack.too_late, first=4),
        Missing(need="many", why=Lack.too_few, short=1),
        Missing(need="more", why=Lack.too_few, short=1),
        Missing(need="odd", why=Lack.not_offered),
    )


def test_least_purchase_of_nothing_is_empty() -> None:
    purchase = least_purchase([want("n", "x", 0)], [piece("a1", "x", 1)], FREIGHT, further=9)

    assert (purchase.packs, purchase.cost, purchase.is_least) == ((), 0, True)


def test_least_purchase_refuses_two_of_one_id() -> None:
    with pytest.raises(DuplicateId, match="'n'"):
        least_purchase([want("n", "x"), want("n", "y")], [], {})
    with pytest.raises(DuplicateId, match="'a1'"):
        least_purchase([], [piece("a1", "x", 1), piece("a1", "y", 1)], {})


def test_offers_refuse_prices_and_contents_that_make_no_sense() -> None:
    price = Price(each=1)
    with pytest.raises(ValueError, match="not above zero"):
        Offer(id="o", seller="s", holds={"x": 0}, prices=(price,))
    with pytest.raises(ValueError, match="do not ascend"):
        Offer(id="o", seller="s", holds={"x": 1}, prices=(price, price))
    with pytest.raises(ValueError, match="below zero"):
        Offer(id="o", seller="s", holds={"x": 1}, prices=(Price(each=-1),))
    with pytest.raises(ValueError, match="below zero"):
        Need(id="n", count=-1, kinds=frozenset({"x"}))


def test_tree_bounds_a_search_that_it_cuts_short(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pieces of many kinds in random sets: one part that takes a search."""
    chance = random.Random(3)
    kinds = [f"k{number:02}" for number in range(30)]
    offers = [
        Offer(
            id=f"o{number:03}",
            seller="a",
            holds=dict.fromkeys(chance.sample(kinds, 6), 1),
            prices=(Price(each=chance.randint(50, 90)),),
        )
        for number in range(60)
    ]
    needs = [want(kind, kind) for kind in kinds]
    least = least_purchase(needs, offers, {})
    assert least.is_least

    monkeypatch.setattr(_part, "FEW_NODES", 1)
    monkeypatch.setattr(_part, "MANY_NODES", 1)
    monkeypatch.setattr(_part, "_covered", lambda *_: None)
    purchase = least_purchase(needs, offers, {})

    assert not purchase.is_least
    assert purchase.cost - purchase.gap <= least.cost <= purchase.cost
