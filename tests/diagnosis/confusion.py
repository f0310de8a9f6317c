"""What the rules take each row for, and what one wrong finding makes of the golden rows.

    python -m tests.diagnosis.confusion

Prints the confusion table (rows: what a row should lead to; columns: what leads; a row that
nothing leads stands under "-"), then how often a single flipped finding makes a wrong diagnosis
probable or confirmed.
"""

from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from tests.diagnosis.rows import Row, assessed, flips, on_family, read_rows

from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Catalogue, Grade
from kitwright.workshop import Workshop

CATALOG = Path(__file__).resolve().parents[2] / "catalog"


def bare(key: str) -> str:
    return key.partition("@")[0]


def confusion(workshop: Workshop, rows: Iterable[Row]) -> Counter[tuple[str, str]]:
    """Return how often what should lead (a pair counts by each) is led by what."""
    counts: Counter[tuple[str, str]] = Counter()
    for row in rows:
        ranked = assessed(workshop, row).diagnosed.ranked
        graded = [one.candidate.key for one in ranked if one.grade is not None]
        led = [row.top] if row.top else list(row.pair)
        for wanted in led or (["-"] if row.none else []):
            taken = wanted if wanted in graded and not row.top else (graded or ["-"])[0]
            counts[bare(wanted), bare(taken)] += 1
    return counts


def wrong_after_flips(
    catalogue: Catalogue, workshop: Workshop, rows: Iterable[Row]
) -> tuple[int, list[tuple[str, str, Grade]]]:
    """Return how many flips there are, and each wrong diagnosis that is probable or confirmed
    after one. Wrong is everything but what the row should lead to.
    """
    tried, wrong = 0, []
    for row in rows:
        for flipped in flips(catalogue, row):
            tried += 1
            for one in assessed(workshop, flipped).diagnosed.ranked:
                is_sure = one.grade in (Grade.probable, Grade.confirmed)
                if one.grade is not None and is_sure and one.candidate.key not in row.right:
                    wrong.append((flipped.id, one.candidate.key, one.grade))
    return tried, wrong


def _table(counts: Counter[tuple[str, str]]) -> None:
    names = sorted({name for pair in counts for name in pair})
    print(" " * 17 + " ".join(f"{number:>3}" for number in range(1, len(names) + 1)))
    for number, name in enumerate(names, start=1):
        cells = (counts[name, other] for other in names)
        print(f"{number:>2} {name:<14}" + " ".join(f"{count or '.':>3}" for count in cells))


def main() -> None:
    catalogue = load_catalogue(CATALOG)
    workshop = Workshop(catalogue, catalogue.shops[min(catalogue.shops)])
    golden = read_rows("golden.toml")
    _table(confusion(workshop, [*golden, *read_rows("cases.toml")]))
    for family in catalogue.families:
        rows = [moved for row in golden if (moved := on_family(row, family))]
        tried, wrong = wrong_after_flips(catalogue, workshop, rows)
        sure = sum(grade is Grade.confirmed for _, _, grade in wrong)
        print(
            f"\n{family}: {tried} single flips, {len(wrong)} wrong probable, {sure} wrong confirmed"
        )
        for flipped, key, grade in wrong:
            print(f"  {flipped}: {key} {grade.value}")


if __name__ == "__main__":
    main()
