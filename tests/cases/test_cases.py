"""Whole quotes of the starter catalogue, each reviewed as a diff.

`NAME.request.json` holds the shop, why the case is here, and the request; `NAME.answer.json` the
whole answer. Makers, shops and prices are invented.
"""

from __future__ import annotations

import json
import os
from difflib import unified_diff
from functools import cache
from pathlib import Path

import pytest
from tests.cases.counter import REPOSITORY, Json, answer, written

from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import LOOSE, Catalogue, Scope
from kitwright.stages.request import Debris, Rust

CASES = Path(__file__).parent
NAMES = sorted(path.name.removesuffix(".request.json") for path in CASES.glob("*.request.json"))


def case(name: str) -> Json:
    read: Json = json.loads((CASES / f"{name}.request.json").read_text(encoding="utf-8"))
    return read


def asked() -> list[Json]:
    return [{"shop": case(name)["shop"], **case(name)["request"]} for name in NAMES]


@cache
def starter() -> Catalogue:
    return load_catalogue(REPOSITORY / "catalog")


@pytest.mark.parametrize("name", NAMES)
def test_preview_answers_the_case_as_reviewed(name: str) -> None:
    """Compares whole answers. KITWRIGHT_REWRITE_CASES=1 writes them anew instead: read the diff
    line by line before it is kept.
    """
    given = case(name)
    kept = CASES / f"{name}.answer.json"

    told = written(answer(given["shop"], given["request"])) + "\n"

    if os.environ.get("KITWRIGHT_REWRITE_CASES") == "1":
        kept.write_text(told, encoding="utf-8")
    reviewed = kept.read_text(encoding="utf-8")
    difference = unified_diff(
        reviewed.splitlines(), told.splitlines(), "reviewed", "told", lineterm="", n=4
    )
    assert told == reviewed, "\n".join([name, given["why"], *difference])


def test_cases_have_a_request_for_every_answer() -> None:
    answered = {path.name.removesuffix(".answer.json") for path in CASES.glob("*.answer.json")}

    assert answered == set(NAMES)


def test_cases_say_why_they_are_here_and_name_their_day() -> None:
    assert all(case(name)["why"] and case(name)["request"]["on"] for name in NAMES)


def test_cases_cover_every_family_in_every_chassis_that_carries_it_and_loose() -> None:
    catalogue = starter()
    fitting = {
        (family.id, chassis.id)
        for family in catalogue.families.values()
        for chassis in catalogue.chassis.values()
        if family.layout in chassis.layouts
    }
    loose = {(family, LOOSE) for family in catalogue.families}

    covered = {(each["family"], each.get("chassis")) for each in asked()}

    unnamed = {(family, None) for family in catalogue.families}
    assert covered - unnamed == fitting | loose
    assert covered & unnamed


def test_cases_cover_every_job() -> None:
    sold = {
        job["job"]
        for name in NAMES
        for job in json.loads((CASES / f"{name}.answer.json").read_text(encoding="utf-8"))["jobs"]
    }

    assert sold == set(starter().jobs)


def test_cases_cover_shops_scopes_conditions_and_both_sides_of_every_break() -> None:
    every = asked()
    breaks = {
        (family.id, serial)
        for family in starter().families.values()
        for broken in family.serial_break
        for serial in (broken.at - 1, broken.at, None)
    }

    assert {each["shop"] for each in every} == set(starter().shops)
    assert {each.get("scope", "recommended") for each in every} == set(Scope)
    assert {each.get("condition", {}).get("rust", "none") for each in every} == set(Rust)
    assert {each.get("condition", {}).get("debris", "none") for each in every} == set(Debris)
    assert {(each["family"], each.get("serial")) for each in every} >= breaks
