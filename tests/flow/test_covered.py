"""What the shop bears: sums of visits some of whose jobs it bears, as quoted and as billed."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from tests.stages.workbench import HIRE_YARD, LATE_V68, MONDAY, ORCHARD, V68, job, starter

from kitwright.catalogue.model import LOOSE, LabourBasis
from kitwright.flow import quote_repair
from kitwright.language.render import Speaker
from kitwright.money import Money, total
from kitwright.stages.billing import Clocked, Dealt, Used, bill
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import WARRANTY
from kitwright.stages.request import (
    Asked,
    AskedJob,
    BackCause,
    ComeBack,
    CoveredJob,
    Discount,
    Ground,
    Terms,
)
from kitwright.telling.statement import agreed_lines
from kitwright.telling.whole import tell_quote
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
