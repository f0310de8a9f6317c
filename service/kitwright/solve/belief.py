"""Probabilities of faults in a noisy-max network.

A variable has ordered levels, the first of which is normal. Its background drives it to a level by
chance, and so does each fault that is present and linked to it. The highest of these is observed:

    P(level <= k | faults) = base up to k * product over the linked faults of their link up to k

For a normal level this is a product, so the observation is evidence about each fault separately.
Only abnormal levels connect faults. Connected faults are weighed together, exactly, in all sets.
"""

from __future__ import annotations

from collections import Counter
from math import inf, log, log1p, prod
from typing import TYPE_CHECKING, Final, Generic, SupportsFloat, TypeVar

from msgspec import Struct

from kitwright.solve import Orderable
from kitwright.solve._belief_checks import checked_bases, checked_links, checked_priors
from kitwright.solve._belief_errors import (
    AlreadySeen,
    BeliefError,
    Impossible,
    NegativeSize,
    NotAProbability,
    PowerOutOfRange,
    SeenTwice,
    SumNotOne,
    TooManyCertain,
    TooManyOutcomes,
    TooManySets,
    UnknownFault,
    UnknownLevel,
    UnknownVariable,
    WrongLength,
)
from kitwright.solve._posterior import Posterior
from kitwright.solve._sign import Sign, tempered

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Hashable, Iterable, Mapping, Sequence

    from kitwright.solve._noisy import FaultSets, Floats, Levels

__all__ = [
    "AlreadySeen",
    "BeliefError",
    "Impossible",
    "NegativeSize",
    "Network",
    "NotAProbability",
    "Posterior",
    "PowerOutOfRange",
    "Probability",
    "Seen",
    "SeenTwice",
    "SumNotOne",
    "TooManyCertain",
    "TooManyOutcomes",
    "TooManySets",
    "UnknownFault",
    "UnknownLevel",
    "UnknownVariable",
    "Variable",
    "WrongLength",
]

F = TypeVar("F", bound=Orderable)
V = TypeVar("V", bound=Orderable)

Probability = float
"""The type of results: a binary number, for comparing and ranking, never for money."""

_MOST_OUTCOMES: Final = 4096


class Variable(Struct, frozen=True):
    """A variable to observe: the distribution over its ordered levels if no fault is present."""

    base: tuple[SupportsFloat, ...]


class Seen(Struct, Generic[V], frozen=True):
    """One observation: the level at which a variable was seen, counted from zero.

    If `power` is less than 1, the variable's distributions are flattened: each chance is raised to
    that power, and the distribution is scaled to a sum of one. If it is 0, the observation is
    ignored.
    """

    variable: V
    level: int
    power: SupportsFloat = 1.0


class Network(Generic[F, V]):
    """A noisy-max network, compiled once for many questions. A priori, faults are independent.

    Args:
        priors: the prior probability of each fault.
        variables: the variables that can be observed.
        links: the distribution over levels to which a fault drives a variable. Without a link, the
            fault does not affect the variable.
        most_faults: the most faults in one set that `information` considers. A posterior does not
            have this limit.

    Raises: NotAProbability, SumNotOne (by more than 1e-9), WrongLength, UnknownFault,
        UnknownVariable, NegativeSize, TooManySets, TooManyCertain.
    """

    def __init__(
        self,
        priors: Mapping[F, SupportsFloat],
        variables: Mapping[V, Variable],
        links: Mapping[tuple[F, V], tuple[SupportsFloat, ...]],
        *,
        most_faults: int = 3,
    ) -> None:
        chances = checked_priors(priors, most_faults)
        self.faults: tuple[F, ...] = tuple(chances)
        self._chances = [*chances.values()]
        self._places = {fault: place for place, fault in enumerate(self.faults)}
        self._present = [log(one) if one > 0.0 else -inf for one in self._chances]
        self._absent = [log1p(-one) if one < 1.0 else -inf for one in self._chances]
        self._bases = checked_bases({name: one.base for name, one in variables.items()})
        self.variables: tuple[V, ...] = tuple(self._bases)
        self._links = checked_links(links, self._places, self._bases)
        self._most_faults = most_faults
        # Filled on demand. Two threads may both compute them, with the same result.
        self._sets: FaultSets | None = None
        self._levels: dict[V, Levels] = {}
        self._logs: dict[V, Floats] = {}

    def posterior(
        self, seen: Iterable[Seen[V]], undoubted: Mapping[F, Collection[V]] | None = None
    ) -> Posterior[F, V]:
        """Return the posterior after some observations, whose order makes no difference.

        Args:
            seen: at most one observation of each variable; without any, the result is the prior.
            undoubted: faults that were directly seen, each with the variables that showed it. No
                other observation counts against them: a link is left out if it makes an
                observation less likely with the fault alone than without any fault.

        Raises: Impossible, SeenTwice, UnknownVariable, UnknownLevel, PowerOutOfRange.
        """
        observed = self._checked(seen)
        found = Posterior(self, observed, undoubted or {})
        if not found.is_possible():
            raise Impossible(self._clashing(observed))
        return found

    def information(
        self,
        seen: Iterable[Seen[V]],
        group: Collection[V],
        label: Callable[[tuple[F, ...]], Hashable],
    ) -> float:
        """Return the bits by which observing a group of variables is expected to reduce the entropy
        of the fault set's label.

        The variables are taken as observed together, with full power. The result is exact for sets
        of at most `most_faults` faults.

        Args:
            seen: the observations so far, as for `posterior`.
            group: variables not observed yet; a variable given twice counts once.
            label: returns the label of a set of faults, which it gets in ascending order. Sets with
                the same label need not be distinguished.

        Raises: as `posterior`; AlreadySeen; TooManyOutcomes, above 4096.
        """
        return self.informations(seen, [group], label)[0]

    def informations(
        self,
        seen: Iterable[Seen[V]],
        groups: Iterable[Collection[V]],
        label: Callable[[tuple[F, ...]], Hashable],
    ) -> tuple[float, ...]:
        """Return the `information` of each group. The label is computed once per possible set.

        Raises: as `information`.
        """
        from kitwright.solve._information import Labelled
        from kitwright.solve._noisy import FaultSets, shares

        observed = self._checked(seen)
        asked = [self._linked(group, observed) for group in groups]
        if self._sets is None:
            self._sets = FaultSets(len(self.faults), min(self._most_faults, len(self.faults)))
        sets = self._sets
        logs = sets.log_priors(self._chances)
        for one in observed:
            logs = logs + self._logs_of(sets, one)
        if logs.max() == -inf:
            raise Impossible(self._clashing(observed))
        chances = shares(logs)
        rows = chances.nonzero()[0]
        labels = [
            label(tuple(self.faults[fault] for fault in sets.faults_of(row)))
            for row in rows.tolist()
        ]
        labelled = Labelled(sets, rows, chances[rows], labels)
        return tuple(labelled.information(group) if group else 0.0 for group in asked)

    def _linked(self, group: Iterable[V], observed: Sequence[Seen[V]]) -> list[Levels]:
        """Return the variables of a group that a fault is linked to; the others tell nothing."""
        wanted = sorted(set(group))
        self._check_variables(wanted)
        if known := sorted({one.variable for one in observed}.intersection(wanted)):
            raise AlreadySeen(known)
        linked = [variable for variable in wanted if self._links[variable]]
        outcomes = prod(len(self._bases[variable]) for variable in linked)
        if outcomes > _MOST_OUTCOMES:
            raise TooManyOutcomes(linked, outcomes, _MOST_OUTCOMES)
        return [self._levels_of(variable) for variable in linked]

    def _checked(self, seen: Iterable[Seen[V]]) -> list[Seen[V]]:
        """Return the observations that count, checked, in the order of their variables."""
        observed = sorted(seen, key=lambda one: one.variable)
        self._check_variables([one.variable for one in observed])
        counts = Counter(one.variable for one in observed)
        if twice := [variable for variable, count in counts.items() if count > 1]:
            raise SeenTwice(twice)
        for one in observed:
            levels = len(self._bases[one.variable])
            if not 0 <= one.level < levels:
                raise UnknownLevel(one.variable, one.level, levels)
            if not 0.0 <= float(one.power) <= 1.0:
                raise PowerOutOfRange(one.variable, float(one.power))
        return [one for one in observed if float(one.power) > 0.0]

    def _clashing(self, observed: Sequence[Seen[V]]) -> list[Seen[V]]:
        """Return a minimal conflicting subset: no set of faults allows all of its observations."""
        kept = list(observed)
        for one in observed:
            rest = [other for other in kept if other is not one]
            if not Posterior(self, rest, {}).is_possible():
                kept = rest
        return kept

    def _sign(self, one: Seen[V], undoubted: Mapping[F, Collection[V]]) -> Sign:
        """Return an observation with the links of its variable by the faults' places, without links
        by which it would count against an undoubted fault.
        """
        level, power = one.level, float(one.power)

        def cut(chances: Sequence[float]) -> tuple[float, float]:
            weakened = tempered(chances, power)
            return weakened[level], sum(weakened[:level])

        links = {fault: cut(link) for fault, link in self._links[one.variable].items()}
        sign = Sign(cut(self._bases[one.variable]), links)
        for fault, shown_by in undoubted.items():
            place = self._fault_place(fault)
            if one.variable not in shown_by and place in links and sign.alone(place) < sign.base[0]:
                del links[place]
        return sign

    def _logs_of(self, sets: FaultSets, one: Seen[V]) -> Floats:
        from kitwright.solve._noisy import Levels, log_likelihood

        power = float(one.power)
        if power < 1.0:
            base = tempered(self._bases[one.variable], power)
            links = {at: tempered(link, power) for at, link in self._links[one.variable].items()}
            weakened = Levels(base, links, len(self.faults))
            logs = log_likelihood(weakened, sets.members)
        elif one.variable in self._logs:
            logs = self._logs[one.variable]
        else:
            logs = log_likelihood(self._levels_of(one.variable), sets.members)
            self._logs[one.variable] = logs
        of_level: Floats = logs[one.level]
        return of_level

    def _levels_of(self, variable: V) -> Levels:
        if variable not in self._levels:
            from kitwright.solve._noisy import Levels

            base, links = self._bases[variable], self._links[variable]
            self._levels[variable] = Levels(base, links, len(self.faults))
        return self._levels[variable]

    def _check_variables(self, variables: Iterable[V]) -> None:
        if unknown := [variable for variable in variables if variable not in self._bases]:
            raise UnknownVariable(unknown)

    def _fault_place(self, fault: F) -> int:
        if fault not in self._places:
            raise UnknownFault([fault])
        return self._places[fault]
