"""The demo's answers against pencil and paper: `working-*.md` beside this file, where every figure
is explained.
"""

from __future__ import annotations

import json
import re
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from tests.cases.counter import REPOSITORY, Json, answer

HERE = Path(__file__).parent
REQUESTS = REPOSITORY / "demo" / "requests"
FIGURES = re.compile(r"^```toml\n(.*?)^```$", re.DOTALL | re.MULTILINE)
SECTIONS = (
    "jobs",
    "access",
    "access_minutes",
    "labour",
    "needs",
    "questions",
    "from_stock",
    "left_over",
    "lines",
    "taxes",
    "totals",
    "extras",
    "orders",
)


def worked() -> dict[str, Json]:
    """Return the figures at the end of every working, by the demo request that they are of."""
    found: dict[str, Json] = {}
    for path in sorted(HERE.glob("working-*.md")):
        (block,) = FIGURES.findall(path.read_text(encoding="utf-8"))
        found |= {quote.pop("request"): quote for quote in tomllib.loads(block)["quote"]}
    return found


WORKED = worked()


@cache
def told(request: str) -> Json:
    """Return the answer to a demo request, shaped as the figures of a working are."""
    path = REQUESTS / request
    whole = answer(path.parent.name, json.loads(path.read_text(encoding="utf-8")))
    refits = {_place(each, "component"): each["exact_minutes"] for each in whole["access"]["refit"]}
    return {
        "jobs": [
            [_place(each, "job"), each["minutes_alone"], each["minutes_here"]]
            for each in whole["jobs"]
        ],
        "access": [
            [
                _place(each, "component"),
                each["exact_minutes"],
                refits.pop(_place(each, "component")),
            ]
            for each in whole["access"]["remove"]
        ],
        "access_minutes": whole["access"]["exact_minutes"],
        "labour": [
            [each["labour_class"], each["exact_minutes"], each["billed_minutes"]]
            for each in whole["labour"]
        ],
        "needs": [
            [_place(each, "role"), each["part"], each["quantity"], each["kind"]]
            for each in whole["kit"]["needs"]
        ],
        "questions": [
            [_place(each, "role"), each["parts"], each["priced"]] for each in whole["questions"]
        ],
        "from_stock": [
            [each["item"], each["quantity"], each["bin"]] for each in whole["kit"]["from_stock"]
        ],
        "left_over": [[each["item"], each["quantity"]] for each in whole["kit"]["left_over"]],
        "lines": [_line(each) for each in whole["lines"]],
        "taxes": [
            [each["component"], each["rate"], each["base"]["amount"], each["amount"]["amount"]]
            for each in whole["taxes"]
        ],
        "totals": {
            name: whole["totals"][name]["amount"]
            for name in ("lines", "net", "tax", "gross", "payable", "deposit")
        },
        "extras": [
            [each["job"], each["cylinders"], each["price"]["amount"], each["minutes"]]
            for each in whole["extras"]
        ],
        "orders": [_order(each) for each in whole["orders"]],
    }


def _place(record: Json, name: str) -> str:
    """Return an instance id: `head@1` on a cylinder, `muffler` on the engine."""
    cylinder = record["cylinder"]
    return record[name] if cylinder is None else f"{record[name]}@{cylinder}"


def _line(line: Json) -> list[str]:
    code = _place(line, "code")
    if line["labour_class"] is not None:
        code = f"{code} {line['labour_class']}"
    return [line["kind"], code, *(line[name]["amount"] for name in ("net", "tax", "gross"))]


def _order(order: Json) -> dict[str, Any]:
    return {
        "supplier": order["supplier"],
        "lines": [
            [
                line["sku"],
                line["item"],
                line["packs"],
                line["unit_cost"],
                line["net"]["amount"],
                line["promised"],
            ]
            for line in order["lines"]
        ],
        "goods": order["goods"]["amount"],
        "fees": [[fee["code"], fee["amount"]["amount"]] for fee in order["fees"]],
        "freight": order["freight"]["amount"],
        "net": order["net"]["amount"],
        "promised": order["promised"],
    }


@pytest.mark.parametrize("section", SECTIONS)
@pytest.mark.parametrize("request_file", sorted(WORKED))
def test_preview_agrees_with_the_working(request_file: str, section: str) -> None:
    by_hand = WORKED[request_file][section]

    shown = told(request_file)[section]

    # what the work uses stands in no order that matters
    if section == "needs":
        by_hand, shown = sorted(by_hand), sorted(shown)
    assert shown == by_hand


def test_workings_cover_every_quote_of_the_demo() -> None:
    requests = {path.relative_to(REQUESTS).as_posix() for path in REQUESTS.glob("*/*.json")}

    assert set(WORKED) == requests


@pytest.mark.parametrize("request_file", sorted(WORKED))
def test_workings_work_out_every_section(request_file: str) -> None:
    assert set(WORKED[request_file]) == set(SECTIONS)
