"""Published rules on overruns, worked with figures: what a bill may be over the estimate.

Each case names its source and how well it was read: "read" (the text), "excerpt" (a part of it),
"secondary" (somebody who tells of it), "archived" (a kept copy of a page). The figures are
computed from the rule.
"""

from pathlib import Path

import pytest

from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import HowRead, OverrunId, OverrunPreset
from kitwright.keeping.overrun import allowance
from kitwright.money import Money
from kitwright.units import read_figure

PRESETS = load_catalogue(Path(__file__).resolve().parents[2] / "catalog").overruns


def preset(name: str, *, read: HowRead) -> OverrunPreset:
    """Return a preset of the starter catalogue that says its source was read so well."""
    found = PRESETS[OverrunId(name)]
    assert found.read is read
    return found


def allowed(rule: OverrunPreset, estimate: str, currency: str = "USD") -> str:
    return allowance(rule, Money.of(read_figure(estimate), currency)).amount_text


@pytest.mark.parametrize(
    ("estimate", "over"),
    [
        ("20.00", "0.00"),
        ("25.00", "0.00"),
        ("25.01", "5.00"),
        ("30.00", "5.00"),
        ("50.00", "5.00"),
        ("80.00", "8.00"),
        ("80.09", "8.00"),
        ("1000.00", "100.00"),
    ],
)
def test_ohio_allows_five_dollars_or_ten_per_cent(estimate: str, over: str) -> None:
    # Ohio Administrative Code 109:4-3-05 (excerpt): repairs over 25 USD; the greater of the two.
    rule = preset("ohio-repairs", read=HowRead.excerpt)

    assert allowed(rule, estimate) == over


@pytest.mark.parametrize(
    ("estimate", "over"),
    [
        ("60.00", "10.00"),
        ("100.00", "10.00"),
        ("200.00", "20.00"),
        ("500.00", "50.00"),
        ("900.00", "50.00"),
    ],
)
def test_florida_allows_ten_dollars_or_ten_per_cent_up_to_fifty(estimate: str, over: str) -> None:
    # Florida Statutes 559.909 (read): motor vehicles; the greater of the two, 50 USD at most.
    rule = preset("florida-vehicles", read=HowRead.read)

    assert allowed(rule, estimate) == over


@pytest.mark.parametrize("estimate", ["5.00", "60.00", "900.00"])
def test_massachusetts_allows_ten_dollars(estimate: str) -> None:
    # Massachusetts 940 CMR 5.05 (secondary): motor vehicles.
    rule = preset("massachusetts-vehicles", read=HowRead.secondary)

    assert allowed(rule, estimate) == "10.00"


@pytest.mark.parametrize("estimate", ["5.00", "60.00", "900.00"])
def test_california_allows_nothing_without_consent(estimate: str) -> None:
    # California 16 CCR 2722 (read): appliances; what a consent's record holds.
    rule = preset("california-appliances", read=HowRead.read)

    assert allowed(rule, estimate) == "0.00"
    assert rule.record == ("date", "time", "name", "number", "added_parts", "labour", "cost")


@pytest.mark.parametrize(
    ("estimate", "over"), [("60.00", "6.00"), ("123.45", "12.34"), ("900.00", "90.00")]
)
def test_ontario_allows_ten_per_cent(estimate: str, over: str) -> None:
    # Ontario, Consumer Protection Act, 2002, part VI (archived): vehicles, of the written estimate.
    rule = preset("ontario-vehicles", read=HowRead.archived)

    assert allowed(rule, estimate, "CAD") == over
