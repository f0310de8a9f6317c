"""The examples in docstrings are true."""

import doctest
import importlib
import pkgutil

import pytest

import kitwright


def modules() -> list[str]:
    found = pkgutil.walk_packages(kitwright.__path__, "kitwright.")
    return [module.name for module in found if module.name != "kitwright.__main__"]


@pytest.mark.parametrize("name", modules())
def test_examples_of_a_module_are_true(name: str) -> None:
    failed, _ = doctest.testmod(importlib.import_module(name), report=True)

    assert failed == 0


def test_there_are_examples() -> None:
    finder = doctest.DocTestFinder(exclude_empty=True)
    found = [
        test
        for name in modules()
        for test in finder.find(importlib.import_module(name))
        if test.examples
    ]
    assert len(found) >= 10
