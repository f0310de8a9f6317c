"""catalog/README.md names every field of every file, and no other."""

import re
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from typing import Any, get_args

import msgspec

from kitwright.catalogue.checks.items import CONSUMABLE_UNITS
from kitwright.catalogue.load import FILES, FOLDERS
from kitwright.catalogue.model import FileHead
from kitwright.catalogue.offers import COLUMNS
from kitwright.units import REC20

ROW = re.compile(r"\| `(\w+)` \| (.*?) \| (.*?) \| (.*?) \|")

Cells = tuple[str, str, str]


def tables_of(text: str) -> dict[str, dict[str, Cells]]:
    """Return the cells of every field, by the heading before the table and the field's name."""
    tables: dict[str, dict[str, Cells]] = {}
    heading = ""
    for line in text.splitlines():
        if line.startswith("#"):
            heading = line.lstrip("# ")
        elif match := ROW.fullmatch(line):
            name, form, left_out, meaning = match.groups()
            tables.setdefault(heading, {})[name] = (form, left_out, meaning)
    return tables


def types_in(kind: Any) -> Iterator[Any]:
    """Yield a type and everything it is made of."""
    yield kind
    for inner in get_args(kind):
        yield from types_in(inner)


def structs_of(kind: type[msgspec.Struct]) -> Iterator[type[msgspec.Struct]]:
    """Yield a struct and every struct below it."""
    yield kind
    for field in msgspec.structs.fields(kind):
        for inner in types_in(field.type):
            if isinstance(inner, type) and issubclass(inner, msgspec.Struct):
                yield from structs_of(inner)


ROOTS: tuple[type[msgspec.Struct], ...] = (FileHead, *FOLDERS.values(), *FILES.values())

STRUCTS = {found.__name__: found for root in ROOTS for found in structs_of(root)}


def test_readme_has_every_field_of_every_record_and_no_other(starter_folder: Path) -> None:
    tables = tables_of((starter_folder / "README.md").read_text(encoding="utf-8"))

    assert {name: list(rows) for name, rows in tables.items()} == {
        name: [field.encode_name for field in msgspec.structs.fields(kind)]
        for name, kind in STRUCTS.items()
    }


def test_readme_says_what_is_required_and_what_else_is_meant(starter_folder: Path) -> None:
    tables = tables_of((starter_folder / "README.md").read_text(encoding="utf-8"))

    for name, kind in STRUCTS.items():
        for field in msgspec.structs.fields(kind):
            place = f"{name}.{field.encode_name}"
            _, left_out, meaning = tables[name][field.encode_name]
            assert (left_out == "required") is field.required, place
            assert meaning.strip(), place
            if isinstance(field.default, bool | int | Enum):
                word = field.default.value if isinstance(field.default, Enum) else field.default
                assert left_out.strip("`").lower() == str(word).lower(), place


def test_readme_lists_every_choice_and_every_record_below(starter_folder: Path) -> None:
    tables = tables_of((starter_folder / "README.md").read_text(encoding="utf-8"))

    for name, kind in STRUCTS.items():
        for field in msgspec.structs.fields(kind):
            form = tables[name][field.encode_name][0]
            for inner in types_in(field.type):
                if isinstance(inner, type) and issubclass(inner, Enum):
                    choices = {one.value for one in inner}
                    assert choices == set(re.findall(r"`(\w+)`", form)), f"{name}.{field.name}"
                if isinstance(inner, type) and issubclass(inner, msgspec.Struct):
                    link = f"[{inner.__name__}](#{inner.__name__.lower()})"
                    assert link in form, f"{name}.{field.name}"


def test_readme_names_every_file_column_and_unit(starter_folder: Path) -> None:
    text = (starter_folder / "README.md").read_text(encoding="utf-8")
    units = tables_of(text)["Consumable"]["unit"][2]

    for folder in FOLDERS:
        assert f"`{folder}/ID.toml`" in text
    for file in FILES:
        assert f"| `{file}` |" in text
    assert f"`{','.join(COLUMNS)}`" in text
    assert tuple(re.findall(r"`(\w+)`", units)) == CONSUMABLE_UNITS
    assert REC20.keys() >= set(CONSUMABLE_UNITS)
