"""How often what is said of drawn benches is true.

    python -m tests.diagnosis.calibration [BENCHES] [--seed N]

Draws benches: faults by their priors, then the findings of the basic tests and of half of the
others by the rules' own distributions. Each bench is assessed, and what was said is held against
the faults that were drawn. Prints, for benches drawn from the rules as they are and from rules
whose odds are off by up to a third each (so that the rules do not only grade themselves), the
probabilities said beside the share that was true, and for each grade, fault by fault, how many
were wrong.
"""

import argparse
import random
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from msgspec import Struct
from tests.diagnosis.rows import Row, asked

from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Catalogue, Diagnosis, Family, Grade, JobScope
from kitwright.stages.finding import read_findings
from kitwright.stages.finding.diagnosis import Diagnosed, diagnose
from kitwright.workshop import Workshop

CATALOG = Path(__file__).resolve().parents[2] / "catalog"
OFF_BY = 1 / 3
BIN = 0.1


class Bench(Struct, frozen=True):
    """The faults that a drawn bench has, by instance id, and what is seen on it."""

    faults: frozenset[str]
    row: Row


class Truth:
    """The rules as benches are drawn from them: as they are, or each of their odds off a little."""

    def __init__(self, catalogue: Catalogue, family: Family, chance: random.Random, off: float):
        rules = catalogue.rules
        self._chance, self._off, self._family = chance, off, family
        self._tests = rules.test
        self._kinds = {kind.id: kind for kind in rules.finding}
        self._base = {kind.id: self._spread(kind.base) for kind in rules.finding}
        self._faults = [
            (one, cylinder, self._spread((1 - float(one.prior), float(one.prior)))[1])
            for one in rules.diagnosis
            for cylinder in self._places(one.scope)
        ]
        self._links = {
            one.code: {
                name: self._spread(link) for name, link in self._links_of(one, family).items()
            }
            for one in rules.diagnosis
        }

    @staticmethod
    def _links_of(one: Diagnosis, family: Family) -> Mapping[str, Sequence[object]]:
        links: dict[str, Sequence[object]] = dict(one.links)
        for flagged in one.links_if:
            if flagged.flag in family.flags:
                links |= flagged.links
        return links

    def _spread(self, shares: Iterable[object]) -> list[float]:
        """Return a distribution with each of its odds off by up to a third."""
        moved = [
            float(str(share)) * (1 + self._off) ** self._chance.uniform(-1, 1) for share in shares
        ]
        return [share / sum(moved) for share in moved]

    def _places(self, scope: JobScope) -> tuple[int | None, ...]:
        return (None,) if scope is JobScope.engine else tuple(range(1, self._family.cylinders + 1))

    def benches(self, count: int) -> Iterator[Bench]:
        for number in range(count):
            faults = [each for each in self._faults if self._chance.random() < each[2]]
            row = Row(id=str(number), given=dict(self._seen(faults)), family=self._family.id)
            yield Bench(frozenset(_key(one.code, cylinder) for one, cylinder, _ in faults), row)

    def _seen(
        self, faults: Sequence[tuple[Diagnosis, int | None, float]]
    ) -> Iterator[tuple[str, str]]:
        for test in self._tests:
            scopes = {self._kinds[name].scope for name in test.yields}
            for place in (None,) if JobScope.engine in scopes else self._places(JobScope.cylinder):
                if test.is_basic or self._chance.random() < 0.5:
                    for name in test.yields:
                        kind = self._kinds[name]
                        spots = [place] if place is not None else self._places(kind.scope)
                        for spot in spots:
                            yield _key(name, spot), kind.levels[self._level(name, spot, faults)]

    def _level(
        self, name: str, spot: int | None, faults: Sequence[tuple[Diagnosis, int | None, float]]
    ) -> int:
        spreads = [self._base[name]]
        for one, cylinder, _ in faults:
            link = self._links[one.code].get(name)
            if link is not None and (None in (cylinder, spot) or cylinder == spot):
                spreads.append(link)
        return max(
            self._chance.choices(range(len(spread)), weights=spread)[0] for spread in spreads
        )


class Tally:
    """What was said of many benches, and how much of it was true."""

    def __init__(self) -> None:
        self.said: Counter[int] = Counter()
        self.sum: Counter[int] = Counter()
        self.true: Counter[int] = Counter()
        self.graded: Counter[tuple[Grade, str, bool]] = Counter()
        self.quoted: Counter[bool] = Counter()

    def add(self, bench: Bench, diagnosed: Diagnosed) -> None:
        for one in diagnosed.ranked:
            is_true = one.candidate.key in bench.faults
            bin_ = int(float(one.probability) / BIN)
            self.said[bin_] += 1
            self.sum[bin_] += float(one.probability)  # type: ignore[assignment]
            self.true[bin_] += is_true
            if one.grade is not None:
                self.graded[one.grade, one.code, is_true] += 1
            if one.is_quotable:
                self.quoted[is_true] += 1

    def count(self, grade: Grade, code: str | None = None) -> tuple[int, int]:
        """Return how many diagnoses were given a grade, and how many of these were wrong."""
        right, wrong = (
            sum(
                count
                for (given, named, was), count in self.graded.items()
                if given is grade and was is is_true and code in (None, named)
            )
            for is_true in (True, False)
        )
        return right + wrong, wrong

    def off(self, fewest: int = 200) -> float:
        """Return how far what was said lies from what was true, at the most, in any bin of
        probabilities that was said often enough.
        """
        return max(
            abs(self.sum[bin_] - self.true[bin_]) / count
            for bin_, count in self.said.items()
            if count >= fewest
        )


def tally(workshop: Workshop, family: Family, count: int, seed: int, off: float) -> Tally:
    """Return what is said of so many drawn benches of a family. The same seed draws the same."""
    catalogue, found = workshop.catalogue, Tally()
    truth = Truth(catalogue, family, random.Random(seed), off)
    for bench in truth.benches(count):
        findings = read_findings(catalogue, asked(bench.row))
        found.add(bench, diagnose(catalogue, workshop.shop, workshop.odds(findings), findings))
    return found


def merged(tallies: Iterable[Tally]) -> Tally:
    whole = Tally()
    for one in tallies:
        for name in ("said", "sum", "true", "graded", "quoted"):
            getattr(whole, name).update(getattr(one, name))
    return whole


def _key(name: str, place: int | None) -> str:
    return name if place is None else f"{name}@{place}"


def _print(found: Tally, catalogue: Catalogue, benches: int) -> None:
    print(f"  {'said':>6} {'true':>6} {'times':>7}")
    for bin_ in sorted(found.said):
        count = found.said[bin_]
        print(f"  {found.sum[bin_] / count:6.3f} {found.true[bin_] / count:6.3f} {count:7}")
    print(f"  furthest off {found.off():.3f}; quoted {sum(found.quoted.values())}, ", end="")
    print(f"of which wrong {_share(found.quoted[False], sum(found.quoted.values()))}")
    for grade in Grade:
        count, wrong = found.count(grade)
        print(f"  {grade.value}: {count} in {benches} benches, wrong {_share(wrong, count)}")
    print(f"  {'':<16}" + "".join(f"{grade.value:>20}" for grade in Grade))
    for code in catalogue.diagnoses:
        cells = []
        for grade in Grade:
            count, wrong = found.count(grade, code)
            cells.append(f"{count:>12} {_share(wrong, count):>7}")
        print(f"  {code:<16}" + "".join(cells))


def _share(part: int, whole: int) -> str:
    return f"{part / whole:.1%}" if whole else "-"


def main(benches: int, seed: int) -> None:
    catalogue = load_catalogue(CATALOG)
    workshop = Workshop(catalogue, catalogue.shops[min(catalogue.shops)])
    each = benches // len(catalogue.families)
    for name, off in (("the rules as they are", 0.0), ("odds off by up to a third", OFF_BY)):
        print(f"\nBenches drawn from {name}, {each} of each family:")
        found = merged(
            tally(workshop, family, each, seed + number, off)
            for number, family in enumerate(catalogue.families.values())
        )
        _print(found, catalogue, each * len(catalogue.families))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("benches", nargs="?", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    main(chosen.benches, chosen.seed)
