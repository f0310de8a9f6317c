"""Checks of the numbers of a noisy-max network: priors, distributions, sizes."""

from __future__ import annotations

from math import comb, fsum
from typing import TYPE_CHECKING, Any, Final, SupportsFloat, TypeVar

from kitwright.solve import Orderable
from kitwright.solve._belief_errors import (
    NegativeSize,
    NotAProbability,
    SumNotOne,
    TooManyCertain,
    TooManySets,
    UnknownFault,
    UnknownVariable,
    WrongLength,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

F = TypeVar("F", bound=Orderable)
V = TypeVar("V", bound=Orderable)

_MOST_SETS: Final = 250_000
_SUM_TOLERANCE: Final = 1e-9


def checked_priors(priors: Mapping[F, SupportsFloat], most_faults: int) -> dict[F, float]:
    """Return the checked priors, in ascending order of faults.

    Raises: NotAProbability, NegativeSize, TooManySets, TooManyCertain.
    """
    chances = {fault: _probability(fault, None, priors[fault]) for fault in sorted(priors)}
    if most_faults < 0:
        raise NegativeSize(most_faults)
    most = min(most_faults, len(chances))
    count = sum(comb(len(chances), size) for size in range(most + 1))
    if count > _MOST_SETS:
        raise TooManySets(count, _MOST_SETS)
    certain = [fault for fault, chance in chances.items() if chance == 1.0]
    if len(certain) > most:
        raise TooManyCertain(certain, most)
    return chances


def checked_bases(bases: Mapping[V, Iterable[SupportsFloat]]) -> dict[V, list[float]]:
    """Return the checked distributions without any fault, in ascending order of variables.

    Raises: NotAProbability, SumNotOne.
    """
    return {variable: _distribution(None, variable, bases[variable]) for variable in sorted(bases)}


def checked_links(
    links: Mapping[tuple[F, V], tuple[SupportsFloat, ...]],
    places: Mapping[F, int],
    bases: Mapping[V, list[float]],
) -> dict[V, dict[int, list[float]]]:
    """Return the checked links of each variable, by the place of the fault.

    Raises: UnknownFault, UnknownVariable, WrongLength, NotAProbability, SumNotOne.
    """
    if strangers := {fault for fault, _ in links} - places.keys():
        raise UnknownFault(sorted(strangers))
    if unknown := {variable for _, variable in links} - bases.keys():
        raise UnknownVariable(sorted(unknown))
    found: dict[V, dict[int, list[float]]] = {variable: {} for variable in bases}
    for fault, variable in sorted(links):
        link, levels = links[fault, variable], len(bases[variable])
        if len(link) != levels:
            raise WrongLength(fault, variable, length=len(link), levels=levels)
        found[variable][places[fault]] = _distribution(fault, variable, link)
    return found


def _distribution(fault: Any, variable: Any, given: Iterable[SupportsFloat]) -> list[float]:
    chances = [_probability(fault, variable, value) for value in given]
    total = fsum(chances)
    if abs(total - 1.0) > _SUM_TOLERANCE:
        raise SumNotOne(fault, variable, total)
    return chances


def _probability(fault: Any, variable: Any, value: SupportsFloat) -> float:
    chance = float(value)
    if not 0.0 <= chance <= 1.0:
        raise NotAProbability(fault, variable, chance)
    return chance
