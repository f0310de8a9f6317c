import ast
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

import kitwright.catalogue.check
from kitwright.catalogue.check import check_catalogue
from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Catalogue, ShopId


class Case(NamedTuple):
    """A way to break the starter catalogue, and the problem that must be found."""

    code: str
    file: str
    record: str
    edits: tuple[tuple[str, str, str], ...]
    along_with: frozenset[str]


def read_cases() -> list[Case]:
    path = Path(__file__).with_name("broken.toml")
    return [
        Case(
            code=row["code"],
            file=row["file"],
            record=row["record"],
            edits=tuple((file, old, new) for file, old, new in row["edits"]),
            along_with=frozenset(row.get("along_with", ())),
        )
        for row in tomllib.loads(path.read_text(encoding="utf-8"))["case"]
    ]


CASES = read_cases()


def test_check_catalogue_finds_nothing_in_the_starter_catalogue(starter: Catalogue) -> None:
    assert check_catalogue(starter) == ()


@pytest.mark.parametrize("broken", CASES, ids=lambda one: f"{one.code} {one.record}")
def test_check_catalogue_names_the_one_problem(edited: Callable[..., Path], broken: Case) -> None:
    problems = check_catalogue(load_catalogue(edited(*broken.edits)))

    found = [(problem.code, problem.file, problem.record) for problem in problems]
    assert {code for code, _, _ in found} - broken.along_with == {broken.code}, "\n".join(
        map(str, problems)
    )
    assert any(
        file == broken.file and record.partition(" [")[0] == broken.record.partition(" [")[0]
        for _, file, record in found
    ), "\n".join(map(str, problems))


@pytest.mark.parametrize(
    ("shop", "preset"),
    [
        ("hire-yard", "florida-vehicles"),
        ("hire-yard", "california-appliances"),
        ("orchard", "california-appliances"),
        ("orchard", "ontario-vehicles"),
    ],
)
def test_check_catalogue_lets_a_shop_choose_an_overrun_preset(
    edited: Callable[..., Path], shop: str, preset: str
) -> None:
    line = 'language = "en"\n'
    chosen = load_catalogue(edited((f"shops/{shop}.toml", line, f'{line}overrun = "{preset}"\n')))

    assert chosen.shops[ShopId(shop)].overrun == preset
    assert check_catalogue(chosen) == ()


def test_every_code_of_a_problem_has_a_case() -> None:
    rooms = Path(kitwright.catalogue.check.__file__).parent
    codes = {"reference-malformed"}
    for path in (rooms / "check.py", *(rooms / "checks").glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                codes |= set(re.findall(r"\A[a-z]+(?:-[a-z]+)+\Z|\Acycle\Z", node.value))

    assert codes == {broken.code for broken in CASES}
