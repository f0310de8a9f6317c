"""Least cost of a purchase from several sellers, with what each charges on top, exact.

Needs are filled by pieces in packs, each of one kind or of several (a set). A seller adds charges:
for some of its offers, once for the whole purchase, and until its goods reach a value. So an offer
that is cheaper by itself may cost more. The search decides which charges are avoided, paid or
ended; then the needs fall apart into independent covers. All arithmetic is in whole numbers.
"""

from __future__ import annotations

from collections import Counter
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

from msgspec import Struct

from kitwright.errors import KitwrightError
from kitwright.solve import Orderable
from kitwright.solve._demand import Demand, Use, allotted
from kitwright.solve._landed import Found, Search
from kitwright.solve._part import Way
from kitwright.solve._program import SolverFailed

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

__all__ = [
    "BuyingError",
    "Charge",
    "Charged",
    "DuplicateId",
    "Lack",
    "Missing",
    "Need",
    "Offer",
    "Price",
    "Purchase",
    "SolverFailed",
    "Unmet",
    "Use",
    "least_purchase",
]

N = TypeVar("N", bound=Orderable)
F = TypeVar("F", bound=Orderable)
K = TypeVar("K", bound=Orderable)
S = TypeVar("S", bound=Orderable)

MOST_NODES: Final = 20_000
"""The most nodes of a search, with those of its covers. A limit in seconds would stop at another
answer on each machine.
"""


class Need(Struct, Generic[N, K], frozen=True, kw_only=True):
    """A number of pieces, of any of some kinds, that have to be there by a day (None: any day)."""

    id: N
    count: int
    kinds: frozenset[K]
    by: int | None = None

    def __post_init__(self) -> None:
        if self.count < 0:
            raise ValueError(f"need {self.id!r} is below zero")


class Price(Struct, frozen=True, kw_only=True):
    """The price of `least` packs and more, up to the next price: `each` per pack, and `fixed`."""

    each: int
    least: int = 1
    fixed: int = 0


class Offer(Struct, Generic[F, S, K], frozen=True, kw_only=True):
    """Packs of one content at prices that depend on their number.

    `holds` counts what one pack holds, by kind. `prices` ascend; the first one's `least` is the
    minimum. The number of packs is a multiple of `multiple`, at most `most`. `extra` is charged for
    each pack in addition, and does not count towards the value of the goods. The pieces are there
    on `day`. `seller` is None if nobody charges anything on top, as for what one has already.
    `causes` names the charges of the seller that apply if any pack is taken.
    """

    id: F
    seller: S | None
    holds: Mapping[K, int]
    prices: tuple[Price, ...]
    multiple: int = 1
    most: int | None = None
    extra: int = 0
    day: int = 0
    causes: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        if not self.holds or any(count <= 0 for count in self.holds.values()):
            raise ValueError(f"offer {self.id!r} holds a count that is not above zero")
        if any(before.least >= after.least for before, after in pairwise(self.prices)):
            raise ValueError(f"the prices of offer {self.id!r} do not ascend")
        amounts = [self.extra, *(amount for p in self.prices for amount in (p.each, p.fixed))]
        if not self.prices or self.multiple < 1 or min(amounts) < 0:
            raise ValueError(f"offer {self.id!r} has no price, or an amount below zero")

    def allowed(self, packs: int) -> int:
        """Return the least number of packs, not below `packs`, that may be taken."""
        return -(-max(packs, 1, self.prices[0].least) // self.multiple) * self.multiple

    def value(self, packs: int) -> int:
        """Return the price of a number of packs, without `extra`."""
        price = [each for each in self.prices if each.least <= packs][-1]
        return price.each * packs + price.fixed


class Charge(Struct, frozen=True):
    """An amount that a seller adds once, unless its goods reach the value `ends_at`."""

    id: str
    amount: int
    ends_at: int | None = None


class Charged(Struct, Generic[S], frozen=True):
    """A charge that a seller adds to a purchase."""

    seller: S
    charge: str
    amount: int


class Purchase(Struct, Generic[N, F, K, S], frozen=True, kw_only=True):
    """Packs that fill the needs, and what they cost.

    `cost` is `goods`, with extras, and `charged` and `further`. `uses` says which
    pieces are for which need; `left_over` counts the others by offer and kind. No purchase costs
    less by more than `gap`; `is_least` says that the gap is zero.
    """

    packs: tuple[tuple[F, int], ...]
    goods: int
    charged: tuple[Charged[S], ...]
    further: int
    uses: tuple[Use[N, F, K], ...]
    left_over: tuple[tuple[F, K, int], ...]
    gap: int

    @property
    def cost(self) -> int:
        """The landed cost."""
        charged = sum(each.amount for each in self.charged)
        return self.goods + charged + self.further

    @property
    def is_least(self) -> bool:
        """Whether it is proven that no purchase costs less."""
        return not self.gap


class Lack(StrEnum):
    """Why a need can't be filled: no offer has its kinds, none is there by its day, or those that
    are have too few pieces for all needs that want them.
    """

    not_offered = "not-offered"
    too_late = "too-late"
    too_few = "too-few"


class Missing(Struct, Generic[N], frozen=True, kw_only=True):
    """A need that can't be filled. If all offers are too late, `first` is the earliest day; if they
    have too few pieces, `short` is the number that is missing for this need and others together.
    """

    need: N
    why: Lack
    first: int | None = None
    short: int = 0


class BuyingError(KitwrightError):
    """A purchase that is not defined, or that there is none for."""

    code = "buying-error"


class DuplicateId(BuyingError, ValueError):
    """Several needs or offers have the same id."""

    code = "duplicate-id"

    def __init__(self, ids: Sequence[Any]) -> None:
        super().__init__(f"more than one with the id {', '.join(map(repr, ids))}")
        self.ids = tuple(ids)


class Unmet(BuyingError):
    """Needs that the offers can't fill."""

    code = "unmet"

    def __init__(self, needs: Sequence[Missing[Any]]) -> None:
        told = (f"{each.need!r} ({each.why.value})" for each in needs)
        super().__init__(f"can't be bought: {', '.join(told)}")
        self.needs = tuple(needs)


def least_purchase(
    needs: Iterable[Need[N, K]],
    offers: Iterable[Offer[F, S, K]],
    charges: Mapping[S, Sequence[Charge]],
    *,
    further: int = 0,
    most_nodes: int = MOST_NODES,
) -> Purchase[N, F, K, S]:
    """Return the purchase of least cost that fills the needs.

    Of one offer, not more packs are taken than would fill by themselves all that it can fill, or
    reach one of its later prices. The order of needs and offers makes no difference.

    Args:
        needs: with different ids.
        offers: with different ids.
        charges: of each seller; a seller that is not named charges nothing on top.
        further: the price of each seller that is bought from, beyond the first.
        most_nodes: after so many nodes the best purchase found is returned, with its gap.

    Raises: DuplicateId, Unmet, SolverFailed.
    """
    wanted = sorted((need for need in needs if need.count), key=lambda need: need.id)
    on_offer = sorted(offers, key=lambda offer: offer.id)
    for some in (wanted, on_offer):
        ids = [each.id for each in some]
        if repeated := [one for one, other in pairwise(ids) if one == other]:
            raise DuplicateId(sorted(set(repeated)))
    demand = Demand(wanted, on_offer)
    ways = [_ways(offer, demand.useful[place]) for place, offer in enumerate(on_offer)]
    _check(wanted, on_offer, demand, ways)
    found = Search(on_offer, ways, demand, charges, further).least(most_nodes)
    return _told(wanted, on_offer, charges, further, found)


def _ways(offer: Offer[Any, Any, Any], useful: int) -> tuple[Way, ...]:
    """Return the numbers of packs that may be taken, each with its cost and its value."""
    if not useful:
        return ()
    enough = offer.allowed(useful)
    counts = {*range(offer.allowed(1), enough + 1, offer.multiple)}
    counts |= {offer.allowed(price.least) for price in offer.prices if price.least > enough}
    return tuple(
        Way(packs, value + offer.extra * packs, value)
        for packs in sorted(counts)
        if offer.most is None or packs <= offer.most
        for value in (offer.value(packs),)
    )


def _check(
    needs: Sequence[Need[N, K]],
    offers: Sequence[Offer[F, S, K]],
    demand: Demand[N, F, K],
    ways: Sequence[Sequence[Way]],
) -> None:
    """Raises: Unmet."""
    most = [some[-1].packs if some else 0 for some in ways]
    short: dict[int, int] = {}
    for row in demand.rows:
        missing = row.wanted - sum(held * most[place] for place, held in row.holds.items())
        if missing > 0:
            for place in row.needs:
                short[place] = max(short.get(place, 0), missing)
    if short:
        raise Unmet([_missing(needs[place], offers, short[place]) for place in sorted(short)])


def _missing(need: Need[N, K], offers: Sequence[Offer[F, S, K]], short: int) -> Missing[N]:
    able = [
        offer
        for offer in offers
        if not need.kinds.isdisjoint(offer.holds)
        and (offer.most is None or offer.allowed(1) <= offer.most)
    ]
    if not able:
        return Missing(need=need.id, why=Lack.not_offered)
    first = min(offer.day for offer in able)
    if need.by is not None and first > need.by:
        return Missing(need=need.id, why=Lack.too_late, first=first)
    return Missing(need=need.id, why=Lack.too_few, short=short)


def _told(
    needs: Sequence[Need[N, K]],
    offers: Sequence[Offer[F, S, K]],
    charges: Mapping[S, Sequence[Charge]],
    further: int,
    found: Found,
) -> Purchase[N, F, K, S]:
    taken = {offers[place].id: (offers[place], way) for place, way in found.taken.items()}
    packs = [(offer, way.packs) for offer, way in taken.values()]
    uses = allotted(needs, packs)
    left = Counter(
        {
            (id_, kind): count * way.packs
            for id_, (offer, way) in taken.items()
            for kind, count in offer.holds.items()
        }
    )
    for use in uses:
        left[use.offer, use.kind] -= use.count
    values: Counter[S] = Counter()
    causes: dict[S, set[str]] = {}
    for offer, way in taken.values():
        if offer.seller is not None:
            values[offer.seller] += way.value
            causes.setdefault(offer.seller, set()).update(offer.causes)
    charged = [
        Charged(seller, charge.id, charge.amount)
        for seller in sorted(causes)
        for charge in charges.get(seller, ())
        if charge.id in causes[seller]
        and (charge.ends_at is None or values[seller] < charge.ends_at)
        and charge.amount
    ]
    return Purchase(
        packs=tuple((id_, way.packs) for id_, (_, way) in taken.items()),
        goods=sum(way.cost for _, way in taken.values()),
        charged=tuple(charged),
        further=further * max(0, len(causes) - 1),
        uses=uses,
        left_over=tuple((*key, count) for key, count in sorted(left.items()) if count),
        gap=found.gap,
    )
