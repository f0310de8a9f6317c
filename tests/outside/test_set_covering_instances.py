"""Set covering instances of the OR-Library to their published optima.

Source: J. E. Beasley, OR-Library, problem set 4 (files scp41 to scp45), proven optima.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from kitwright.solve.cover import Pack, least_cover

OPTIMA = {"scp41": 429, "scp42": 512, "scp43": 516, "scp44": 494, "scp45": 512}


@pytest.mark.parametrize(("name", "optimum"), OPTIMA.items())
def test_least_cover_reaches_the_published_optimum(shared: Path, name: str, optimum: int) -> None:
    figures = iter(map(int, (shared / "vectors" / "orlib" / f"{name}.txt").read_text().split()))
    rows, columns = next(figures), next(figures)
    costs = [next(figures) for _ in range(columns)]
    holds: list[dict[int, int]] = [{} for _ in range(columns)]
    for row in range(rows):
        for _ in range(next(figures)):
            holds[next(figures) - 1][row] = 1
    packs = [
        Pack(id=place, holds=held, cost=cost)
        for place, (held, cost) in enumerate(zip(holds, costs, strict=True))
        if held
    ]

    assert least_cover(dict.fromkeys(range(rows), 1), packs).cost == optimum
