"""Posterior: the probabilities of a noisy-max network's faults, given observations."""

from __future__ import annotations

from math import exp, inf, log, prod
from typing import TYPE_CHECKING, Generic, NamedTuple, TypeVar

from kitwright.solve import Orderable

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from kitwright.solve._cluster import Cluster, Masses, Question
    from kitwright.solve.belief import Network, Probability, Seen

F = TypeVar("F", bound=Orderable)
V = TypeVar("V", bound=Orderable)


class _Tied(NamedTuple):
    """A cluster with its faults, its signs and all evidence about its faults, by place."""

    cluster: Cluster
    faults: tuple[int, ...]
    signs: tuple[int, ...]
    spoken: tuple[int, ...]
    masses: Masses


class Posterior(Generic[F, V]):
    """The probabilities of faults, given observations.

    `marginals` has the probability of each fault; `none` is the probability of no fault at all.
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
        # The weight of each observation about one fault alone, for its absence and its presence.
        self._own: list[dict[int, tuple[float, float]]] = [{} for _ in network.faults]
        for place, (sign, shared) in enumerate(zip(self._signs, self._shared, strict=True)):
            for fault in () if shared else sign.links:
                self._own[fault][place] = _log(sign.base[0]), _log(sign.alone(fault))
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

    def is_possible(self) -> bool:
        """Return whether any set of faults allows the observations."""
        return (
            # Without a fault that drives it, only the background can explain a level.
            all(sign.base[0] > 0.0 for sign in self._signs if not sign.links)
            and all(tied.masses.is_possible for tied in self._tied)
            and all(max(*self._chances(fault)) > -inf for fault in range(len(self._own)))
        )

    def _chances(self, fault: int, *, without: int | None = None) -> tuple[float, float]:
        """Return the logarithms of a fault's chances of being absent and present, from all evidence
        about it alone; `without` is the place of an observation to leave out.
        """
        said = [told for place, told in self._own[fault].items() if place != without]
        network = self._network
        return (
            network._absent[fault] + sum(absent for absent, _ in said),
            network._present[fault] + sum(present for _, present in said),
        )

    def _groups(self) -> list[list[int]]:
        """Return the groups of faults that signs connect, by place."""
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
        """Return the factor by which the observation of a variable multiplies the odds of a fault,
        given all other evidence.

        If e is all that was seen and v this observation, each with its power, the factor is
        [P(e | fault) / P(e without v | fault)] / [P(e | not fault) / P(e without v | not fault)].
        The observation is that many times more likely with the fault than without it, if the other
        faults are as probable as the rest of the evidence makes them. The odds of the fault without
        this observation, times the factor, are its odds with it. So the factor can explain the
        result: above one, the observation supports the fault; below one, it speaks against it. An
        observation that another fault explains as well has a factor near one. The factors of
        several observations do not multiply to their joint weight.

        The factor is infinite if only the fault can explain the observation, and zero if the fault
        excludes it. It is one if the variable was not observed, or if the rest of the evidence
        already decides about the fault.

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
        """Return the weights of a cluster's sets without each of the observations about it."""
        first = tied.faults[0]
        if first not in self._without:
            self._without[first] = tied.cluster.weigh(
                [self._question(tied.faults, tied.signs, place) for place in tied.spoken]
            )
        return self._without[first]


def _log(chance: float) -> float:
    return log(chance) if chance > 0.0 else -inf


def _share(absent: float, present: float) -> float:
    """Return the probability of presence from the logarithms of two weights."""
    if -inf in (present, absent):
        return float(present > absent)
    return 1.0 / (1.0 + exp(min(absent - present, 700.0)))


def _exp(logarithm: float) -> float:
    return exp(max(logarithm, -700.0)) if logarithm > -inf else 0.0


def _ratio(chance: float, other: float) -> float:
    """Return the ratio of two chances; infinity if only `other` is zero, one if both are zero."""
    if other == 0.0:
        return 1.0 if chance == 0.0 else inf
    return chance / other
