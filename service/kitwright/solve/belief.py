"""Belief over sets of faults in a noisy-max network.

A variable has ordered levels, the first of which is normal. Its background drives it to a level by
chance, and so does each fault that is present and linked to it; the highest of these shows:

    P(level <= k | faults) = base up to k * product over the linked faults of their link up to k

Of a normal level this is a product, so it speaks of each fault by itself. Only abnormal levels tie
faults together, and only those that are tied have to be weighed together: exactly, in all sets.
"""

from __future__ import annotations

from collections import Counter
from math import exp, inf, log, log1p, prod
from typing import TYPE_CHECKING, Final, Generic, NamedTuple, SupportsFloat, TypeVar

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
from kitwright.solve._sign import Sign, tempered

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Hashable, Iterable, Mapping, Sequence

    from kitwright.solve._cluster import Cluster, Masses, Question
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
"""What comes back: a binary number, for comparing and ranking, never for money."""

_MOST_OUTCOMES: Final = 4096


class Variable(Struct, frozen=True):
    """Something to observe: the distribution over its ordered levels while no fault is present."""

    base: tuple[SupportsFloat, ...]


class Seen(Struct, Generic[V], frozen=True):
    """One observation: the level at which a variable was seen, counted from zero.

    With less than full `power` its distributions are flattened: each chance is raised to it, and
    the sum made one again. With 0 it is ignored.
    """

    variable: V
    level: int
    power: SupportsFloat = 1.0


class _Tied(NamedTuple):
    """A cluster with its faults, its signs and all that speaks of any of its faults, by place."""

    cluster: Cluster
    faults: tuple[int, ...]
    signs: tuple[int, ...]
    spoken: tuple[int, ...]
    masses: Masses


class Posterior(Generic[F, V]):
    """What observations leave to believe.

    `marginals` has the probability of each fault, `none` is that of no fault at all.
    """

    def __init__(
        self,
        network: Network[F, V],
        seen: Sequence[Seen[V]],
        undoubted: Mapping[F, Collection[V]],
    ) -> None:
        self._network = network
        self._places = {one.variable: place for place, one in enumerate(seen)}
        self._signs = [network._sign(one, undoubted) for one in seen]
        self._shared = [
            one.level > 0 and len(sign.links) > 1
            for one, sign in zip(seen, self._signs, strict=True)
        ]
        # What an observation that speaks of a fault alone says of its absence and its presence.
        self._own: list[dict[int, tuple[float, float]]] = [{} for _ in network.faults]
        for place, (sign, shared) in enumerate(zip(self._signs, self._shared, strict=True)):
            for fault in () if shared else sign.links:
                said = sign.alone(fault) / sign.base[0] if sign.base[0] else inf
                self._own[fault][place] = (0.0, log(said) if 0.0 < said < inf else -inf)
                if said == inf:
                    self._own[fault][place] = (-inf, 0.0 if sign.alone(fault) else -inf)
        self._tied = [self._solved(faults) for faults in self._groups()]
        self._at = {fault: tied for tied in self._tied for fault in tied.faults}
        self._without: dict[int, Masses] = {}
        chances, self.none = [], prod(tied.masses.empty for tied in self._tied)
        for fault in range(len(network.faults)):
            tied = self._at.get(fault)
            if tied is None:
                chances.append(_share(*self._chances(fault)))
                self.none *= 1.0 - chances[-1]
            else:
                at, masses = tied.faults.index(fault), tied.masses
                there, gone = float(masses.present[0, at]), float(masses.absent[0, at])
                chances.append(there / (there + gone) if there else 0.0)
        self.marginals: Mapping[F, Probability] = dict(zip(network.faults, chances, strict=True))

    def _is_possible(self) -> bool:
        """Return whether any set of faults allows what was seen."""
        return (
            # Without a fault that drives it, only the background can explain a level.
            all(sign.base[0] > 0.0 for sign in self._signs if not sign.links)
            and all(tied.masses.is_possible for tied in self._tied)
            and all(max(*self._chances(fault)) > -inf for fault in range(len(self._own)))
        )

    def _chances(self, fault: int, *, without: int | None = None) -> tuple[float, float]:
        """Return the logarithms of a fault's chances of being absent and of being present, with
        all that speaks of it alone, one observation left out where a place is given.
        """
        said = [told for place, told in self._own[fault].items() if place != without]
        network = self._network
        return (
            network._absent[fault] + sum(absent for absent, _ in said),
            network._present[fault] + sum(present for _, present in said),
        )

    def _groups(self) -> list[list[int]]:
        """Return the faults that signs tie together, by place."""
        groups: list[set[int]] = []
        for sign, shared in zip(self._signs, self._shared, strict=True):
            if shared:
                faults = {*sign.links}
                touched = [group for group in groups if not faults.isdisjoint(group)]
                groups = [group for group in groups if group not in touched]
                groups.append(faults.union(*touched))
        return [sorted(group) for group in groups]

    def _solved(self, faults: Sequence[int]) -> _Tied:
        # Loading numpy takes a tenth of a second or two, and many processes never need it.
        from kitwright.solve._cluster import Cluster

        held = {fault: at for at, fault in enumerate(faults)}
        signs = [
            place
            for place, (sign, shared) in enumerate(zip(self._signs, self._shared, strict=True))
            if shared and not held.keys().isdisjoint(sign.links)
        ]
        told = [
            self._signs[place]._replace(
                links={held[fault]: link for fault, link in self._signs[place].links.items()}
            )
            for place in signs
        ]
        cluster = Cluster(len(faults), told)
        spoken = sorted({*signs, *(place for fault in faults for place in self._own[fault])})
        masses = cluster.weigh([self._question(faults, signs, None)])
        return _Tied(cluster, tuple(faults), tuple(signs), tuple(spoken), masses)

    def _question(
        self, faults: Sequence[int], signs: Sequence[int], without: int | None
    ) -> Question:
        from kitwright.solve._cluster import Question

        chances = [self._chances(fault, without=without) for fault in faults]
        return Question(
            present=[present for _, present in chances],
            absent=[absent for absent, _ in chances],
            without=None if without not in signs else signs.index(without),
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
        at, place = self._network._fault_place(fault), self._places.get(variable)
        if place is None:
            self._network._check_variables([variable])
            return 1.0
        tied = self._at.get(at)
        if tied is None:
            gone, there = map(_exp, self._chances(at, without=place))
            gone_now, there_now = map(_exp, self._chances(at))
        elif place not in tied.spoken:
            return 1.0
        else:
            row, column = tied.spoken.index(place), tied.faults.index(at)
            before = self._masses_without(tied)
            there, gone = float(before.present[row, column]), float(before.absent[row, column])
            there_now = float(tied.masses.present[0, column])
            gone_now = float(tied.masses.absent[0, column])
        if there == 0.0 or gone == 0.0:
            return 1.0
        return _ratio(_ratio(there_now, gone_now), there / gone)

    def _masses_without(self, tied: _Tied) -> Masses:
        """Return what a cluster's sets weigh without each of the observations that speak of it."""
        first = tied.faults[0]
        if first not in self._without:
            self._without[first] = tied.cluster.weigh(
                [self._question(tied.faults, tied.signs, place) for place in tied.spoken]
            )
        return self._without[first]


class Network(Generic[F, V]):
    """A noisy-max network, compiled once for many questions. Faults are independent beforehand.

    Args:
        priors: the probability of each fault beforehand.
        variables: what can be observed.
        links: to what levels a fault drives a variable; without a link it leaves it alone.
        most_faults: how many faults at once `information` reckons with. A posterior knows no such
            limit.

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
        self._present = [*map(_log, self._chances)]
        self._absent = [log1p(-one) if one < 1.0 else -inf for one in self._chances]
        self._bases = checked_bases({name: one.base for name, one in variables.items()})
        self.variables: tuple[V, ...] = tuple(self._bases)
        self._links = checked_links(links, self._places, self._bases)
        self._most_faults = most_faults
        # Filled when they are asked for. Two threads may both work them out: the same.
        self._sets: FaultSets | None = None
        self._levels: dict[V, Levels] = {}
        self._logs: dict[V, Floats] = {}

    def posterior(
        self, seen: Iterable[Seen[V]], undoubted: Mapping[F, Collection[V]] | None = None
    ) -> Posterior[F, V]:
        """Return what to believe after some observations, which may come in any order.

        Args:
            seen: at most one of each variable; without any, the belief is what it was beforehand.
            undoubted: faults that were seen themselves, each with the variables that showed it.
                Of all else that was seen nothing speaks against them: a link by which an
                observation is less likely with the fault alone than without any is left out.

        Raises: Impossible, SeenTwice, UnknownVariable, UnknownLevel, PowerOutOfRange.
        """
        observed = self._checked(seen)
        found = Posterior(self, observed, undoubted or {})
        if not found._is_possible():
            raise Impossible(self._clashing(observed))
        return found

    def information(
        self,
        seen: Iterable[Seen[V]],
        group: Collection[V],
        label: Callable[[tuple[F, ...]], Hashable],
    ) -> float:
        """Return by how many bits the entropy of the fault set's label is expected to fall, were
        all variables of a group observed together, in full; exact for sets of at most
        `most_faults`, over their joint outcomes.

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
        """Return the variables of a group that a fault is linked to: the others tell nothing."""
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
        """Return the observations that count, by variable, once they have been found sound."""
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
        """Return observations that no set allows together, though it does any fewer of them."""
        kept = list(observed)
        for one in observed:
            rest = [other for other in kept if other is not one]
            if not Posterior(self, rest, {})._is_possible():
                kept = rest
        return kept

    def _sign(self, one: Seen[V], undoubted: Mapping[F, Collection[V]]) -> Sign:
        """Return an observation with the links of its variable, told by the faults' places, less
        those that would have it speak against a fault that is undoubted.
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


def _log(chance: float) -> float:
    return log(chance) if chance > 0.0 else -inf


def _share(absent: float, present: float) -> float:
    """Return the probability of what is present, of two logarithms of weights."""
    if -inf in (present, absent):
        return float(present > absent)
    return 1.0 / (1.0 + exp(min(absent - present, 700.0)))


def _exp(logarithm: float) -> float:
    return exp(max(logarithm, -700.0)) if logarithm > -inf else 0.0


def _ratio(chance: float, other: float) -> float:
    """Return how many times larger one chance is; infinity over none, one where both are none."""
    if other == 0.0:
        return 1.0 if chance == 0.0 else inf
    return chance / other
