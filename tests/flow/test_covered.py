"""What the shop bears: sums of visits some of whose jobs it bears, as quoted and as billed."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from tests.stages.workbench import HIRE_YARD, LATE_V68, MONDAY, ORCHARD, V68, job, starter

from kitwright.catalogue.model import (
    LOOSE,
    ChassisId,
    ContingencyId,
    DiagnosisCode,
    FamilyId,
    LabourBasis,
    RoleId,
)
from kitwright.contingencies import Foresight
from kitwright.flow import quote_repair
from kitwright.language.render import Speaker
from kitwright.money import Money, total
from kitwright.stages.billing import Clocked, Dealt, Used, bill
from kitwright.stages.contingency import Weighed
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import WARRANTY
from kitwright.stages.request import (
    Asked,
    AskedDiagnosis,
    AskedJob,
    AskedPart,
    BackCause,
    ComeBack,
    CoveredJob,
    Discount,
    Ground,
    Terms,
)
from kitwright.telling.statement import agreed_lines
from kitwright.telling.whole import tell_quote
from kitwright.visit import ordered_by
from kitwright.workshop import Workshop

JOBS = (
    job("J-VALVE-EX", 1),
    job("J-HEAD-GASKET", 2),
    job("J-OIL"),
    job("J-PLUG", 1),
    job("J-CARB"),
)
CATALOGUE = starter()
SPEAKER = Speaker(CATALOGUE, "en")
SHOPS = [Workshop(CATALOGUE, CATALOGUE.shops[one]) for one in (HIRE_YARD, ORCHARD)]
BACK = ComeBack(
    visit="Q1", since=MONDAY, on=MONDAY, ground=Ground.work_in_time, cause=BackCause.work
)
GENERATOR = Asked(family=FamilyId("QM-H27"), serial=2140077, chassis=ChassisId("PW-G5"), on=MONDAY)
ZERO_TURN = Asked(family=V68, serial=LATE_V68, chassis=ChassisId("SK-ZT52"), on=MONDAY)
DISCOUNTS = (
    Discount(reason="Kind.", by="R", percent=Decimal("7.5")),
    Discount(reason="Round.", by="R", amount=Decimal("9.99")),
)


def quoted(
    workshop: Workshop,
    jobs: tuple[AskedJob, ...],
    borne: tuple[AskedJob, ...] | None = None,
    **terms: Any,
) -> Outcome:
    covered = None if borne is None else tuple(CoveredJob(one.job, one.cylinder) for one in borne)
    return quote_repair(
        workshop,
        Asked(
            family=V68,
            serial=LATE_V68,
            chassis=LOOSE,
            on=MONDAY,
            jobs=jobs,
            diagnostic_done=True,
            terms=Terms(covered=covered, **terms),
            come_back=None if borne is None else BACK,
        ),
    )


@st.composite
def visits(draw: st.DrawFn) -> tuple[Workshop, tuple[AskedJob, ...], tuple[AskedJob, ...]]:
    """Return a workshop, jobs, and those of them that the shop bears, at least one."""
    jobs = tuple(draw(st.lists(st.sampled_from(JOBS), min_size=1, unique=True)))
    borne = tuple(draw(st.lists(st.sampled_from(jobs), min_size=1, unique=True)))
    return draw(st.sampled_from(SHOPS)), jobs, borne


@settings(max_examples=60, deadline=None)
@given(visits(), st.lists(st.sampled_from(DISCOUNTS), unique=True))
def test_a_customer_never_pays_more_than_for_the_other_jobs(
    visit: tuple[Workshop, tuple[AskedJob, ...], tuple[AskedJob, ...]], discounts: list[Discount]
) -> None:
    workshop, jobs, borne = visit
    rest = tuple(one for one in jobs if one not in borne)

    found = quoted(workshop, jobs, borne, discounts=tuple(discounts)).repair

    totals = found.totals
    assert totals.net is not None
    assert totals.tax is not None
    assert totals.gross == totals.net + totals.tax
    zero = Money(0, totals.gross.currency)
    assert zero <= totals.gross <= quoted(workshop, jobs).repair.price
    if rest:
        assert totals.gross <= quoted(workshop, rest).repair.price
    else:
        assert totals.gross == totals.net == totals.deposit == zero
    for line in found.lines:
        if line.code == WARRANTY:
            assert -sum(off for _, off in line.reduces) == line.amount.minor
            kinds = {found.lines[place].tax_kind for place, _ in line.reduces}
            assert kinds == {line.tax_kind}


@settings(max_examples=60, deadline=None)
@given(visits(), st.lists(st.sampled_from(DISCOUNTS), unique=True), st.data())
def test_a_bill_bears_of_each_line_what_was_agreed(
    visit: tuple[Workshop, tuple[AskedJob, ...], tuple[AskedJob, ...]],
    discounts: list[Discount],
    data: st.DataObject,
) -> None:
    workshop, jobs, borne = visit
    outcome = quoted(workshop, jobs, borne, discounts=tuple(discounts))
    quote = tell_quote(outcome, SPEAKER, catalogue=CATALOGUE)
    lines = agreed_lines(quote)
    used = Used(
        goods=tuple(
            Dealt(line=place, used=line.quantity * data.draw(st.integers(1, 3)))
            for place, line in enumerate(lines, 1)
            if line.kind in ("part", "set") and data.draw(st.booleans())
        ),
        clocked=tuple(
            Clocked(line=place, minutes=Decimal(data.draw(st.integers(0, 400))))
            for place, line in enumerate(lines, 1)
            if line.kind == "labour" and line.unit == "MIN" and data.draw(st.booleans())
        ),
    )
    area = outcome.request.tax_area
    assert area is not None

    for told in (Used(), used):
        made = bill(lines, told, basis=LabourBasis.actual, area=area, on=MONDAY)

        taxed = made.taxed
        assert taxed.net + taxed.tax == taxed.gross
        assert taxed.net == total((one.tax.net for one in made.lines if one.tax), area.currency)
        if len(borne) == len(jobs):
            assert taxed.gross == Money(0, area.currency)
        else:
            assert taxed.gross >= Money(0, area.currency)
        if told == Used() and not discounts:
            assert taxed.gross == outcome.repair.totals.gross


DIAGNOSES = (
    (GENERATOR, "VALVE-EX"),
    (GENERATOR, "HG-OUTSIDE"),
    (GENERATOR, "OIL-RINGS"),
    (GENERATOR, "STEM-SEAL"),
    (ZERO_TURN, "VALVE-EX"),
    (ZERO_TURN, "HG-GALLERY"),
    (ZERO_TURN, "PLUG-THREAD"),
)


def place_of(found: Weighed) -> tuple[ContingencyId, int | None]:
    return found.found.kind.id, found.found.cylinder


def change(workshop: Workshop, base: Outcome, asked: Asked, found: Weighed) -> Money:
    """Return what a change order with a find adds to a visit whose parts are ordered."""
    change = structs.replace(
        asked,
        ordered=ordered_by(workshop, base.request, base.repair),
        add_jobs=tuple(job(one.job.id, one.cylinder) for one in found.found.operations),
        add_parts=tuple(AskedPart(*role) for role in found.found.roles),
    )
    return quote_repair(workshop, change).repair.price - base.repair.price


@pytest.mark.parametrize("workshop", SHOPS)
@pytest.mark.parametrize(("machine", "diagnosis"), DIAGNOSES)
def test_a_find_adds_no_more_to_a_visit_that_the_shop_bears_than_to_a_paid_one(
    workshop: Workshop, machine: Asked, diagnosis: str
) -> None:
    paid = structs.replace(machine, diagnoses=(AskedDiagnosis(DiagnosisCode(diagnosis), 1),))
    borne = structs.replace(paid, come_back=BACK, terms=Terms(covered=()))
    foresight = Foresight(workshop)
    prospect = foresight.look_ahead(quote_repair(workshop, paid)).prospect
    free = foresight.look_ahead(quote_repair(workshop, borne))
    assert prospect is not None
    assert free.prospect is not None
    adds = {
        (one.found.kind.id, one.found.cylinder): one.price.minor
        for one in prospect.each
        if one.after is None
    }
    listed = [one for one in free.prospect.each if one.after is None]

    assert listed
    for one in listed:
        # the tax of a difference may be rounded the other way
        assert 0 <= one.price.minor <= adds[place_of(one)] + 1
        assert change(workshop, free, borne, one) == one.price, one.found.kind.id


def test_a_find_that_is_part_of_the_cause_costs_nothing() -> None:
    head = job("J-HEAD-RENEW", 1)
    found = quoted(SHOPS[0], (*JOBS[:1], head), (*JOBS[:1], head))

    assert found.repair.totals.gross == Money(0, "USD")
    told = tell_quote(found, SPEAKER, catalogue=CATALOGUE).comes_back
    assert told is not None
    assert {one.job for one in told.jobs} == {"J-HEAD-RENEW", "J-VALVE-EX"}


def test_part_that_failed_is_borne_and_another_added_part_is_not() -> None:
    added = (AskedPart(RoleId("pushrod"), 1),)
    back = structs.replace(
        GENERATOR, jobs=JOBS[:1], add_parts=added, come_back=BACK, terms=Terms(covered=())
    )
    made = quote_repair(SHOPS[0], back)
    pushrod = next(need.item for need in made.repair.kit.needs if need.role == added[0].role)
    failed = structs.replace(BACK, cause=BackCause.part, part=pushrod)

    own = quote_repair(SHOPS[0], structs.replace(back, come_back=failed))

    assert made.repair.price > own.repair.price == Money(0, "USD")


def test_warranty_ends_with_its_last_day() -> None:
    late = structs.replace(BACK, ground=Ground.work_too_late, until=date(2027, 2, 1))
    asked = Asked(family=V68, on=MONDAY, chassis=LOOSE, jobs=(job("J-OIL"),), come_back=late)

    found = quote_repair(SHOPS[0], asked)

    assert (
        found.repair.lines
        == quote_repair(SHOPS[0], structs.replace(asked, come_back=None)).repair.lines
    )
    codes = [note.code for note in found.notes]
    assert codes == ["came-back", "warranty-work-too-late", "warranty-by-law"]
