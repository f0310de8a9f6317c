"""The search used by `buying`: which charges of sellers are avoided, paid or ended.

A node of the search has decided some charges: a charge is avoided if no offer that causes it is
taken, paid whatever the goods are worth, or ended because they reach its value. Other charges cost
nothing yet. What has to be reached is priced instead of demanded (Lagrange): each unit
of value counts for a share of a unit of cost. So the rows fall apart into components that are
covered independently, and the sum is a bound of every purchase in the node. Each cover is also a
purchase, with all that is really charged. If no charge is left to decide, numbers of packs are.
"""

from __future__ import annotations

import heapq
from operator import mul
from typing import TYPE_CHECKING, Any, NamedTuple

from kitwright.solve._choices import bits, union
from kitwright.solve._part import SHARES, Part, Picks, Way, components

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from kitwright.solve._demand import Demand
    from kitwright.solve.buying import Charge, Offer


class Found(NamedTuple):
    """The best purchase: the way that each offer is taken, by the offer's place, without those that
    are not taken; no purchase costs less by more than `gap`.
    """

    taken: Mapping[int, Way]
    gap: int


class _Charge(NamedTuple):
    seller: int
    amount: int
    ends_at: int | None
    offers: int
    """The offers that cause it, as bits."""


class _Node(NamedTuple):
    """Decisions: the offers that are not taken and the charges that are decided, as bits; what is
    paid; by seller, the value to reach; and the least and the most packs of some offers.
    """

    without: int
    decided: int
    paid: int
    reach: tuple[int, ...]
    limits: tuple[tuple[int, int, int], ...]


class _Open(NamedTuple):
    """A node that may contain a better purchase: its bound, its number, and two purchases between
    which it is to be divided: the one that the bound comes from, and one with more or less value.
    """

    bound: int
    number: int
    node: _Node
    picks: Picks
    other: Picks


class Search:
    """The search for the best purchase.

    Args:
        offers, ways: the offers, and by offer the ways that it may be taken, ascending.
        demand: what is wanted of them.
        charges, further: as in `least_purchase`.
    """

    def __init__(
        self,
        offers: Sequence[Offer[Any, Any, Any]],
        ways: Sequence[Sequence[Way]],
        demand: Demand[Any, Any, Any],
        charges: Mapping[Any, Sequence[Charge]],
        further: int,
    ) -> None:
        sellers: list[Any] = sorted(
            {
                each.seller
                for each, some in zip(offers, ways, strict=True)
                if some and each.seller is not None
            }
        )
        places = {seller: place for place, seller in enumerate(sellers)}
        self._seller = [places.get(offer.seller, -1) for offer in offers]
        self._ways = ways
        self._of_seller = [0] * len(sellers)
        for place, seller in enumerate(self._seller):
            if seller >= 0 and self._ways[place]:
                self._of_seller[seller] |= 1 << place
        self._further = further
        self._charges = list(_charges(offers, sellers, charges, self._of_seller))
        if further:
            self._charges += [
                _Charge(place, further, None, own) for place, own in enumerate(self._of_seller)
            ]
        self._charges = [each for each in self._charges if each.offers and each.amount]
        first = len(self._charges) - (len(sellers) if further else 0)
        self._beyond = [(n, each.offers) for n, each in enumerate(self._charges) if n >= first]
        self._parts = [Part(rows, self._ways, self._seller) for rows in components(demand.rows)]
        self._best: tuple[int, tuple[tuple[int, int], ...]] | None = None
        self._taken: Picks = {}
        self._queue: list[_Open] = []
        self._nodes = 0

    def least(self, most_nodes: int) -> Found:
        """Return the best purchase. There is one that fills all rows.

        Raises: SolverFailed.
        """
        self._open(_Node(0, 0, 0, (0,) * len(self._of_seller), ()))
        floor = self._cost
        while self._queue and self._queue[0].bound < min(floor, self._cost):
            if self._nodes + sum(part.nodes for part in self._parts) >= most_nodes:
                floor = self._queue[0].bound
                break
            opened = heapq.heappop(self._queue)
            children = list(self._children(opened))
            for child in children:
                self._open(child)
            if not children:
                # the bound of a cover whose search was cut short
                floor = opened.bound
        return self._found(min(floor, self._cost))

    def _found(self, bound: int) -> Found:
        return Found(dict(self._taken), self._cost - bound)

    @property
    def _cost(self) -> int:
        if self._best is None:
            raise AssertionError("the first node has a purchase")
        return self._best[0]

    def _open(self, node: _Node) -> None:
        """Find the bound of a node, and keep the node if it may contain a better purchase."""
        self._nodes += 1
        reaching = [seller for seller, value in enumerate(node.reach) if value]
        if any(self._most(node, seller) < node.reach[seller] for seller in reaching):
            return
        shares = [0] * len(self._of_seller)
        found = self._covered(node, shares)
        if found is None:
            return
        other = found[1]
        for seller in reaching:
            if -(-found[0] // SHARES) < self._cost:
                found, other = self._priced(node, shares, seller, found)
        bound = -(-found[0] // SHARES)
        if bound < self._cost:
            heapq.heappush(self._queue, _Open(bound, self._nodes, node, found[1], other))

    def _most(self, node: _Node, seller: int) -> int:
        """Return the highest value that a seller's goods may have."""
        limits = {place: (low, high) for place, low, high in node.limits}
        most = 0
        for place in bits(self._of_seller[seller] & ~node.without):
            low, high = limits.get(place, (0, self._ways[place][-1].packs))
            most += max((w.value for w in self._ways[place] if low <= w.packs <= high), default=0)
        return most

    def _priced(
        self, node: _Node, shares: list[int], seller: int, start: tuple[int, Picks]
    ) -> tuple[tuple[int, Picks], Picks]:
        """Set the price of a seller's value for which the bound is highest.

        With a lower price, its goods do not reach the value, with a higher one they do. Return the
        bound with its purchase, and the purchase on the other side.
        """
        reach = node.reach[seller]
        if self._value(start[1], seller) >= reach:
            return start, start[1]
        low, high = 0, SHARES + 1
        under, over = start, start
        best, best_share = start, 0
        while high - low > 1 and -(-best[0] // SHARES) < self._cost:
            share = SHARES if high > SHARES else (low + high) // 2
            shares[seller] = share
            found = self._covered(node, shares)
            if found is None:
                raise AssertionError("a price of value does not change what can be covered")
            if found[0] > best[0]:
                best, best_share = found, share
            if self._value(found[1], seller) >= reach:
                high, over = share, found
            else:
                low, under = share, found
        shares[seller] = best_share
        return best, (over if best[1] is under[1] else under)[1]

    def _value(self, picks: Picks, seller: int) -> int:
        return sum(way.value for place, way in picks.items() if self._seller[place] == seller)

    def _covered(self, node: _Node, shares: Sequence[int]) -> tuple[int, Picks] | None:
        """Return the bound of a node, in parts of `SHARES`, and the purchase that it comes from, at
        some prices of value; None if there is no purchase.
        """
        bound = SHARES * node.paid
        bound += sum(map(mul, shares, node.reach))
        picks: Picks = {}
        for part in self._parts:
            cover = part.covered(node.without, shares, node.limits)
            if cover is None:
                return None
            bound += cover.bound
            picks.update(cover.picks)
        if any(node.decided >> n & 1 and own & ~node.without for n, own in self._beyond):
            # every seller pays for being one more, and the first is free of it
            bound -= SHARES * self._further
        self._try(picks)
        return bound, picks

    def _try(self, picks: Picks) -> None:
        """Keep a purchase if it is the best yet."""
        cost = self._landed(picks)
        if self._best is None or cost <= self._best[0]:
            rank = cost, tuple(sorted((place, way.packs) for place, way in picks.items()))
            if self._best is None or rank < self._best:
                self._best = rank
                self._taken = dict(sorted(picks.items()))

    def _landed(self, picks: Picks) -> int:
        cost = sum(way.cost for way in picks.values())
        cost += sum(charge.amount for charge in self._caused(picks))
        if self._further and any(self._seller[place] >= 0 for place in picks):
            cost -= self._further
        return cost

    def _caused(self, picks: Picks) -> list[_Charge]:
        """Return the charges of a purchase."""
        taken = 0
        values = [0] * len(self._of_seller)
        for place, way in picks.items():
            seller = self._seller[place]
            if seller >= 0:
                taken |= 1 << place
                values[seller] += way.value
        return [
            charge
            for charge in self._charges
            if taken & charge.offers
            and (charge.ends_at is None or values[charge.seller] < charge.ends_at)
        ]

    def _children(self, opened: _Open) -> Iterator[_Node]:
        """Yield nodes that together contain every purchase of a node that may be better."""
        node, caused = opened.node, set(self._caused(opened.picks))
        undecided = [
            (-charge.amount, number)
            for number, charge in enumerate(self._charges)
            if charge in caused and not node.decided >> number & 1
        ]
        if undecided:
            yield from self._decided(node, min(undecided)[1])
        else:
            yield from self._counted(opened)

    def _decided(self, node: _Node, number: int) -> Iterator[_Node]:
        """Yield the nodes in which a charge is avoided, paid, and ended."""
        charge = self._charges[number]
        decided = node.decided | 1 << number
        yield node._replace(without=node.without | charge.offers, decided=decided)
        yield node._replace(paid=node.paid + charge.amount, decided=decided)
        if charge.ends_at is not None:
            for place, each in enumerate(self._charges):
                if each.seller == charge.seller and each.ends_at is not None:
                    decided |= int(each.ends_at <= charge.ends_at) << place
            reach = [*node.reach]
            reach[charge.seller] = max(reach[charge.seller], charge.ends_at)
            yield node._replace(decided=decided, reach=tuple(reach))

    def _counted(self, opened: _Open) -> Iterator[_Node]:
        """Yield a node in two: with up to some packs of an offer, and with more."""
        node = opened.node
        limits = {place: (low, high) for place, low, high in node.limits}
        reaching = union(
            own for own, value in zip(self._of_seller, node.reach, strict=True) if value
        )
        found = []
        for place in bits(reaching & ~node.without):
            ways = self._ways[place]
            low, high = limits.get(place, (0, ways[-1].packs))
            here, there = (
                picks[place].packs if place in picks else 0
                for picks in (opened.picks, opened.other)
            )
            if low < high:
                cut = max(low, min(here, there, high - 1))
                found.append((here == there, -ways[-1].value, place, low, cut, high))
        if found:
            _, _, place, low, cut, high = min(found)
            for limit in ((low, cut), (cut + 1, high)):
                changed = {**limits, place: limit}
                yield node._replace(limits=tuple((p, *changed[p]) for p in sorted(changed)))


def _charges(
    offers: Sequence[Offer[Any, Any, Any]],
    sellers: Sequence[Any],
    charges: Mapping[Any, Sequence[Charge]],
    of_seller: Sequence[int],
) -> Iterator[_Charge]:
    for place, seller in enumerate(sellers):
        for charge in charges.get(seller, ()):
            causing = union(
                1 << number
                for number in bits(of_seller[place])
                if charge.id in offers[number].causes
            )
            yield _Charge(place, charge.amount, charge.ends_at, causing)
