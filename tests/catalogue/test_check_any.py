"""Whatever an editor's slip makes of a file, it ends in errors and never in a crash."""

import re
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest

from kitwright.catalogue.check import check_catalogue
from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.problems import CatalogueUnreadable

LITERAL = re.compile(r'"[^"\n]*"|\b\d+\b')


def slip(text: str, chance: Random) -> str:
    """Return the text with a line lost or doubled, or a literal taken for another of the file."""
    if chance.random() < 0.2:
        lines = text.splitlines(keepends=True)
        index = chance.randrange(len(lines))
        return "".join(
            lines[:index] + lines[index + 1 :] + lines[index : index + 1] * chance.choice([0, 1])
        )
    found = list(LITERAL.finditer(text))
    one, other = chance.choice(found), chance.choice(found)
    return text[: one.start()] + other.group() + text[one.end() :]


@pytest.mark.parametrize("seed", range(4))
def test_check_catalogue_survives_any_slip(edited: Callable[..., Path], seed: int) -> None:
    chance = Random(seed)
    folder = edited()
    files = sorted(path for path in folder.rglob("*") if path.suffix in {".toml", ".csv"})

    for _ in range(15):
        path = chance.choice(files)
        before = path.read_text(encoding="utf-8")
        path.write_text(slip(before, chance), encoding="utf-8")
        try:
            problems = check_catalogue(load_catalogue(folder))
        except CatalogueUnreadable as error:
            problems = error.problems
        assert all(problem.file and problem.code and problem.message for problem in problems)
        path.write_text(before, encoding="utf-8")
