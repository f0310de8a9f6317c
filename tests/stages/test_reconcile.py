"""Whatever the shop, the tax area, the work and the counter's changes: every figure adds up.

`python -m tests.bench.reconcile` does the same for 100,000 quotes.
"""

from __future__ import annotations

from decimal import Decimal
from functools import cache
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from tests.stages.drawn import draw_terms, draw_work
from tests.stages.drawn_shops import CHANGE, draw_workshop
from tests.stages.recomputing import reconcile
from tests.stages.workbench import BOTH_HEADS, quote, starter

from kitwright.catalogue.model import Exemption
from kitwright.flow import quote_repair
from kitwright.language.render import Speaker
from kitwright.money import Money, digits
from kitwright.quote import Amount
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import LineKind
from kitwright.stages.request import AskedJob, Exempt, RequestRefused
from kitwright.telling import tell_quote
from kitwright.workshop import Workshop

fewer = settings(max_examples=max(10, settings().max_examples // 2))
"""Half of the profile's examples: each is a shop of its own, and a few quotes of it."""


def drawn(random: Random) -> Outcome:
    workshop = draw_workshop(random)
    work = draw_work(random, workshop)
    return quote_repair(workshop, draw_terms(random, workshop, work))


@fewer
@given(st.randoms(use_true_random=False))
def test_quote_repair_reconciles_whatever_the_shop_and_the_area(random: Random) -> None:
    workshop = draw_workshop(random)
    work = draw_work(random, workshop)
    for _ in range(3):
        reconcile(quote_repair(workshop, draw_terms(random, workshop, work)))


@fewer
@given(st.integers(0, 2**32 - 1))
def test_answer_prints_figures_that_reconcile(seed: int) -> None:
    told = drawn(Random(seed))
    speaker = Speaker(starter(), "en")
    out = tell_quote(told, speaker, catalogue=starter())
    currency = told.shop.currency
    places = digits(currency)

    def amount(value: Amount | None) -> Decimal:
        assert value is not None
        assert value.currency == currency
        assert len(value.amount.partition(".")[2]) == places
        return Decimal(value.amount)

    totals = out.totals
    printed = sum((amount(line.amount) for line in out.lines), start=Decimal(0))
    assert amount(totals.lines) + amount(totals.discount) == printed
    if out.tax_state == "unknown":
        assert totals.tax is totals.gross is totals.payable is None
        return
    assert amount(totals.net) + amount(totals.tax) == amount(totals.gross)
    assert sum(amount(line.net) for line in out.lines) == amount(totals.net)
    assert sum(amount(line.tax) for line in out.lines) == amount(totals.tax)
    assert sum(amount(line.gross) for line in out.lines) == amount(totals.gross)
    assert sum(amount(tax.amount) for tax in out.taxes) == amount(totals.tax)
    payable = amount(totals.gross) - amount(totals.prepaid) + amount(totals.cash_rounding)
    assert amount(totals.payable) == payable


@fewer
@given(st.integers(0, 2**32 - 1))
def test_quote_repair_asks_of_who_is_exempt_what_is_left_without_tax(seed: int) -> None:
    """Where a certificate frees all that is taxed, what is paid is the net of everybody else."""
    random = Random(seed)
    workshop = draw_workshop(random)
    work = draw_work(random, workshop)
    areas = {
        name: structs.replace(
            area,
            exemption=Exemption(
                kinds=tuple({k for tax in area.components for k in tax.applies_to})
            ),
        )
        for name, area in workshop.catalogue.tax_areas.items()
    }
    workshop = Workshop(structs.replace(workshop.catalogue, tax_areas=areas), workshop.shop)
    asked = draw_terms(random, workshop, structs.replace(work, tax_area=random.choice([*areas])))
    shown = Exempt(certificate_number="C-1", valid_until=asked.on)

    def paid(exemption: Exempt | None) -> Outcome:
        terms = structs.replace(asked.terms, exemption=exemption)
        return quote_repair(workshop, structs.replace(asked, terms=terms))

    freed, taxed = paid(shown).repair, paid(None).repair
    assert freed.totals.gross == freed.totals.net == taxed.totals.net
    assert freed.totals.tax == Money(0, workshop.shop.currency)
    assert freed.freed == taxed.taxes
    assert freed.totals.deposit <= taxed.totals.deposit


@fewer
@given(st.integers(0, 2**32 - 1))
def test_quote_repair_prices_extras_with_the_changes_of_the_quote(seed: int) -> None:
    """An extra costs what the quote with its job and the very same changes costs more."""
    random = Random(seed)
    workshop = draw_workshop(random)
    asked = draw_terms(random, workshop, draw_work(random, workshop))
    plain = quote_repair(workshop, asked)
    for extra in plain.extras[:2]:
        more = tuple(AskedJob(extra.job, cylinder) for cylinder in extra.cylinders or (None,))
        try:
            together = quote_repair(
                workshop, structs.replace(asked, add_jobs=(*asked.add_jobs, *more))
            )
        except RequestRefused:
            continue  # a line that is changed is not there so any more
        assert together.repair.price - plain.repair.price == extra.price
        assert together.repair.labour.billed - plain.repair.labour.billed == extra.minutes


@fewer
@given(st.integers(0, 2**32 - 1))
def test_quote_repair_prices_savings_with_the_changes_of_the_quote(seed: int) -> None:
    """A job saves what the quote of the others with the very same changes costs less."""
    random = Random(seed)
    workshop = draw_workshop(random)
    asked = draw_terms(random, workshop, draw_work(random, workshop))
    complete = quote_repair(workshop, asked)
    jobs = complete.repair.jobs
    included = tuple(each.operation for each in jobs.swallowed)
    for saving in complete.savings[:2]:
        others = tuple(each for each in jobs.operations if each != saving.operation)
        left = tuple(AskedJob(each.job.id, each.cylinder) for each in (*others, *included))
        try:
            rest = quote_repair(
                workshop,
                structs.replace(asked, diagnoses=(), jobs=left, add_jobs=(), leave_out=()),
            )
        except RequestRefused:
            continue  # a line that is changed is not there so any more
        assert complete.repair.price - rest.repair.price == saving.price
        assert complete.repair.labour.billed - rest.repair.labour.billed == saving.minutes


@cache
def sample() -> tuple[Outcome, ...]:
    """Return a fixed sample of drawn quotes."""
    return tuple(drawn(Random(seed)) for seed in range(100))


@pytest.mark.parametrize("currency", ["JPY", "USD", "BHD"])
def test_draw_workshop_reaches_every_currency_rule_and_rounding(currency: str) -> None:
    # a property that never meets a case says nothing of it
    own = [each for each in sample() if each.shop.currency == currency]
    assert {each.shop.selling_prices_include_tax for each in own} == {True, False}
    areas = [each.request.tax_area for each in own if each.request.tax_area is not None]
    assert {area.rounding.by.value for area in areas} == {"line", "component", "document"}
    assert {area.rounding.mode.value for area in areas} == {"half_up", "half_even", "down"}
    assert {each.shop.parts_price.rule for each in own} >= {"list", "markup", "margin"}


def test_draw_terms_reaches_every_kind_of_change() -> None:
    asked = [each.request.asked for each in sample()]
    terms = [each.terms for each in asked]
    kinds = {line.kind for each in sample() for line in each.repair.lines}
    assert kinds == set(LineKind)
    assert any(each.exemption for each in terms)
    assert any(each.floors for each in terms)
    assert any(each.prepaid for each in terms)
    assert any(discount.line for each in terms for discount in each.discounts)
    assert any(discount.line is None for each in terms for discount in each.discounts)
    assert any(discount.amount for each in terms for discount in each.discounts)
    assert {each.machines for each in terms} >= {1, 2, 3, 5}
    assert any(each.repair.totals.cash_rounding.minor for each in sample())
    assert any(each.on < CHANGE for each in asked)
    assert any(each.on >= CHANGE for each in asked)
    assert any(each.repair.totals.gross is None for each in sample())


@pytest.mark.parametrize("figure_name", ["lines", "discount", "net", "tax", "gross", "payable"])
def test_reconcile_notices_a_total_that_is_wrong_by_one(figure_name: str) -> None:
    told = quote(starter(), jobs=BOTH_HEADS)
    right = getattr(told.repair.totals, figure_name)
    wrong = structs.replace(
        told.repair.totals, **{figure_name: right + Money(1, told.shop.currency)}
    )
    changed = structs.replace(told, repair=structs.replace(told.repair, totals=wrong))
    reconcile(told)
    with pytest.raises(AssertionError):
        reconcile(changed)


def test_reconcile_notices_a_line_that_is_wrong_by_one() -> None:
    told = quote(starter(), jobs=BOTH_HEADS)
    first, *rest = told.repair.lines
    wrong = structs.replace(first, amount=first.amount + Money(1, told.shop.currency))
    repair = structs.replace(told.repair, lines=(wrong, *rest))
    with pytest.raises(AssertionError):
        reconcile(structs.replace(told, repair=repair))
