import msgspec
import pytest
from tests.stages.workbench import BOTH_HEADS, figure, job, quote, starter

from kitwright.catalogue.model import ChargeKind, JobId, Quality, RoleId
from kitwright.language.render import Speaker
from kitwright.stages.request import (
    FloorChange,
    FreeLine,
    LineRef,
    MinutesOverride,
    PriceOverride,
    RequestRefused,
    Terms,
)
from kitwright.telling import tell_quote

NEGATIVE = [
    Terms(
        overrides=(
            PriceOverride(
                line=LineRef(code="V68-F-801"), unit_price=figure("-5000"), reason="r", by="b"
            ),
        )
    ),
    Terms(
        free_lines=(
            FreeLine(
                description="Credit",
                kind=ChargeKind.part,
                quantity=figure("1"),
                unit="piece",
                unit_price=figure("-5000"),
                reason="r",
                by="b",
            ),
        )
    ),
]


@pytest.mark.parametrize("terms", NEGATIVE)
def test_adjust_lines_refuses_a_price_below_zero(terms: Terms) -> None:
    # a reduction is a discount, which is capped, named and follows its line's tax
    with pytest.raises(RequestRefused) as raised:
        quote(starter(), jobs=BOTH_HEADS, terms=terms)
    (fault,) = raised.value.faults
    assert fault.path[1:] == (0, "unit_price")


EXPLAINED = [
    Terms(
        overrides=(
            MinutesOverride(
                job=JobId("J-HEAD-GASKET"), cylinder=1, minutes=60, reason="Agreed", by="Ida"
            ),
        )
    ),
    Terms(
        floors=(
            FloorChange(
                role=RoleId("head_gasket"), quality=Quality.alternate, reason="Agreed", by="Ida"
            ),
        )
    ),
]


@pytest.mark.parametrize("terms", EXPLAINED)
def test_quote_repair_tells_the_reason_and_the_name_of_every_change(terms: Terms) -> None:
    found = quote(starter(), jobs=BOTH_HEADS, terms=terms)
    told = msgspec.json.encode(tell_quote(found, Speaker(starter(), "en"), catalogue=starter()))
    assert b"Agreed" in told
    assert b"Ida" in told


def test_allot_labour_keeps_the_bench_minimum_beside_an_override_of_one_job() -> None:
    plugs = (job("J-PLUG", 1), job("J-PLUG", 2))
    override = MinutesOverride(job=JobId("J-PLUG"), cylinder=1, minutes=3, reason="r", by="b")
    found = quote(starter(), jobs=plugs, terms=Terms(overrides=(override,)))
    assert found.repair.labour.billed == 30
