"""What holds of every quote, whatever is asked."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import date, timedelta
from fractions import Fraction
from math import floor
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from msgspec import UNSET, Struct, structs
from tests.stages.workbench import starter

from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import LOOSE, Catalogue, Family, ItemId, JobScope, Scope, Shop
from kitwright.flow import quote_repair
from kitwright.language.render import Speaker
from kitwright.money import Money
from kitwright.quote import Quote
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import LineKind
from kitwright.stages.request import (
    Asked,
    AskedDiagnosis,
    AskedJob,
    Condition,
    Debris,
    Rust,
    read_request,
)
from kitwright.stages.supply import current_number
from kitwright.stages.work import Jobs, Operation, choose_jobs
from kitwright.telling import tell_quote
from kitwright.visit import quote_jobs
from kitwright.workshop import Workshop

CATALOGUE = starter()
SHOPS = {shop.id: Workshop(CATALOGUE, shop) for shop in CATALOGUE.shops.values()}
SPEAKER = Speaker(CATALOGUE, "en")

thorough = settings(max_examples=max(10, settings().max_examples // 2))
"""Half of the profile's examples: a whole quote takes some hundredths of a second."""


class Case(Struct, frozen=True):
    """A shop, and what is asked of it."""

    shop: Shop
    asked: Asked

    def quote(self) -> Outcome:
        return quote_repair(SHOPS[self.shop.id], self.asked)


def fitting(family: Family) -> tuple[AskedJob, ...]:
    """Return every job that a family can have, on every cylinder."""
    return tuple(
        AskedJob(job.id, cylinder)
        for job in CATALOGUE.jobs.values()
        if job_fits(CATALOGUE, family, job)
        for cylinder in _places(job.scope, family)
    )


def found(family: Family) -> tuple[AskedDiagnosis, ...]:
    """Return every diagnosis that a family can have, on every cylinder."""
    return tuple(
        AskedDiagnosis(diagnosis.code, cylinder)
        for diagnosis in CATALOGUE.diagnoses.values()
        for cylinder in _places(diagnosis.scope, family)
    )


def _places(scope: JobScope, family: Family) -> tuple[int | None, ...]:
    return (None,) if scope is JobScope.engine else tuple(range(1, family.cylinders + 1))


FAMILIES = [*CATALOGUE.families.values()]
JOBS = {family.id: fitting(family) for family in FAMILIES}
DIAGNOSES = {family.id: found(family) for family in FAMILIES}


@st.composite
def serials(draw: st.DrawFn, family: Family) -> int | None:
    edges = [row.at for row in family.serial_break]
    near = [at + step for at in edges for step in (-1, 0)]
    return draw(st.none() | st.sampled_from([0, 9_999_999, *near]) | st.integers(0, 9_999_999))


@st.composite
def cases(draw: st.DrawFn, most: int = 3) -> Case:
    """Draw a shop and a request that it can answer."""
    shop = draw(st.sampled_from([*CATALOGUE.shops.values()]))
    family = draw(st.sampled_from(FAMILIES))
    carriers = [row.id for row in CATALOGUE.chassis.values() if family.layout in row.layouts]
    areas = [
        area.id
        for area in CATALOGUE.tax_areas.values()
        if area.currency == shop.currency
        and area.prices_include_tax == shop.selling_prices_include_tax
    ]
    jobs = draw(st.lists(st.sampled_from(JOBS[family.id]), max_size=most, unique=True))
    diagnoses = draw(st.lists(st.sampled_from(DIAGNOSES[family.id]), max_size=2, unique=True))
    assume(jobs or diagnoses)
    on = draw(st.dates(date(2026, 11, 25), date(2028, 12, 31)))
    wait = draw(st.none() | st.integers(0, 30))
    asked = Asked(
        family=family.id,
        on=on,
        serial=draw(serials(family)),
        chassis=draw(st.sampled_from([None, LOOSE, *carriers])),
        diagnoses=tuple(diagnoses),
        jobs=tuple(jobs),
        scope=draw(st.sampled_from(Scope)),
        add_jobs=tuple(draw(st.lists(st.sampled_from(JOBS[family.id]), max_size=1))),
        condition=Condition(
            rust=draw(st.sampled_from(Rust)),
            debris=draw(st.sampled_from(Debris)),
            previous_work=draw(st.booleans()),
        ),
        diagnostic_done=draw(st.booleans()),
        needed_by=None if wait is None else on + timedelta(days=wait),
        tax_area=draw(st.sampled_from([UNSET, None, *areas])),
    )
    return Case(shop, asked)


def told(quote: Outcome) -> bytes:
    """Return the answer as it goes over the wire."""
    out = tell_quote(quote, SPEAKER, catalogue=CATALOGUE)
    return msgspec.json.encode(out)


def added(moneys: list[Money | None]) -> int:
    return sum(money.minor for money in moneys if money is not None)


@thorough
@given(cases())
def test_quote_repair_sums_its_lines(case: Case) -> None:
    repair = case.quote().repair
    assert added([line.amount for line in repair.lines]) == repair.totals.lines.minor


@thorough
@given(cases())
def test_quote_repair_splits_every_line_into_net_and_tax(case: Case) -> None:
    quote = case.quote()
    repair, totals = quote.repair, quote.repair.totals
    if repair.line_taxes is None:
        assert quote.request.tax_area is None
        assert (totals.tax, totals.gross, totals.payable, repair.taxes) == (None, None, None, ())
        return
    assert totals.net is not None
    assert totals.tax is not None
    assert totals.gross is not None
    assert totals.net + totals.tax == totals.gross
    for line, taxed in zip(repair.lines, repair.line_taxes, strict=True):
        assert taxed.net + taxed.tax == taxed.gross
        assert line.amount == (taxed.gross if case.shop.selling_prices_include_tax else taxed.net)
    assert added([taxed.net for taxed in repair.line_taxes]) == totals.net.minor
    assert added([taxed.tax for taxed in repair.line_taxes]) == totals.tax.minor
    assert added([taxed.gross for taxed in repair.line_taxes]) == totals.gross.minor
    assert added([tax.amount for tax in repair.taxes]) == totals.tax.minor


@thorough
@given(cases())
def test_quote_repair_rounds_each_line_once_half_up(case: Case) -> None:
    for line in case.quote().repair.lines:
        exact = Fraction(line.quantity) * Fraction(line.unit_price) / Fraction(line.base_quantity)
        cents = abs(exact) * 100
        expected = floor(cents + Fraction(1, 2)) * (-1 if exact < 0 else 1)
        assert line.amount == Money(expected, case.shop.currency), line


@thorough
@given(cases())
def test_quote_repair_allots_exactly_the_billed_minutes(case: Case) -> None:
    quote = case.quote()
    labour = quote.repair.labour
    for each in labour.classes:
        of_class = [one.minutes for one in labour.allotted if one.labour_class == each.labour_class]
        assert sum(of_class) == each.billed
        assert each.exact <= each.billed < each.exact + case.shop.labour.increment_minutes
    billed = sum(each.billed for each in labour.classes)
    minimum = sum(each.minutes for each in labour.bench_minimum)
    assert billed + minimum == max(billed, case.shop.labour.minimum_bench_minutes)
    lines = [line.quantity for line in quote.repair.lines if line.kind is LineKind.labour]
    assert sum(lines) == billed + minimum
    assert sum(each.minutes_here for each in quote.operated) == billed + minimum


@thorough
@given(cases(most=6))
def test_quote_repair_bills_no_job_more_here_than_alone(case: Case) -> None:
    for each in case.quote().operated:
        assert each.minutes_here <= each.minutes_alone


@thorough
@given(cases(most=1))
def test_quote_repair_bills_a_single_job_here_as_alone(case: Case) -> None:
    quote = case.quote()
    assume(len(quote.operated) == 1)
    assert quote.operated[0].minutes_alone == quote.operated[0].minutes_here


@thorough
@given(cases(most=4))
def test_plan_access_takes_no_less_for_another_target(case: Case) -> None:
    workshop = SHOPS[case.shop.id]
    request = read_request(CATALOGUE, case.shop, case.asked)
    operations = choose_jobs(CATALOGUE, request).operations
    assume(len(operations) > 1)

    def minutes(some: tuple[Operation, ...]) -> Fraction:
        jobs = Jobs(operations=some, swallowed=(), left_out=())
        return quote_jobs(workshop, request, jobs).plan.minutes

    whole = minutes(operations)
    for gone in operations:
        assert minutes(tuple(each for each in operations if each is not gone)) <= whole


@thorough
@given(cases())
def test_quote_repair_says_why_of_every_line_need_and_step(case: Case) -> None:
    quote = case.quote()
    repair = quote.repair
    reasons = [
        *(line.why for line in repair.lines),
        *(need.why for need in repair.kit.needs),
        *(need.why for extra in quote.extras for need in extra.needs),
        *(removal.why for removal in repair.plan.removals),
        *(each.operation.why for each in quote.operated),
    ]
    assert all(reasons)
    for why in (one for group in reasons for one in group):
        sentence = SPEAKER.sentence(why)
        assert sentence.endswith("."), sentence
        assert "None" not in sentence
        assert "{" not in sentence


@thorough
@given(cases())
def test_quote_repair_has_every_renewed_and_replaced_role_in_the_kit(case: Case) -> None:
    repair = case.quote().repair
    held = {(need.role, need.cylinder) for need in repair.kit.needs}
    renewed = {role for removal in repair.plan.removals for role in removal.instance.renews}
    replaced = {
        (name.rstrip("@*"), cylinder)
        for each in repair.jobs.operations
        for name in each.job.replaces
        for cylinder in _meant(name, each.cylinder, case)
    }
    assert renewed | replaced <= held


def _meant(reference: str, own: int | None, case: Case) -> tuple[int | None, ...]:
    if reference.endswith("@*"):
        return tuple(range(1, CATALOGUE.families[case.asked.family].cylinders + 1))
    return (own,) if reference.endswith("@") else (None,)


@thorough
@given(cases())
def test_choose_kit_covers_every_need_once(case: Case) -> None:
    kit = case.quote().repair.kit
    short = {each.item: each.quantity for each in kit.unfilled}
    filled: dict[int, Fraction] = {}
    places = {id(need): place for place, need in enumerate(kit.needs)}
    covers = [each.covers for each in kit.from_stock] + [each.covers for each in kit.bought]
    for cover in (one for group in covers for one in group):
        assert cover.quantity > 0
        place = places[id(cover.need)]
        filled[place] = filled.get(place, Fraction(0)) + cover.quantity
    asked: dict[ItemId, Fraction] = {}
    got: dict[ItemId, Fraction] = {}
    for place, need in enumerate(kit.needs):
        if need.is_question:
            assert need in kit.questions
        if need.is_question or need in kit.held:
            assert place not in filled
            continue
        covered = filled.get(place, Fraction(0))
        assert covered <= Fraction(need.quantity)
        if need.item not in short:
            assert covered == Fraction(need.quantity)
        asked[need.item] = asked.get(need.item, Fraction(0)) + Fraction(need.quantity)
        got[need.item] = got.get(need.item, Fraction(0)) + covered
    for item, quantity in short.items():
        assert got[item] + quantity == asked[item]
        assert quantity > 0


@thorough
@given(cases())
def test_choose_kit_accounts_for_all_that_it_opens(case: Case) -> None:
    kit = case.quote().repair.kit
    opened: dict[ItemId, Fraction] = {}
    used: dict[ItemId, Fraction] = {}

    def add(to: dict[ItemId, Fraction], item: ItemId, amount: Fraction) -> None:
        current = current_number(CATALOGUE, item)
        to[current] = to.get(current, Fraction(0)) + amount

    sets = CATALOGUE.sets
    rows = [
        (each.source.item, Fraction(each.packs * each.source.pack), each.covers)
        for each in kit.bought
    ]
    rows += [(each.item, each.packs, each.covers) for each in kit.from_stock if each.item in sets]
    for item, copies, covers in rows:
        for content, count in (sets[item].contents if item in sets else {item: 1}).items():
            add(opened, content, count * copies * _size(content))
        for cover in covers:
            add(used, cover.need.item, cover.quantity)
    for left in kit.left_over:
        add(used, left.item, left.quantity)
    assert opened == used


def _size(item: ItemId) -> Fraction:
    consumable = CATALOGUE.consumables.get(item)
    return Fraction(1 if consumable is None else consumable.pack)


@thorough
@given(cases())
def test_choose_kit_takes_no_more_than_is_free(case: Case) -> None:
    free: dict[tuple[ItemId, str], Fraction] = {}
    for row in case.shop.stock:
        place = (row.item, row.bin)
        free[place] = free.get(place, Fraction(0)) + row.on_hand - row.promised
    for each in case.quote().repair.kit.from_stock:
        free[each.item, each.bin] -= each.packs
        if each.item not in CATALOGUE.sets:
            assert sum(cover.quantity for cover in each.covers) == each.quantity
    assert min(free.values()) >= 0


@thorough
@given(cases())
def test_choose_kit_never_goes_below_a_floor(case: Case) -> None:
    kit = case.quote().repair.kit
    for bought in kit.bought:
        for cover in bought.covers:
            assert bought.source.quality.value == "maker" or cover.need.floor.value == "alternate"


@thorough
@given(cases())
def test_split_orders_adds_up_and_buys_what_the_kit_says(case: Case) -> None:
    repair = case.quote().repair
    bought = {(each.source.supplier.id, each.source.sku): each.packs for each in repair.kit.bought}
    ordered = {
        (order.supplier.id, line.source.sku): line.packs
        for order in repair.orders
        for line in order.lines
    }
    assert ordered == bought
    for order in repair.orders:
        fees = [fee.amount for fee in order.fees]
        assert order.goods.minor == added([line.net for line in order.lines])
        assert order.net.minor == added([order.goods, order.freight, *fees])
        assert order.promised == max(line.promised for line in order.lines)
        assert order.supplier.currency == case.shop.currency
        for line in order.lines:
            assert line.packs >= line.source.minimum
            assert line.packs % line.source.multiple == 0
            if line.source.stock:
                assert line.packs <= line.source.stock


def _leaves(value: object, seen: set[int]) -> Iterator[object]:
    if isinstance(value, Struct):
        if id(value) not in seen:
            seen.add(id(value))
            for name in value.__struct_fields__:
                yield from _leaves(getattr(value, name), seen)
    elif isinstance(value, dict):
        for key, each in value.items():
            yield from _leaves(key, seen)
            yield from _leaves(each, seen)
    elif isinstance(value, tuple | list | frozenset | set):
        for each in value:
            yield from _leaves(each, seen)
    else:
        yield value


@thorough
@given(cases())
def test_quote_repair_holds_no_float(case: Case) -> None:
    quote = case.quote()
    out = tell_quote(quote, SPEAKER, catalogue=CATALOGUE)
    assert not [leaf for leaf in _leaves((quote, out), set()) if isinstance(leaf, float)]


@thorough
@given(cases())
def test_quote_repair_answers_alike_when_asked_again(case: Case) -> None:
    first = told(case.quote())
    afresh = Workshop(CATALOGUE, case.shop)
    assert told(quote_repair(afresh, case.asked)) == first
    decoded = msgspec.json.decode(first, type=Quote)
    assert msgspec.json.encode(decoded) == first


@thorough
@given(cases(), st.randoms(use_true_random=False))
def test_quote_repair_does_not_mind_the_order_of_the_request(case: Case, random: Any) -> None:
    jobs, diagnoses = [*case.asked.jobs], [*case.asked.diagnoses]
    random.shuffle(jobs)
    random.shuffle(diagnoses)
    shuffled = structs.replace(case.asked, jobs=tuple(jobs), diagnoses=tuple(diagnoses))
    again = quote_repair(SHOPS[case.shop.id], shuffled)
    assert json.loads(told(again)) == json.loads(told(case.quote()))


@thorough
@given(cases())
def test_quote_repair_is_provisional_exactly_where_a_question_is_open(case: Case) -> None:
    quote = case.quote()
    is_unnamed = case.asked.chassis is None
    assert quote.is_provisional == (is_unnamed or bool(quote.repair.kit.questions))
    if case.asked.serial is not None:
        assert quote.is_provisional == is_unnamed
    if not is_unnamed:
        assert quote.repair.kit.held == ()


@thorough
@given(cases(most=2))
def test_quote_repair_prices_an_extra_as_the_whole_visit_with_it(case: Case) -> None:
    quote = case.quote()
    assume(quote.extras)
    extra = quote.extras[0]
    cylinders = extra.cylinders or (None,)
    more = tuple(AskedJob(extra.job, cylinder) for cylinder in cylinders)
    with_it = structs.replace(case.asked, add_jobs=(*case.asked.add_jobs, *more))
    together = quote_repair(SHOPS[case.shop.id], with_it).repair
    assert together.price - quote.repair.price == extra.price
    assert together.labour.billed - quote.repair.labour.billed == extra.minutes


def answers(catalogue: Catalogue) -> str:
    """Return a digest of many answers, the same in every process."""
    digest = hashlib.sha256()
    for shop in catalogue.shops.values():
        for family in FAMILIES:
            carriers = [
                row.id for row in CATALOGUE.chassis.values() if family.layout in row.layouts
            ]
            for code in ("HG-GALLERY", "VALVE-EX", "BREATHER"):
                place = 1 if CATALOGUE.diagnoses[code].scope is JobScope.cylinder else None  # type: ignore[index]
                asked = Asked(
                    family=family.id,
                    on=date(2027, 3, 1),
                    chassis=carriers[0],
                    diagnoses=(AskedDiagnosis(code, place),),  # type: ignore[arg-type]
                    jobs=(AskedJob("J-SEAL-PTO"),) if "J-SEAL-PTO" in CATALOGUE.jobs else (),  # type: ignore[arg-type]
                    needed_by=date(2027, 3, 3),
                )
                digest.update(told(quote_repair(SHOPS[shop.id], asked)))
    return digest.hexdigest()


@pytest.mark.parametrize("seed", ["1", "2"])
def test_quote_repair_answers_alike_in_another_process(seed: str) -> None:
    root = Path(__file__).resolve().parents[2]
    program = (
        "from tests.stages.test_properties import CATALOGUE, answers; print(answers(CATALOGUE))"
    )
    path = os.pathsep.join(map(str, (root, root / "service")))
    done = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        check=True,
        cwd=root,
    )
    assert done.stdout.strip() == answers(CATALOGUE)
