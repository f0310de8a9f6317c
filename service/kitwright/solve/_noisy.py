"""Arrays for noisy-max networks: an entry for each set of faults; a fault is its place."""

from __future__ import annotations

from itertools import chain, combinations
from math import comb
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Places = NDArray[np.intp]
    Marks = NDArray[np.bool_]


class Merged(NamedTuple):
    """Classes of sets that agree in some faults: one member of each class, and each set's class."""

    examples: Places
    classes: Places


class FaultSets:
    """All sets of at most `most` of `count` faults, by size, then by their ascending places.

    `members` has a column for each set, filled up with `count`, which means no fault.
    """

    def __init__(self, count: int, most: int) -> None:
        sizes = [comb(count, size) for size in range(most + 1)]
        self.members: Places = np.full((most, sum(sizes)), count, dtype=np.intp)
        self._starts: Places = np.cumsum([0, *sizes[:-1]], dtype=np.intp)
        for size in range(1, most + 1):
            flat = chain.from_iterable(combinations(range(count), size))
            block = np.fromiter(flat, dtype=np.intp, count=size * sizes[size])
            start = self._starts[size]
            self.members[:size, start : start + sizes[size]] = block.reshape(-1, size).T
        # How many sets of a size come before one, told by each of its places: in the order of the
        # largest place first, which is another order than that of the columns, but as good a name.
        self._before: Places = np.array(
            [[comb(place, rank) for place in range(count + 1)] for rank in range(most + 1)],
            dtype=np.intp,
        )
        self.size: int = sum(sizes)
        self._count = count

    def faults_of(self, column: int) -> list[int]:
        """Return the places of the faults of a set."""
        return [place for place in self.members[:, column].tolist() if place < self._count]

    def log_priors(self, priors: Sequence[float]) -> Floats:
        """Return the logarithm of each set's chance, with independent faults."""
        chances = np.array(priors, dtype=np.float64)
        certain = chances == 1.0
        absent = np.log1p(-np.where(certain, 0.0, chances))
        with np.errstate(divide="ignore"):
            odds = np.append(np.log(chances) - absent, 0.0)
        logs: Floats = absent.sum() + odds.take(self.members).sum(axis=0)
        held = np.append(certain, False).take(self.members).sum(axis=0)
        logs[held < certain.sum()] = -np.inf
        return logs

    def merged(self, members: Places, linked: Marks) -> Merged:
        """Return the classes of the sets in `members` that contain the same linked faults."""
        kept = np.append(linked, False).take(members)
        rank = np.zeros(members.shape[1], dtype=np.intp)
        names = np.zeros(members.shape[1], dtype=np.intp)
        for places, is_kept in zip(members, kept, strict=True):
            rank += is_kept
            names += self._before.take(rank * self._before.shape[1] + places) * is_kept
        names += self._starts.take(rank)
        used = np.zeros(self.size, dtype=np.bool_)
        used[names] = True
        classes = (np.cumsum(used) - 1).take(names)
        examples = np.zeros(int(used.sum()), dtype=np.intp)
        examples[classes] = np.arange(len(names))
        return Merged(examples, classes)


class Levels:
    """A variable's distributions: without any fault, and with each fault alone."""

    def __init__(self, base: Sequence[float], links: Mapping[int, Sequence[float]], faults: int):
        self.linked: Marks = np.zeros(faults, dtype=np.bool_)
        # A fault without a link drives the variable to level 0, which changes no maximum.
        chances = np.zeros((len(base), faults + 2))
        chances[0] = 1.0
        for place, link in links.items():
            self.linked[place] = True
            chances[:, place] = link
        chances[:, -1] = base
        self._chances = chances / chances.sum(axis=0)
        self._up_to = np.minimum(np.cumsum(self._chances, axis=0), 1.0)
        self._up_to[-1] = 1.0

    def likelihood(self, members: Places) -> Floats:
        """Return the chance of each level (rows) given each set of faults (columns).

        The maximum of two is a level where one of them is and the other is no higher. Sums of
        products alone keep the smallest chances exact; differences of products would not.
        """
        exact = np.repeat(self._chances[:, -1:], members.shape[1], axis=1)
        up_to = np.repeat(self._up_to[:, -1:], members.shape[1], axis=1)
        for places in members:
            driven = self._chances.take(places, axis=1)
            driven_up_to = self._up_to.take(places, axis=1)
            exact *= driven_up_to
            exact[1:] += up_to[:-1] * driven[1:]
            up_to *= driven_up_to
        return exact


def log_likelihood(levels: Levels, members: Places) -> Floats:
    """Return the logarithms of `Levels.likelihood`, minus infinity for a chance of zero."""
    with np.errstate(divide="ignore"):
        logs: Floats = np.log(levels.likelihood(members))
    return logs


def shares(logs: Floats) -> Floats:
    """Return the weights whose logarithms are given, scaled to a sum of one."""
    weights = np.exp(logs - logs.max())
    scaled: Floats = weights / weights.sum()
    return scaled
