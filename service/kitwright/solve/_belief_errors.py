"""Errors of noisy-max networks, of their observations, and of questions to them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from kitwright.errors import KitwrightError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


class BeliefError(KitwrightError):
    """An invalid network, or a question to a network that has no answer."""

    code = "belief-error"


class UnknownFault(BeliefError):
    """A link or a question names faults without a prior."""

    code = "unknown-fault"

    def __init__(self, faults: Sequence[Any]) -> None:
        super().__init__(f"not among the faults: {_listed(faults)}")
        self.faults = tuple(faults)


class UnknownVariable(BeliefError):
    """A link or a question names variables that the network lacks."""

    code = "unknown-variable"

    def __init__(self, variables: Sequence[Any]) -> None:
        super().__init__(f"not among the variables: {_listed(variables)}")
        self.variables = tuple(variables)


class UnknownLevel(BeliefError):
    """An observation has a level that its variable does not have; levels count from zero."""

    code = "unknown-level"

    def __init__(self, variable: Any, level: int, levels: int) -> None:
        super().__init__(f"{variable!r} has levels 0 to {levels - 1}, not {level}")
        self.variable = variable
        self.level = level
        self.levels = levels


class NotAProbability(BeliefError):
    """A number that is not from zero to one: a fault's prior, or in a base or link distribution.

    `variable` is None for a prior, `fault` is None for a base.
    """

    code = "not-a-probability"

    def __init__(self, fault: Any, variable: Any, value: float) -> None:
        super().__init__(f"{_place(fault, variable)}: {value} is not from 0 to 1")
        self.fault = fault
        self.variable = variable
        self.value = value


class SumNotOne(BeliefError):
    """A distribution does not sum to one; `fault` is None for a base."""

    code = "sum-not-one"

    def __init__(self, fault: Any, variable: Any, total: float) -> None:
        super().__init__(f"{_place(fault, variable)}: the sum is {total}, not 1")
        self.fault = fault
        self.variable = variable
        self.total = total


class WrongLength(BeliefError):
    """A link has more or fewer numbers than its variable has levels."""

    code = "wrong-length"

    def __init__(self, fault: Any, variable: Any, *, length: int, levels: int) -> None:
        super().__init__(f"{_place(fault, variable)}: {length} numbers for {levels} levels")
        self.fault = fault
        self.variable = variable
        self.length = length
        self.levels = levels


class NegativeSize(BeliefError, ValueError):
    """The maximum number of faults in a set is negative."""

    code = "negative-size"

    def __init__(self, most_faults: int) -> None:
        super().__init__(f"sets of at most {most_faults} faults cannot be")
        self.most_faults = most_faults


class TooManySets(BeliefError):
    """There are more sets of faults than can be computed in a reasonable time."""

    code = "too-many-sets"

    def __init__(self, sets: int, limit: int) -> None:
        super().__init__(f"{sets} sets of faults are more than {limit}")
        self.sets = sets
        self.limit = limit


class TooManyCertain(BeliefError):
    """More faults have a prior of one than a set may contain, so no set is possible."""

    code = "too-many-certain"

    def __init__(self, faults: Sequence[Any], most_faults: int) -> None:
        super().__init__(f"certain beforehand, and more than {most_faults}: {_listed(faults)}")
        self.faults = tuple(faults)
        self.most_faults = most_faults


class PowerOutOfRange(BeliefError, ValueError):
    """An observation's power is not from 0 (ignored) to 1 (full)."""

    code = "power-out-of-range"

    def __init__(self, variable: Any, power: float) -> None:
        super().__init__(f"{variable!r} was seen with a power of {power}, not from 0 to 1")
        self.variable = variable
        self.power = power


class SeenTwice(BeliefError):
    """There are several observations of the same variables."""

    code = "seen-twice"

    def __init__(self, variables: Sequence[Any]) -> None:
        super().__init__(f"seen more than once: {_listed(variables)}")
        self.variables = tuple(variables)


class AlreadySeen(BeliefError):
    """A group contains variables that have already been observed."""

    code = "already-seen"

    def __init__(self, variables: Sequence[Any]) -> None:
        super().__init__(f"already seen: {_listed(variables)}")
        self.variables = tuple(variables)


class TooManyOutcomes(BeliefError):
    """A group has more joint outcomes than can be computed in a reasonable time."""

    code = "too-many-outcomes"

    def __init__(self, group: Sequence[Any], outcomes: int, limit: int) -> None:
        super().__init__(f"{outcomes} joint outcomes are more than {limit}: {_listed(group)}")
        self.group = tuple(group)
        self.outcomes = outcomes
        self.limit = limit


class Impossible(BeliefError):
    """No set of faults allows all of some observations together.

    `seen` is a minimal conflicting subset: without any one of them, a set allows the others.
    """

    code = "impossible"

    def __init__(self, seen: Sequence[Any]) -> None:
        told = _listed([(one.variable, one.level) for one in seen])
        super().__init__(f"no set of faults allows together: {told}")
        self.seen = tuple(seen)


def _listed(items: Iterable[Any]) -> str:
    return ", ".join(map(repr, items))


def _place(fault: Any, variable: Any) -> str:
    if variable is None:
        return f"prior of {fault!r}"
    return f"base of {variable!r}" if fault is None else f"link of {fault!r} to {variable!r}"
