"""Belief over sets of faults in a noisy-max network, exact by going through the sets.

A variable has ordered levels, the first of which is normal. Its background drives it to a level by
chance, and so does each fault that is present and linked to it; the highest of these shows:

    P(level <= k | faults) = base up to k * product over the linked faults of their link up to k
"""

from __future__ import annotations

from collections import Counter
from itertools import chain, combinations
from math import inf, prod
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

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Hashable, Iterable, Mapping, Sequence

    from kitwright.solve._noisy import Floats, Levels

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
"""What comes back: a binary number, for comparing and ranking, never for money."""

_MOST_OUTCOMES: Final = 4096


class Variable(Struct, frozen=True):
    """Something to observe: the distribution over its ordered levels while no fault is present."""

    base: tuple[SupportsFloat, ...]


class Seen(Struct, Generic[V], frozen=True):
    """One observation: the level at which a variable was seen, counted from zero.

    Its likelihood is raised to `power`: with 0 it is ignored, with 1 it counts in full.
    """

    variable: V
    level: int
    power: SupportsFloat = 1.0


class Posterior(Generic[F, V]):
    """What observations leave to believe.

    `marginals` has the probability of each fault. `none` is that of no fault at all. `sets` has
    the probability of each set of faults down to a threshold, the most probable first; of
    ties, up to 1e-12, the smaller set, then by faults. A set's faults ascend.
    """

    def __init__(
        self,
        network: Network[F, V],
        seen: Sequence[Seen[V]],
        terms: Sequence[Floats],
        threshold: float,
    ) -> None:
        from kitwright.solve._noisy import shares

        self._network = network
        self._seen = {one.variable: place for place, one in enumerate(seen)}
        self._observations = seen
        self._terms = terms
        self._factors: dict[V, Sequence[float]] = {}
        chances = shares(network._weights(terms))
        marginals = (network._fault_sets.holds @ chances).tolist()
        self.marginals: Mapping[F, Probability] = {
            fault: min(1.0, chance) for fault, chance in zip(network.faults, marginals, strict=True)
        }
        self.none: Probability = float(chances[0])
        # Stable, so that ties keep the order of the sets.
        order = (-chances.round(12)).argsort(kind="stable")
        kept = order[(chances[order] >= threshold) & (chances[order] > 0.0)].tolist()
        self.sets: tuple[tuple[tuple[F, ...], Probability], ...] = tuple(
            zip([network._sets[place] for place in kept], chances[kept].tolist(), strict=True)
        )

    def factor(self, fault: F, variable: V) -> Probability:
        """Return by how much the observation of a variable multiplies the odds of a fault, once
        all the other evidence has been considered.

        With e all that was seen and v this observation, each with its power, it is
        [P(e | fault) / P(e without v | fault)] / [P(e | not fault) / P(e without v | not fault)]:
        how many times more likely the observation is with the fault than without it, where the
        other faults are as probable as the rest of the evidence makes them. The odds of the fault
        without this observation, times the factor, are its odds with it. So it suits explaining
        this answer: above one speaks for the fault, below one against it, and what another fault
        explains as well counts for little. The factors of several observations do not multiply
        to their joint weight.

        Infinite where the fault alone can explain the observation, zero where it cannot; one
        where the variable was not seen, and where the rest of the evidence already settles the
        fault.

        Raises: UnknownFault, UnknownVariable.
        """
        place, level = self._network._fault_place(fault), self._seen.get(variable)
        if level is None:
            self._network._levels_of(variable)
            return 1.0
        if variable not in self._factors:
            from kitwright.solve._noisy import factors

            sets, priors = self._network._fault_sets, self._network._log_priors
            self._factors[variable] = factors(sets, priors, self._terms, level)
        return self._factors[variable][place]

    def plain_factor(self, fault: F, variable: V) -> Probability:
        """Return how many times more likely the observation of a variable is with the fault and
        no other than with no fault at all, to the observation's power.

        It is what the network says about the pair, whatever else was seen; it overstates what the
        observation adds where another fault explains it too. So it suits telling what a link
        means, not why this answer came out. One where the variable was not seen.

        Raises: UnknownFault, UnknownVariable.
        """
        from kitwright.solve._noisy import ratio

        network, place = self._network, self._network._fault_place(fault)
        levels = network._levels_of(variable)
        if variable not in self._seen:
            return 1.0
        one = self._observations[self._seen[variable]]
        times = ratio(levels.alone(place)[one.level], levels.alone()[one.level])
        return float(times ** float(one.power))


class Network(Generic[F, V]):
    """A noisy-max network, compiled once for many questions.

    Faults are independent beforehand. At most `most_faults` are present at a time: the sets of
    more are left out, and the others' probabilities scaled up to a sum of one.

    Args:
        priors: the probability of each fault beforehand.
        variables: what can be observed.
        links: to what levels a fault drives a variable; without a link it leaves it alone.
        most_faults: the size of the largest sets.

    Raises: NotAProbability, SumNotOne (by more than 1e-9), WrongLength, UnknownFault,
        UnknownVariable, NegativeSize, TooManySets, TooManyCertain.
    """

    def __init__(
        self,
        priors: Mapping[F, SupportsFloat],
        variables: Mapping[V, Variable],
        links: Mapping[tuple[F, V], tuple[SupportsFloat, ...]],
        *,
        most_faults: int,
    ) -> None:
        chances = checked_priors(priors, most_faults)
        self.faults: tuple[F, ...] = tuple(chances)
        self._places = {fault: place for place, fault in enumerate(self.faults)}
        self._bases = checked_bases({name: one.base for name, one in variables.items()})
        self.variables: tuple[V, ...] = tuple(self._bases)
        self._links = checked_links(links, self._places, self._bases)
        most = min(most_faults, len(self.faults))
        # Loading numpy takes a tenth of a second or two, and many processes never need it.
        from kitwright.solve._noisy import FaultSets

        self._fault_sets = FaultSets(len(self.faults), most)
        self._log_priors = self._fault_sets.log_priors([*chances.values()])
        self._sets: list[tuple[F, ...]] = list(
            chain.from_iterable(combinations(self.faults, size) for size in range(most + 1))
        )
        # Filled as variables are asked for. Two threads may both work one out: the same.
        self._levels: dict[V, Levels] = {}
        self._logs: dict[V, Floats] = {}

    def posterior(self, seen: Iterable[Seen[V]], threshold: float = 1e-6) -> Posterior[F, V]:
        """Return what to believe after some observations, which may come in any order.

        Args:
            seen: at most one of each variable; without any, the belief is what it was beforehand.
            threshold: sets of a lower probability are not listed.

        Raises: Impossible, SeenTwice, UnknownVariable, UnknownLevel, PowerOutOfRange.
        """
        observed = self._checked(seen)
        terms = self._terms_of(observed)
        return Posterior(self, observed, terms, threshold)

    def information(
        self,
        seen: Iterable[Seen[V]],
        group: Collection[V],
        label: Callable[[tuple[F, ...]], Hashable],
    ) -> float:
        """Return by how many bits the entropy of the fault set's label is expected to fall, were
        all variables of a group observed together, in full; exact, over their joint outcomes.

        Args:
            seen: what has been observed, as for `posterior`.
            group: variables that have not; one given twice counts once.
            label: what matters of a set of faults, whose faults ascend: sets with the same label
                need no telling apart.

        Raises: as `posterior`; AlreadySeen; TooManyOutcomes, above 4096.
        """
        return self.informations(seen, [group], label)[0]

    def informations(
        self,
        seen: Iterable[Seen[V]],
        groups: Iterable[Collection[V]],
        label: Callable[[tuple[F, ...]], Hashable],
    ) -> tuple[float, ...]:
        """Return the `information` of each group. The label is asked for once per possible set.

        Raises: as `information`.
        """
        from kitwright.solve._information import Labelled
        from kitwright.solve._noisy import shares

        observed = self._checked(seen)
        asked = [self._linked(group, observed) for group in groups]
        chances = shares(self._weights(self._terms_of(observed)))
        rows = chances.nonzero()[0]
        labels = [label(self._sets[row]) for row in rows.tolist()]
        labelled = Labelled(self._fault_sets, rows, chances[rows], labels)
        return tuple(labelled.information(group) if group else 0.0 for group in asked)

    def _linked(self, group: Iterable[V], observed: Sequence[Seen[V]]) -> list[Levels]:
        """Return the variables of a group that a fault is linked to: the others tell nothing."""
        wanted = sorted(set(group))
        if unknown := [variable for variable in wanted if variable not in self._bases]:
            raise UnknownVariable(unknown)
        if known := sorted({one.variable for one in observed}.intersection(wanted)):
            raise AlreadySeen(known)
        linked = [variable for variable in wanted if self._links[variable]]
        outcomes = prod(len(self._bases[variable]) for variable in linked)
        if outcomes > _MOST_OUTCOMES:
            raise TooManyOutcomes(linked, outcomes, _MOST_OUTCOMES)
        return [self._levels_of(variable) for variable in linked]

    def _checked(self, seen: Iterable[Seen[V]]) -> list[Seen[V]]:
        """Return the observations that count, by variable, once they have been found sound."""
        observed = sorted(seen, key=lambda one: one.variable)
        if unknown := [one.variable for one in observed if one.variable not in self._bases]:
            raise UnknownVariable(unknown)
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

    def _terms_of(self, observed: Sequence[Seen[V]]) -> list[Floats]:
        """Return what each observation adds to the logarithm of each set's weight."""
        terms: list[Floats] = [
            self._logs_of(one.variable)[one.level] * float(one.power) for one in observed
        ]
        if self._weights(terms).max() == -inf:
            from kitwright.solve._noisy import conflict

            places = conflict(self._log_priors, terms)
            raise Impossible([observed[place] for place in places])
        return terms

    def _weights(self, terms: Iterable[Floats]) -> Floats:
        return sum(terms, start=self._log_priors)

    def _logs_of(self, variable: V) -> Floats:
        if variable not in self._logs:
            from kitwright.solve._noisy import log_likelihood

            levels = self._levels_of(variable)
            self._logs[variable] = log_likelihood(levels, self._fault_sets.members)
        return self._logs[variable]

    def _levels_of(self, variable: V) -> Levels:
        if variable not in self._bases:
            raise UnknownVariable([variable])
        if variable not in self._levels:
            from kitwright.solve._noisy import Levels

            base, links = self._bases[variable], self._links[variable]
            self._levels[variable] = Levels(base, links, len(self.faults))
        return self._levels[variable]

    def _fault_place(self, fault: F) -> int:
        if fault not in self._places:
            raise UnknownFault([fault])
        return self._places[fault]
