"""Contingencies: faults that teardown may show, priced by quoting their jobs on top of the draft.

A price is as much work as a small quote, so combinations that come to the same work and parts have
one price. The counter's changes count. If they name lines or parts that a contingency replaces,
they lapse, and its price includes that.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from itertools import product
from typing import Final

from msgspec import Struct, structs

from kitwright.money import Money
from kitwright.solve.spread import Event, Spread, find_spread
from kitwright.stages.contingency import (
    Chance,
    MayTurnUp,
    Prospect,
    Weighed,
    find_chances,
    list_contingencies,
)
from kitwright.stages.finding import Findings
from kitwright.stages.kit import Need, RolePlace
from kitwright.stages.outcome import Compared, Outcome
from kitwright.stages.request import Request, RequestRefused, Terms
from kitwright.stages.work import Jobs, Settled
from kitwright.units import exact
from kitwright.visit import (
    added_needs,
    keep_lasting,
    known_needs,
    ordered_by,
    price_jobs,
    untouched,
    with_ordered,
)
from kitwright.workshop import Workshop

LEAST: Final = Decimal("0.01")
"""Contingencies that are less probable are not listed: such remote chances do not help anyone."""

MOST_PRICED: Final = 40
"""How many combinations are priced for the distribution of the total: the most probable ones."""

Together = tuple[int, frozenset[RolePlace]]
"""The operations of a visit with some contingencies, as bits, and the roles that these add."""
Rivalry = tuple[str, int | None]
"""A group of contingencies of which at most one is found on a cylinder."""
Places = frozenset[int]
"""Some contingencies of a list, by their places in it."""


class More(Struct, frozen=True, kw_only=True):
    """The extra cost, minutes and parts of a visit with something added."""

    price: Money
    minutes: int
    needs: tuple[Need, ...]

    @property
    def is_anything(self) -> bool:
        """Whether the visit changes at all; it may already include the work to be added."""
        return bool(self.price.minor or self.minutes or self.needs)


class Foresight:
    """Finds and prices the contingencies of a workshop's quotes."""

    def __init__(self, workshop: Workshop, most: int = MOST_PRICED) -> None:
        self._workshop = workshop
        self._most = most

    def look_ahead(self, outcome: Outcome) -> Outcome:
        """Return a quote with its contingencies.

        Raises: the errors of the stages, if the catalogue lacks data.
        """
        draft, memory = outcome.draft, self._workshop.memory
        listed = memory.get(("listed", draft), lambda: self._list(outcome))
        findings = None if outcome.basis is None else outcome.basis.assessment.findings
        # without findings it follows from the draft
        estimates = self._workshop.estimates

        def chances_by(findings: Findings | None) -> tuple[Chance, ...]:
            return find_chances(listed, outcome.request, findings, estimates)

        chances = None if findings is None else chances_by(findings)
        prospect = memory.get(
            ("prospect", draft, _changes(outcome.request), chances, self._most),
            lambda: _weigh(
                _Visit(self._workshop, outcome, listed),
                chances or chances_by(None),
                self._most,
            ),
        )
        return structs.replace(outcome, prospect=prospect)

    def _list(self, outcome: Outcome) -> tuple[MayTurnUp, ...]:
        repair = outcome.draft.repair
        return list_contingencies(
            self._workshop.catalogue, untouched(outcome.request), repair.jobs, repair.kit.needs
        )


def _changes(request: Request) -> Terms | None:
    """Return the counter's changes, None if there are none that change the price."""
    terms = request.asked.terms
    return terms if terms.changes_work or terms.changes_lines else None


def _weigh(visit: _Visit, chances: Sequence[Chance], most: int) -> Prospect:
    """Return the contingencies that are probable enough and add anything, with their prices, and
    the distribution of the total, from at most `most` combinations.
    """
    threshold = visit.workshop.shop.decision.confidence.possible
    told = _tell(visit, chances)
    each = []
    for place, after in told.items():
        chance, more = chances[place].probability, visit.on_top(place, _before(told, place))
        each.append(
            Weighed(
                found=visit.listed[place],
                after=None if after is None else visit.listed[after],
                probability=chance,
                is_likely=chance >= threshold,
                price=more.price,
                minutes=more.minutes,
                needs=more.needs,
            )
        )
    # what has to be found first is at least as probable
    each.sort(
        key=lambda one: (
            -one.probability,
            one.after is not None,
            one.found.kind.id,
            one.found.cylinder or 0,
        )
    )
    all_likely = [place for place in told if chances[place].probability >= threshold]
    likely = max(visit.more(some).price for some in visit.without_rivals(all_likely))
    most_added = max(visit.worst(told, some) for some in visit.without_rivals(told))
    worst = visit.price + max(most_added, likely)
    return Prospect(
        each=tuple(each),
        as_quoted=visit.price,
        likely=visit.price + likely,
        worst=worst,
        spread=_spread(visit, told, chances, worst, most),
    )


def _spread(
    visit: _Visit,
    told: Mapping[int, int | None],
    chances: Sequence[Chance],
    worst: Money,
    most: int,
) -> Spread:
    """Return the distribution of the total of a visit, in minor units.

    Combinations that are not priced count as what each of their contingencies adds by itself, but
    not as more than the worst: together they share work.
    """
    places = list(told)
    at = {place: number for number, place in enumerate(places)}
    events = [
        Event(
            chance=_once_found(chances, place, after),
            after=None if after is None else at[after],
            group=visit.rivalry(place),
        )
        for place, after in told.items()
    ]

    singly = [visit.on_top(place, _before(told, place)).price.minor for place in places]

    def key(found: frozenset[int]) -> Hashable:
        return visit.together(places[number] for number in found)

    def total(found: frozenset[int]) -> int:
        return visit.price.minor + visit.more(places[number] for number in found).price.minor

    def at_most(found: frozenset[int]) -> int:
        return min(visit.price.minor + sum(singly[number] for number in found), worst.minor)

    return find_spread(events, key, total, at_most, most)


def _once_found(chances: Sequence[Chance], place: int, after: int | None) -> Fraction:
    """Return the probability of a contingency once the one that it comes after is found."""
    chance = exact(chances[place].probability)
    return chance if after is None else min(chance / exact(chances[after].probability), Fraction(1))


def _tell(visit: _Visit, chances: Sequence[Chance]) -> dict[int, int | None]:
    """Return the places of the listed contingencies, each with the place of the one that it is
    listed under, or None.

    A contingency that adds nothing is not listed; those under it move to the one that it is under.
    """
    told: dict[int, int | None] = {}
    for place, chance in enumerate(chances):
        after = chance.after
        while after is not None and after not in told:
            after = chances[after].after
        if chance.probability >= LEAST:
            told[place] = after
            if not visit.on_top(place, _before(told, place)).is_anything:
                del told[place]
    return told


def _before(told: Mapping[int, int | None], place: int) -> Places:
    """Return the places of all contingencies that have to be found before a contingency."""
    found: set[int] = set()
    after = told[place]
    while after is not None:
        found.add(after)
        after = told[after]
    return frozenset(found)


def _possible(told: Mapping[int, int | None], chosen: Places) -> Places:
    """Return the chosen places for which everything that has to be found first is chosen too."""
    return frozenset(place for place in chosen if _before(told, place) <= chosen)


class _Visit:
    """One quote's visit, and its contingencies."""

    def __init__(self, workshop: Workshop, outcome: Outcome, listed: Sequence[MayTurnUp]) -> None:
        self.workshop = workshop
        self.listed = listed
        self.price = outcome.repair.price
        self._repair = outcome.repair
        self._known = known_needs(self._repair)
        request = outcome.request
        if _changes(request) is None:
            request = untouched(request)
        # what is found after teardown is ordered later
        self._request = with_ordered(request, ordered_by(workshop, request, self._repair))
        # a later request may only differ in how probable its contingencies are
        self._more: dict[Together, More] = workshop.memory.get(
            ("more", outcome.draft, _changes(request)), dict, grows=True
        )
        self._keys = [[each.key for each in one.operations] for one in listed]
        there = self._repair.jobs.operations
        added = (each for one in listed for each in one.operations)
        # an operation of the visit keeps its own reasons
        self._operations = {each.key: each for each in (*added, *there)}
        self._bits = Settled(self._operations.values())
        self._there = self._bits.of(each.key for each in there)
        self._added = [self._bits.of(keys) for keys in self._keys]
        self._as_quoted = self.together(())

    def together(self, places: Iterable[int]) -> Together:
        """Return the operations of the visit with some contingencies, and the roles that these add.

        It is the same for several if an operation includes others.
        """
        bits, roles = self._there, frozenset[RolePlace]()
        for place in places:
            bits |= self._added[place]
            if self.listed[place].roles:
                roles |= frozenset(self.listed[place].roles)
        return self._bits.stay(bits), roles

    def more(self, places: Iterable[int]) -> More:
        """Return the cost, minutes and needs that some contingencies add to the visit together."""
        together = self.together(places)
        if together == self._as_quoted:
            return More(price=Money(0, self.price.currency), minutes=0, needs=())
        more = self._more.get(together)
        if more is None:
            more = self._more[together] = self._price(*together)
        return more

    def _price(self, bits: int, roles: Iterable[RolePlace]) -> More:
        repair = self._repair
        operations = tuple(map(self._operations.__getitem__, self._bits.keys(bits)))
        jobs = Jobs(operations=operations, swallowed=(), left_out=())
        besides = sorted(roles, key=str)
        try:
            together = self._together(self._request, jobs, besides)
        except RequestRefused:
            # what a change names is not there any more: the changes of this quote alone lapse
            lasting = keep_lasting(self._request)
            together = self._together(lasting, jobs, besides)
        return More(
            price=together.price - repair.price,
            minutes=together.labour.billed - repair.labour.billed,
            needs=tuple(added_needs(repair, together)),
        )

    def _together(self, request: Request, jobs: Jobs, besides: Sequence[RolePlace]) -> Compared:
        return price_jobs(self.workshop, request, jobs, self._known, besides)

    def rivalry(self, place: int) -> Rivalry | None:
        """Return the key of the contingencies of which at most one is found, None if it is in no
        such group.
        """
        found = self.listed[place]
        return None if found.kind.one_of is None else (found.kind.one_of, found.cylinder)

    def without_rivals(self, places: Iterable[int]) -> list[Places]:
        """Return the largest sets of some places in which no two exclude each other."""
        alone: set[int] = set()
        groups: dict[Rivalry, list[int]] = {}
        for place in places:
            rivalry = self.rivalry(place)
            if rivalry is None:
                alone.add(place)
            else:
                groups.setdefault(rivalry, []).append(place)
        return [frozenset((*alone, *some)) for some in product(*groups.values())]

    def on_top(self, place: int, before: Places) -> More:
        """Return the cost, minutes and needs that one contingency adds to the visit, which already
        includes those found before it.
        """
        without, together = self.more(before), self.more([*before, place])
        known = {(need.role, need.cylinder, need.item) for need in without.needs}
        return More(
            price=together.price - without.price,
            minutes=together.minutes - without.minutes,
            needs=tuple(
                need
                for need in together.needs
                if (need.role, need.cylinder, need.item) not in known
            ),
        )

    def worst(self, told: Mapping[int, int | None], places: Places) -> Money:
        """Return the cost added by the most expensive combination of some listed contingencies.

        A combination includes everything that has to be found first. Usually, adding a contingency
        costs more. But a job may include others that cost more together, and a supplier's freight
        or fee for a small order may no longer apply. So the search starts with all of them. In each
        step it leaves out those without which the rest is most expensive, as long as that costs
        more. Tests compare the result with every possible combination.
        """
        chosen = _possible(told, places)
        singly = [self.more([*_before(told, one), one]).price for one in chosen]
        # nothing may be found; if every find makes the visit cheaper, that is the most expensive
        highest = max([self.more(()).price, self.more(chosen).price, *singly])
        while len(chosen) > 1:
            rests = [_possible(told, chosen - gone) for gone in self._alike(chosen)]
            rest = max(rests, key=lambda one: self.more(one).price)
            if self.more(rest).price <= self.more(chosen).price:
                break
            chosen = rest
            highest = max(highest, self.more(chosen).price)
        return highest

    def _alike(self, chosen: Places) -> list[Places]:
        """Return, for each operation and role that chosen places add, all places that add it."""
        adding: dict[tuple[str, int | None], set[int]] = {}
        for place in sorted(chosen):
            for added in (*self._keys[place], *self.listed[place].roles):
                adding.setdefault(added, set()).add(place)
        return [frozenset(each) for each in adding.values()]
