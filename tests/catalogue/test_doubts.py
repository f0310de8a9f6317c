"""Warnings: what may well be a slip is named, and nothing is refused for it."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from msgspec import structs

from kitwright.catalogue.check import check_catalogue
from kitwright.catalogue.doubts import doubt_catalogue
from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Catalogue
from kitwright.catalogue.problems import Problem, by_cause

TODAY = date(2027, 3, 1)
CSV, YARD, COUNTY = "suppliers/DLWY.csv", "shops/hire-yard.toml", "tax/example-county.toml"
OIL = "CS-OIL,D-OIL-1,Delloway,alternate,4.90"
TAX = '  { valid_from = 2020-01-01, percent = "8" },\n'


def test_doubt_catalogue_finds_nothing_in_the_starter_catalogue(starter: Catalogue) -> None:
    assert doubt_catalogue(starter, TODAY) == ()


def test_doubt_catalogue_names_a_diagnosis_for_which_a_family_has_no_job(
    starter: Catalogue,
) -> None:
    """A component that a layout calls something else takes its jobs away without any error."""
    jobs = {
        key: structs.replace(job, access=("renamed@",)) if key == "J-VALVE-LAP" else job
        for key, job in starter.jobs.items()
    }

    found = doubt_catalogue(structs.replace(starter, jobs=jobs), TODAY)

    assert {one.code for one in found} == {"diagnosis-without-job"}
    assert {one.file for one in found} == {f"families/{family}.toml" for family in starter.families}
    assert {one.message.split(":")[0] for one in found} == {
        "no job for VALVE-IN",
        "no job for VALVE-EX",
    }


@pytest.mark.parametrize(
    ("code", "file", "record", "old", "new"),
    [
        ("cost-above-list", CSV, "offer D-OIL-1", OIL, OIL.replace("4.90", "49.0")),
        ("cost-far-below-list", CSV, "offer D-RTV85", ",7.20,", ",0.72,"),
        ("cost-above-list", YARD, "stock CS-OIL", 'cost = "4.40"', 'cost = "440"'),
        (
            "cost-above-list",
            "suppliers/EBHT.toml",
            "",
            'default_cost_percent = "57"',
            'default_cost_percent = "157"',
        ),
        ("cost-of-zero", CSV, "offer D-RTV85", ",7.20,", ",0,"),
        ("cost-of-zero", YARD, "stock V68-G-101", 'cost = "7.90"', 'cost = "0"'),
        ("cost-of-zero", YARD, "sublet head_resurface", 'cost = "42.00"', 'cost = "0"'),
        ("rate-far-off", YARD, "labour", 'tech = "95.00"', 'tech = "9.50"'),
        ("rate-far-off", YARD, "labour", 'clean = "65.00"', 'clean = "6500"'),
        ("band-far-off", YARD, "parts_price", 'percent = "45"', 'percent = "450"'),
        ("band-far-off", YARD, "parts_price", 'percent = "18"', 'percent = "1.8"'),
        ("rate-far-off", COUNTY, "components sales", 'percent = "8"', 'percent = "80"'),
        (
            "rate-far-off",
            COUNTY,
            "components sales",
            TAX,
            TAX + '  { valid_from = 2027-01-01, percent = "0.8" },\n',
        ),
        ("of-the-future", "jobs.toml", "", "as_of = 2026-11-25", "as_of = 2027-03-02"),
        ("years-old", "jobs.toml", "", "as_of = 2026-11-25", "as_of = 2025-03-01"),
        (
            "nobody-sells",
            "consumables.toml",
            "consumable CS-LAPPASTE",
            "CS-LAPPASTE",
            "CS-LAPPASTE",
        ),
    ],
)
def test_doubt_catalogue_names_what_may_be_a_slip(
    edited: Callable[..., Path], code: str, file: str, record: str, old: str, new: str
) -> None:
    folder = edited((file, old, new))
    if code == "nobody-sells":
        lines = (folder / CSV).read_text(encoding="utf-8").splitlines(keepends=True)
        kept = [line for line in lines if not line.startswith("CS-LAPPASTE")]
        (folder / CSV).write_text("".join(kept), encoding="utf-8")
    catalogue = load_catalogue(folder)
    assert check_catalogue(catalogue) == ()

    found = doubt_catalogue(catalogue, TODAY)

    assert {(one.code, one.file, one.record) for one in found} == {(code, file, record)}


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        (CSV, OIL, OIL.replace("4.90", "8.40")),
        (YARD, 'tech = "95.00"', 'tech = "140.00"'),
        (YARD, 'percent = "18"', 'percent = "10"'),
        (COUNTY, TAX, TAX + '  { valid_from = 2027-01-01, percent = "10.25" },\n'),
        ("jobs.toml", "as_of = 2026-11-25", "as_of = 2027-03-01"),
        ("jobs.toml", "as_of = 2026-11-25", "as_of = 2025-03-02"),
    ],
)
def test_doubt_catalogue_lets_usual_figures_be(
    edited: Callable[..., Path], file: str, old: str, new: str
) -> None:
    assert doubt_catalogue(load_catalogue(edited((file, old, new))), TODAY) == ()


def test_by_cause_tells_many_problems_of_one_cause_once_with_their_number() -> None:
    same = [Problem(file=f"{name}.toml", record="", code="c", message="m") for name in "abcdef"]
    other = Problem(file="a.toml", record="part x", code="c", message="n")

    assert by_cause([same[0], other, *same[1:]]) == (
        "a.toml: m [c]; 6 times, also in b.toml; c.toml; d.toml; ...",
        "a.toml: part x: n [c]",
    )
