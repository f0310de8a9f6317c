"""Minutes of machines that nobody has published times for: from their fasteners."""

from fractions import Fraction

from msgspec import structs
from tests.stages.small import catalogue_of, family, part_of, shop
from tests.stages.workbench import quote, starter

from kitwright.catalogue.model import (
    ChassisId,
    Component,
    Element,
    ElementId,
    ElementTime,
    FamilyId,
    JobId,
)
from kitwright.language.render import Speaker
from kitwright.stages.request import AskedJob, Rust
from kitwright.stages.work import AccessPlan, Teardown
from kitwright.units import read_figure

WASHER = {
    "family": FamilyId("QM-H27"),
    "serial": 2140077,
    "build_code": "1407",
    "chassis": ChassisId("OS-PW27"),
}
BOLT, HOSE = ElementId("bolt"), ElementId("hose")


def teardown(*elements: Element, **changes: object) -> tuple[Fraction, Fraction]:
    """Return the minutes of removing and refitting a component of some elements."""
    plain = part_of("a", 0)
    component: Component = structs.replace(
        plain, remove_minutes=None, refit_minutes=None, elements=elements
    )
    labour = structs.replace(
        shop().labour,
        elements={
            BOLT: ElementTime(remove=read_figure("0.5"), refit=read_figure("0.75")),
            HOSE: ElementTime(remove=read_figure("1"), refit=read_figure("2")),
        },
        **changes,
    )
    small = family()
    catalogue = catalogue_of(component, of=small)
    found = Teardown(catalogue, structs.replace(shop(), labour=labour), small, None)
    minutes = found.ways(Rust.none, is_out=False).minutes["a"]
    return minutes.remove, minutes.refit


def test_minutes_of_elements_are_their_counts_at_the_shop_s_times() -> None:
    bolts, hose = Element(kind=BOLT, count=4), Element(kind=HOSE)

    assert teardown(bolts, hose) == (Fraction(3), Fraction(5))


def test_minutes_of_awkward_elements_take_the_shop_s_factor() -> None:
    bolts = Element(kind=BOLT, count=4, awkward=True)

    assert teardown(bolts, awkward_factor=read_figure("1.5")) == (Fraction(3), Fraction(9, 2))


def test_quote_says_which_minutes_follow_from_fasteners_and_how_far_they_may_be_off() -> None:
    found = quote(starter(), **WASHER, jobs=(AskedJob(JobId("J-PTO-SEAL"), None),))
    access: AccessPlan = found.repair.plan
    (pump,) = (row for row in access.removals if row.instance.id == "pump_off")
    (note,) = found.notes

    assert (pump.remove, pump.refit) == (Fraction("6.8"), Fraction("8.5"))  # the family's ratio
    assert note.facts == {"minutes": 15, "percent": read_figure("30")}
    told = Speaker(starter(), "en").sentence(note)
    assert told.startswith("No times are published for this machine. 15 min of this quote follow")
    assert "30% more or less" in told


def test_quote_of_a_machine_with_times_says_nothing_of_fasteners() -> None:
    asked = {**WASHER, "chassis": ChassisId("PW-G5")}
    found = quote(starter(), **asked, jobs=(AskedJob(JobId("J-OIL"), None),))

    assert found.notes == ()
