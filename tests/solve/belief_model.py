"""Small belief networks in exact fractions, and what they imply, in plain Python."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from itertools import product
from math import prod
from typing import NamedTuple, SupportsFloat

from hypothesis import assume
from hypothesis import strategies as st

from kitwright.solve.belief import Network, Seen, Variable

Faults = tuple[str, ...]


class Model(NamedTuple):
    """A network in exact fractions."""

    priors: Mapping[str, Fraction]
    bases: Mapping[str, tuple[Fraction, ...]]
    links: Mapping[tuple[str, str], tuple[Fraction, ...]]
    most: int

    def network(self) -> Network[str, str]:
        variables = {variable: Variable(base) for variable, base in self.bases.items()}
        return Network(self.priors, variables, self.links, most_faults=self.most)

    def sets(self) -> Iterator[Faults]:
        for vector in product((False, True), repeat=len(self.priors)):
            faults = tuple(f for f, there in zip(sorted(self.priors), vector, strict=True) if there)
            if len(faults) <= self.most:
                yield faults

    def prior(self, faults: Faults) -> Fraction:
        return prod(
            (chance if fault in faults else 1 - chance for fault, chance in self.priors.items()),
            start=Fraction(1),
        )

    def levels(self, variable: str, faults: Faults, power: SupportsFloat = 1) -> list[Fraction]:
        """Return the chance of each level: where the highest of what each cause drives it to is."""
        causes = [self.bases[variable]]
        causes += [
            self.links[fault, variable] for fault in faults if (fault, variable) in self.links
        ]
        causes = [flattened(cause, power) for cause in causes]
        chances = [Fraction(0)] * len(self.bases[variable])
        for driven in product(*(range(len(cause)) for cause in causes)):
            chances[max(driven)] += prod(
                (cause[level] for cause, level in zip(causes, driven, strict=True)),
                start=Fraction(1),
            )
        return chances

    def weights(self, seen: Sequence[Seen[str]]) -> dict[Faults, float]:
        """Return the weight of each set: the full joint, added up over all that was not seen."""
        level_of = {one.variable: one.level for one in seen}
        power_of = {one.variable: one.power for one in seen}
        found = {}
        for faults in self.sets():
            tables = {
                variable: self.levels(variable, faults, power_of.get(variable, 1))
                for variable in self.bases
            }
            weight = self.prior(faults) * sum(
                prod(
                    (
                        tables[variable][level]
                        for variable, level in zip(tables, world, strict=True)
                    ),
                    start=Fraction(1),
                )
                for world in product(*(range(len(table)) for table in tables.values()))
                if all(
                    level_of.get(variable, level) == level
                    for variable, level in zip(tables, world, strict=True)
                )
            )
            found[faults] = float(weight)
        return found


def flattened(cause: tuple[Fraction, ...], power: SupportsFloat) -> tuple[Fraction, ...]:
    """Return a distribution with each chance raised to a power, with a sum of one again."""
    if float(power) == 1:
        return cause
    raised = [Fraction(float(chance) ** float(power)) for chance in cause]
    return tuple(chance / sum(raised) for chance in raised)


Case = tuple[Model, list[Seen[str]]]


def distributions(levels: int, most: int = 9) -> st.SearchStrategy[tuple[Fraction, ...]]:
    shares = st.lists(st.integers(0, most), min_size=levels, max_size=levels).filter(any)
    return shares.map(lambda one: tuple(Fraction(share, sum(one)) for share in one))


@st.composite
def models(draw: st.DrawFn, most: int = 9) -> Model:
    faults = "abcd"[: draw(st.integers(0, 4))]
    sizes = {variable: draw(st.integers(1, 3)) for variable in "uvw"[: draw(st.integers(1, 3))]}
    pairs = [(fault, variable) for fault in faults for variable in sizes]
    linked = draw(st.lists(st.sampled_from(pairs), unique=True)) if pairs else []
    return Model(
        {fault: Fraction(draw(st.integers(0, 19)), 20) for fault in faults},
        {variable: draw(distributions(levels, most)) for variable, levels in sizes.items()},
        {pair: draw(distributions(sizes[pair[1]], most)) for pair in linked},
        len(faults),
    )


POWERS: st.SearchStrategy[SupportsFloat] = st.sampled_from([1.0, 0.5, 0.25, Decimal("0.3")])


@st.composite
def cases(draw: st.DrawFn, most: int = 9) -> Case:
    """Draw a model and observations of it, which may clash; the more, the lower `most` is."""
    model = draw(models(most))
    variables = draw(st.lists(st.sampled_from(sorted(model.bases)), unique=True))
    return model, [
        Seen(variable, draw(st.integers(0, len(model.bases[variable]) - 1)), draw(POWERS))
        for variable in variables
    ]


@st.composite
def possible_cases(draw: st.DrawFn) -> Case:
    """Draw a model and observations of it that some set allows."""
    model, seen = draw(cases())
    assume(sum(model.weights(seen).values()) > 0)
    return model, seen


def fractions(*texts: str) -> tuple[Fraction, ...]:
    return tuple(map(Fraction, texts))


SMALL = Model(
    {"a": Fraction("0.1"), "b": Fraction("0.2"), "c": Fraction("0.05")},
    {"u": fractions("0.9", "0.1"), "v": fractions("0.7", "0.2", "0.1")},
    {
        ("a", "u"): fractions("0.2", "0.8"),
        ("a", "v"): fractions("0.1", "0.3", "0.6"),
        ("b", "u"): fractions("0.4", "0.6"),
        ("c", "v"): fractions("0.5", "0.5", "0"),
    },
    3,
)
