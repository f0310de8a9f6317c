"""Covers and purchases against the published optima of set-covering instances.

Source: J. E. Beasley's OR-Library, instances scp41 to scp45 (200 rows to cover, 1000 columns) and
their optimal values.
"""

from pathlib import Path

from kitwright.solve.buying import Need, Offer, Price, least_purchase
from kitwright.solve.cover import Pack, least_cover

OPTIMA = {"scp41": 429, "scp42": 512, "scp43": 516, "scp44": 494, "scp45": 512}


def read_instance(file: Path) -> tuple[dict[int, int], list[Pack[int, int]]]:
    """Return the rows as needs of one each, and the columns as packs.

    The format: the numbers of rows and columns, the cost of each column, and then for each row
    the number of columns that cover it and these columns, counted from one.
    """
    numbers = iter([int(word) for word in file.read_text().split()])
    rows, columns = next(numbers), next(numbers)
    costs = [next(numbers) for _ in range(columns)]
    holds: list[dict[int, int]] = [{} for _ in range(columns)]
    for row in range(rows):
        for _ in range(next(numbers)):
            holds[next(numbers) - 1][row] = 1
    assert next(numbers, None) is None
    packs = [
        Pack(id=number, holds=each, cost=cost)
        for number, (each, cost) in enumerate(zip(holds, costs, strict=True), start=1)
    ]
    return dict.fromkeys(range(rows), 1), packs


def test_least_cover_reaches_the_published_optima(shared: Path) -> None:
    """Needs the instances themselves; `tests/solve` has others of their size, with an oracle."""
    for name, optimum in OPTIMA.items():
        needs, packs = read_instance(shared / "vectors" / "orlib" / f"{name}.txt")

        cover = least_cover(needs, packs)

        taken = dict(cover.packs)
        assert cover.cost == optimum, name
        assert cover.is_proven, name
        assert sum(pack.cost for pack in packs if pack.id in taken) == optimum, name
        assert needs.keys() == {row for pack in packs if pack.id in taken for row in pack.holds}
        assert least_cover(needs, packs, unaided_steps=0) == cover, name


def test_least_purchase_reaches_the_published_optima(shared: Path) -> None:
    """Each row is a need, and each column an offer of one pack that holds its rows."""
    for name, optimum in OPTIMA.items():
        needs, packs = read_instance(shared / "vectors" / "orlib" / f"{name}.txt")

        purchase = least_purchase(
            [Need(id=row, count=count, kinds=frozenset({row})) for row, count in needs.items()],
            [
                Offer(id=pack.id, seller=0, holds=pack.holds, prices=(Price(each=pack.cost),))
                for pack in packs
            ],
            {},
        )

        taken = dict(purchase.packs)
        assert purchase.cost == optimum, name
        assert purchase.is_least, name
        assert sum(pack.cost for pack in packs if pack.id in taken) == optimum, name
        assert needs.keys() == {row for pack in packs if pack.id in taken for row in pack.holds}
