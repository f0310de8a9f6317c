"""The starter catalogue, and copies of it to break."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Catalogue

STARTER = Path(__file__).resolve().parents[2] / "catalog"

Edit = tuple[str, str, str]
"""A file, a text that stands there, and what to put in the place of its first occurrence."""


@pytest.fixture(scope="session")
def starter_folder() -> Path:
    return STARTER


@pytest.fixture(scope="session")
def starter() -> Catalogue:
    return load_catalogue(STARTER)


@pytest.fixture
def edited(tmp_path: Path) -> Callable[..., Path]:
    """Return a function that copies the starter catalogue and edits the copy's texts; in place of
    nothing, a new file is made.
    """

    def edit(*edits: Edit) -> Path:
        folder = tmp_path / "catalog"
        shutil.copytree(STARTER, folder)
        for file, old, new in edits:
            text = (folder / file).read_text(encoding="utf-8") if old else ""
            assert old in text, f"{file} does not hold {old!r}"
            (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")
        return folder

    return edit
