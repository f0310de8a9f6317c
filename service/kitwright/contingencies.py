"""Contingencies: faults that teardown may show, priced by quoting their jobs on top of the draft.

A price is as much work as a small quote, so it is cached by its draft. Contingencies are priced
without the counter's changes to lines and parts, because those name lines and parts of the quote as
it is. The worst case leaves out reductions by such changes on jobs that may be replaced.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Final

from msgspec import Struct, structs

from kitwright.flow import quote_repair
from kitwright.money import Money
from kitwright.stages.contingency import (
    Chance,
    Contingencies,
    MayTurnUp,
    Prospect,
    Weighed,
    find_chances,
    list_contingencies,
)
from kitwright.stages.kit import Need, RolePlace
from kitwright.stages.outcome import Outcome
from kitwright.stages.work import Operation, settle
from kitwright.visit import added_needs, known_needs, price_jobs, untouched
from kitwright.workshop import Workshop

LEAST: Final = Decimal("0.01")
"""Contingencies that are less probable are not listed: such remote chances do not help anyone."""

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

    def __init__(self, workshop: Workshop) -> None:
        self._workshop = workshop

    def look_ahead(self, outcome: Outcome) -> Outcome:
        """Return a quote with its contingencies.

        Raises: the errors of the stages, if the catalogue lacks data.
        """
        draft, memory = outcome.draft, self._workshop.memory
        listed = memory.get(("listed", draft), lambda: self._list(outcome))
        findings = None if outcome.basis is None else outcome.basis.assessment.findings
        # without findings it follows from the draft
        chances = None if findings is None else find_chances(listed, outcome.request, findings)
        prospect = memory.get(
            ("prospect", draft, chances),
            lambda: _weigh(
                _Visit(self._workshop, outcome, listed),
                chances or find_chances(listed, outcome.request, None),
            ),
        )
        found = Contingencies(
            prospect=prospect,
            as_quoted=outcome.repair.price,
            lapsing=self._lapsing(outcome, prospect),
        )
        return structs.replace(outcome, contingencies=found)

    def _lapsing(self, outcome: Outcome, prospect: Prospect) -> Money:
        """Return the reductions by the counter's changes that name what may be replaced; at least
        zero.
        """
        nothing = Money(0, self._workshop.shop.currency)
        asked = outcome.request.asked
        if not (prospect.replaces_jobs and asked.terms.names_lines):
            return nothing
        without = quote_repair(self._workshop, structs.replace(asked, terms=asked.terms.lasting()))
        return max(nothing, without.repair.price - outcome.repair.price)

    def _list(self, outcome: Outcome) -> tuple[MayTurnUp, ...]:
        repair = outcome.draft.repair
        return list_contingencies(
            self._workshop.catalogue, untouched(outcome.request), repair.jobs, repair.kit.needs
        )


def _weigh(visit: _Visit, chances: Sequence[Chance]) -> Prospect:
    """Return the contingencies that are probable enough and add anything, with their prices."""
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
    likely = visit.more(place for place in told if chances[place].probability >= threshold).price
    return Prospect(
        each=tuple(each),
        likely=likely,
        worst=max(visit.worst(told), likely),
        replaces_jobs=any(visit.replaces_jobs(place) for place in told),
    )


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
        self._request = untouched(outcome.request)
        self._draft = outcome.draft
        self._repair = outcome.draft.repair
        self._known = known_needs(self._repair)
        self._keys = [[each.key for each in one.operations] for one in listed]

    def more(self, places: Iterable[int]) -> More:
        """Return the cost, minutes and needs that some contingencies add to the visit together."""
        found = [self.listed[place] for place in places]
        operations = {each.key: each for one in found for each in one.operations}
        roles = {role for one in found for role in one.roles}
        if not operations and not roles:
            return More(price=Money(0, self.workshop.shop.currency), minutes=0, needs=())
        # by what is added, as several may add the same
        added = frozenset(operations), frozenset(roles)
        return self.workshop.memory.get(
            ("more", self._draft, *added), lambda: self._price(operations.values(), roles)
        )

    def _price(self, operations: Iterable[Operation], roles: Iterable[RolePlace]) -> More:
        repair = self._repair
        jobs = settle([*repair.jobs.operations, *operations], left_out=repair.jobs.left_out)
        together = price_jobs(
            self.workshop, self._request, jobs, self._known, sorted(roles, key=str)
        )
        return More(
            price=together.price - repair.price,
            minutes=together.labour.billed - repair.labour.billed,
            needs=tuple(added_needs(repair, together)),
        )

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

    def worst(self, told: Mapping[int, int | None]) -> Money:
        """Return the cost added by the most expensive combination of the listed contingencies.

        A combination includes everything that has to be found first. Usually, adding a contingency
        costs more. But a job may include others that cost more together, and a supplier's freight
        or fee for a small order may no longer apply. So the search starts with all of them. In each
        step it leaves out those without which the rest is most expensive, as long as that costs
        more. Tests compare the result with every possible combination.
        """
        chosen = frozenset(told)
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

    def replaces_jobs(self, place: int) -> bool:
        """Return whether a contingency of the list adds a job that includes a job of the visit."""
        operations = self._repair.jobs.operations
        together = settle([*operations, *self.listed[place].operations])
        there = {each.key for each in together.operations}
        return any(each.key not in there for each in operations)
