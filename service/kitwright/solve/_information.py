"""The information that a joint observation is expected to give about the label of a fault set."""

from __future__ import annotations

from functools import reduce
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from kitwright.solve._noisy import FaultSets, Floats, Levels, Marks, Places

_CELLS = 2**17
"""Labels times outcomes at a time: what a processor's cache holds."""


class Labelled:
    """Sets of faults with their chances, grouped by label.

    Args:
        sets: all sets.
        rows: the sets to use, at least one.
        chances: the chance of each of them, above zero, with a sum of one.
        labels: the label of each of them.
    """

    def __init__(
        self, sets: FaultSets, rows: Places, chances: Floats, labels: Sequence[Hashable]
    ) -> None:
        numbers: dict[Hashable, int] = {}
        numbered = np.array(
            [numbers.setdefault(label, len(numbers)) for label in labels], dtype=np.intp
        )
        order = np.argsort(numbered, kind="stable")
        self._sets = sets
        self._members = sets.members[:, rows[order]]
        self._chances = chances[order]
        self._label = numbered[order]
        self._starts = np.searchsorted(self._label, np.arange(len(numbers)))
        self._mass: Floats = np.add.reduceat(self._chances, self._starts)

    def information(self, group: Sequence[Levels]) -> float:
        """Return the bits that observing a group of variables is expected to tell about the label.

        That is the entropy of the outcomes less their entropy once the label is known. Sets with
        the same faults linked to the group give each outcome the same chance. If all sets of a
        label agree in these faults, the variables are independent given the label, and their
        entropies add up. The other labels need their joint outcomes.
        """
        linked = np.logical_or.reduce([levels.linked for levels in group])
        examples, classes = self._sets.merged(self._members, linked)
        tables = [levels.likelihood(self._members[:, examples]) for levels in group]
        joint = reduce(_crossed, tables).T
        spread = np.sum([_entropy(table, axis=0) for table in tables], axis=0)
        whole = np.bincount(classes, weights=self._chances, minlength=len(examples)) @ joint

        is_mixed = np.minimum.reduceat(classes, self._starts) != np.maximum.reduceat(
            classes, self._starts
        )
        mixed = is_mixed[self._label]
        left = float(self._chances[~mixed] @ spread[classes[~mixed]])
        left += self._spread_of_mixed(mixed, classes, joint) - float(_entropy(self._mass[is_mixed]))
        return max(0.0, (float(_entropy(whole)) - left) / float(np.log(2.0)))

    def _spread_of_mixed(self, mixed: Marks, classes: Places, joint: Floats) -> float:
        """Return the entropy of the outcomes together with the marked sets' labels."""
        width, outcomes = joint.shape
        # Sets of the same label and class add up.
        pairs, places = np.unique(self._label[mixed] * width + classes[mixed], return_inverse=True)
        chances = np.bincount(places, weights=self._chances[mixed])
        label, alike = np.divmod(pairs, width)
        edges = np.append(np.flatnonzero(np.diff(label, prepend=-1)), len(pairs))
        spread, first, step = 0.0, 0, max(1, _CELLS // outcomes)
        while first < len(edges) - 1:
            start = edges[first]
            after = max(first + 1, int(np.searchsorted(edges, start + step, side="right")) - 1)
            block = slice(start, edges[after])
            parts = joint[alike[block]] * chances[block, None]
            spread += float(_entropy(np.add.reduceat(parts, edges[first:after] - start)))
            first = after
        return spread


def _crossed(first: Floats, second: Floats) -> Floats:
    """Return the chances of each pair of outcomes, down, given each set, across."""
    pairs: Floats = (first[:, None, :] * second[None, :, :]).reshape(-1, first.shape[1])
    return pairs


def _entropy(chances: Floats, axis: int | None = None) -> Floats:
    """Return minus the sum of each chance times its natural logarithm; a chance of zero adds zero.

    If the chances do not sum to one, the result is a part of an entropy.
    """
    # The least of these is too small to show in a sum, and its logarithm is finite.
    parts = chances * np.log(np.maximum(chances, 1e-300))
    return np.asarray(-parts.sum(axis=axis))
