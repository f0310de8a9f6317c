"""Taxes reconcile whatever an area's rules, and agree with sums done another way."""

from datetime import date
from fractions import Fraction
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from kitwright.catalogue.model import (
    AreaId,
    ChargeKind,
    Rate,
    RoundBy,
    Rounding,
    RoundMode,
    TaxArea,
    TaxComponent,
)
from kitwright.money import Money
from kitwright.tax import Charge, ComponentTax, Taxed, effective_rate, line_taxes, tax_charges
from kitwright.units import decimal_text, read_figure

KINDS = (ChargeKind.part, ChargeKind.labour, ChargeKind.fee, ChargeKind.core)
DAY = date(2027, 3, 1)

RATES = st.one_of(
    st.sampled_from(["0", "5", "8", "9.975", "20", "7.25"]),
    st.integers(0, 300_000).map(lambda units: decimal_text(Fraction(units, 10_000))),
)
KIND_SETS = st.sets(st.sampled_from(KINDS), min_size=1).map(lambda kinds: tuple(sorted(kinds)))


@st.composite
def components(draw: st.DrawFn, place: int) -> TaxComponent:
    return TaxComponent(
        id=f"t{place}",
        name=f"Tax {place}",
        rates=(Rate(valid_from=date(2020, 1, 1), percent=read_figure(draw(RATES))),),
        applies_to=draw(KIND_SETS),
        compounds=draw(st.booleans()),
    )


@st.composite
def areas(draw: st.DrawFn, most_components: int = 3) -> TaxArea:
    taxes = tuple(draw(components(place)) for place in range(draw(st.integers(1, most_components))))
    taxed = {kind for tax in taxes for kind in tax.applies_to}
    return TaxArea(
        id=AreaId("drawn"),
        name="Drawn",
        note="",
        currency=draw(st.sampled_from(["USD", "JPY", "BHD"])),
        prices_include_tax=draw(st.booleans()),
        rounding=Rounding(
            by=draw(st.sampled_from(list(RoundBy))), mode=draw(st.sampled_from(list(RoundMode)))
        ),
        components=taxes,
        untaxed=tuple(kind for kind in KINDS if kind not in taxed),
    )


# Small amounts often: that is where roundings and their ties lie close together.
MINORS = st.one_of(st.integers(-120, 120), st.integers(-(10**7), 10**7))
ROWS = st.lists(st.tuples(st.sampled_from(KINDS), MINORS), max_size=12)
EXEMPT = st.frozensets(st.sampled_from(KINDS), max_size=2)


def charges_in(area: TaxArea, rows: list[tuple[ChargeKind, int]]) -> list[Charge]:
    return [Charge(kind, Money(minor, area.currency)) for kind, minor in rows]


def shares_of_a_line(area: TaxArea, kind: ChargeKind) -> int:
    return sum(kind in tax.applies_to for tax in area.components)


def totals(taxed: Taxed) -> tuple[Money, Money, Money, tuple[ComponentTax, ...]]:
    return taxed.net, taxed.tax, taxed.gross, taxed.taxes


@given(areas(), ROWS, EXEMPT)
def test_lines_taxes_and_totals_reconcile(
    area: TaxArea, rows: list[tuple[ChargeKind, int]], exempt: frozenset[ChargeKind]
) -> None:
    charges = charges_in(area, rows)

    taxed = tax_charges(area, charges, on=DAY, exempt=exempt)

    for charge, line in zip(charges, taxed.lines, strict=True):
        printed = line.gross if area.prices_include_tax else line.net
        assert printed == charge.amount or (area.prices_include_tax and charge.kind in exempt)
        assert line.net + line.tax == line.gross
        assert type(line.tax.minor) is int
    assert taxed.net + taxed.tax == taxed.gross
    assert taxed.net.minor == sum(line.net.minor for line in taxed.lines)
    assert taxed.tax.minor == sum(line.tax.minor for line in taxed.lines)
    assert taxed.gross.minor == sum(line.gross.minor for line in taxed.lines)
    assert taxed.tax.minor == sum(tax.amount.minor for tax in taxed.taxes)


@given(areas(), ROWS, EXEMPT)
def test_each_line_bears_its_exact_tax_to_within_one_unit_a_component(
    area: TaxArea, rows: list[tuple[ChargeKind, int]], exempt: frozenset[ChargeKind]
) -> None:
    taxed = tax_charges(area, charges_in(area, rows), on=DAY, exempt=exempt)

    for (kind, minor), line in zip(rows, taxed.lines, strict=True):
        rate = Fraction(0) if kind in exempt else effective_rate(area, kind, DAY)
        exact = minor * rate / (1 + rate if area.prices_include_tax else 1)
        # A compounding component passes on, at its own rate, what was rounded before it.
        units = 1 if area.rounding.by is RoundBy.document else 2 * shares_of_a_line(area, kind)
        assert abs(line.tax.minor - exact) < max(units, 1)
        if not exact:
            assert line.tax.minor == 0


@given(areas(), ROWS, EXEMPT, st.randoms(use_true_random=False))
def test_totals_and_component_amounts_do_not_depend_on_the_order_of_the_charges(
    area: TaxArea,
    rows: list[tuple[ChargeKind, int]],
    exempt: frozenset[ChargeKind],
    random: Random,
) -> None:
    shuffled = list(rows)
    random.shuffle(shuffled)

    taxed = tax_charges(area, charges_in(area, rows), on=DAY, exempt=exempt)
    other = tax_charges(area, charges_in(area, shuffled), on=DAY, exempt=exempt)

    assert totals(taxed) == totals(other)


@given(areas(), ROWS)
def test_a_credit_of_every_charge_undoes_every_figure(
    area: TaxArea, rows: list[tuple[ChargeKind, int]]
) -> None:
    taxed = tax_charges(area, charges_in(area, rows), on=DAY)
    credit = tax_charges(area, charges_in(area, [(k, -minor) for k, minor in rows]), on=DAY)

    assert [-line.tax for line in taxed.lines] == [line.tax for line in credit.lines]
    assert [-tax.amount for tax in taxed.taxes] == [tax.amount for tax in credit.taxes]
    assert [-tax.base for tax in taxed.taxes] == [tax.base for tax in credit.taxes]
    assert (-taxed.net, -taxed.gross) == (credit.net, credit.gross)


@given(areas(), ROWS, EXEMPT)
def test_exempt_kinds_bear_no_tax_and_leave_that_of_the_others_as_it_is(
    area: TaxArea, rows: list[tuple[ChargeKind, int]], exempt: frozenset[ChargeKind]
) -> None:
    bearing = [(kind, minor) for kind, minor in rows if kind not in exempt]

    taxed = tax_charges(area, charges_in(area, rows), on=DAY, exempt=exempt)
    without = tax_charges(area, charges_in(area, bearing), on=DAY)

    assert taxed.taxes == without.taxes
    assert [
        line for (kind, _), line in zip(rows, taxed.lines, strict=True) if kind not in exempt
    ] == list(without.lines)


@given(areas(4), ROWS, EXEMPT)
def test_parts_of_lines_sum_to_each_tax_and_to_each_line(
    area: TaxArea, rows: list[tuple[ChargeKind, int]], exempt: frozenset[ChargeKind]
) -> None:
    taxed = tax_charges(area, charges_in(area, rows), on=DAY, exempt=exempt)
    shown = {tax.component for tax in (*taxed.taxes, *taxed.freed)}
    parts = [
        list(line_taxes(area, kind, line, on=DAY, is_exempt=kind in exempt, shown=shown))
        for (kind, _), line in zip(rows, taxed.lines, strict=True)
    ]

    for (kind, _), line, found in zip(rows, taxed.lines, parts, strict=True):
        assert [part.component for part in found] == sorted(shown)
        assert sum(part.amount.minor for part in found) == line.tax.minor
        for part in found:
            component = next(one for one in area.components if one.id == part.component)
            percent = component.rates[0].percent if part.category in "SZ" else 0
            is_applied = kind in component.applies_to
            assert (part.category == "O") == (not is_applied)
            assert (part.category == "E") == (is_applied and kind in exempt)
            assert (part.category == "Z") == (is_applied and kind not in exempt and not percent)
            assert part.percent == percent
    for tax in taxed.taxes:
        charged = [
            part
            for found in parts
            for part in found
            if part.component == tax.component and part.category in "SZ"
        ]
        assert sum(part.amount.minor for part in charged) == tax.amount.minor
        assert sum(part.base.minor for part in charged) == tax.base.minor
    for tax in taxed.freed:
        spared = [
            part
            for found in parts
            for part in found
            if part.component == tax.component and part.category == "E"
        ]
        assert spared
        assert not any(part.amount.minor for part in spared)


@given(areas(), ROWS, EXEMPT)
def test_a_base_is_the_net_of_its_kinds_and_each_component_keeps_its_own_rate(
    area: TaxArea, rows: list[tuple[ChargeKind, int]], exempt: frozenset[ChargeKind]
) -> None:
    taxed = tax_charges(area, charges_in(area, rows), on=DAY, exempt=exempt)

    by_id = {tax.component: tax for tax in taxed.taxes}
    for component in area.components:
        nets = [
            line.net.minor
            for (kind, _), line in zip(rows, taxed.lines, strict=True)
            if kind in component.applies_to and kind not in exempt
        ]
        assert (component.id in by_id) == bool(nets)
        if nets:
            shown = by_id[component.id]
            assert shown.percent == component.rates[0].percent
            if not component.compounds:
                assert shown.base.minor == sum(nets)


@given(areas(), ROWS, EXEMPT)
def test_what_is_exempt_is_paid_without_the_tax_that_its_price_includes(
    area: TaxArea, rows: list[tuple[ChargeKind, int]], exempt: frozenset[ChargeKind]
) -> None:
    freed = [(kind, minor) for kind, minor in rows if kind in exempt]

    taxed = tax_charges(area, charges_in(area, rows), on=DAY, exempt=exempt)
    # the same charges alone, to a customer who is exempt from nothing
    taxable = tax_charges(area, charges_in(area, freed), on=DAY)

    own = [line for (kind, _), line in zip(rows, taxed.lines, strict=True) if kind in exempt]
    assert all(line.tax.minor == 0 and line.net == line.gross for line in own)
    assert [line.gross for line in own] == [line.net for line in taxable.lines]
    assert taxed.freed == taxable.taxes
    printed = sum(minor for _, minor in rows)
    spared = sum(tax.amount.minor for tax in taxed.freed)
    if area.prices_include_tax:
        assert printed - taxed.gross.minor == spared


def nearest(value: Fraction, mode: RoundMode) -> int:
    """Round by walking to the whole numbers around a value and comparing distances."""
    size = abs(value)
    below = int(size)
    to_below, to_above = size - below, below + 1 - size
    if mode is RoundMode.down or to_below < to_above:
        chosen = below
    elif to_above < to_below or mode is RoundMode.half_up:
        chosen = below + 1
    else:
        chosen = below if below % 2 == 0 else below + 1
    return chosen if value >= 0 else -chosen


def percent_of(component: TaxComponent) -> Fraction:
    return Fraction(component.rates[0].percent) / 100


@given(areas(most_components=1), ROWS)
def test_one_tax_agrees_with_the_textbook_formula(
    area: TaxArea, rows: list[tuple[ChargeKind, int]]
) -> None:
    (component,) = area.components
    rate = percent_of(component)
    if area.prices_include_tax:
        rate = 1 - 1 / (1 + rate)
    amounts = [minor for kind, minor in rows if kind in component.applies_to]
    if area.rounding.by is RoundBy.line:
        expected = sum(nearest(amount * rate, area.rounding.mode) for amount in amounts)
    else:
        expected = nearest(sum(amounts) * rate, area.rounding.mode)

    assert tax_charges(area, charges_in(area, rows), on=DAY).tax.minor == expected


def applicable(area: TaxArea, kind: ChargeKind) -> list[TaxComponent]:
    return [component for component in area.components if kind in component.applies_to]


def exact_parts(area: TaxArea, kind: ChargeKind) -> dict[str, Fraction]:
    """Return each component's exact tax on a printed amount of one."""
    price, parts = Fraction(1), {}
    for component in applicable(area, kind):
        parts[component.id] = percent_of(component) * (price if component.compounds else 1)
        price += parts[component.id]
    return {
        component: part / price if area.prices_include_tax else part
        for component, part in parts.items()
    }


def rounded_by_line(area: TaxArea, rows: list[tuple[ChargeKind, int]]) -> dict[str, int]:
    taxes: dict[str, int] = {}
    for kind, minor in rows:
        price = minor
        for component in applicable(area, kind):
            if area.prices_include_tax:
                exact = minor * exact_parts(area, kind)[component.id]
            else:
                exact = percent_of(component) * (price if component.compounds else minor)
            tax = nearest(exact, area.rounding.mode)
            price += tax
            taxes[component.id] = taxes.get(component.id, 0) + tax
    return taxes


@given(areas(), ROWS)
def test_taxes_rounded_by_line_agree_with_a_walk_over_the_lines(
    area: TaxArea, rows: list[tuple[ChargeKind, int]]
) -> None:
    rounding = Rounding(by=RoundBy.line, mode=area.rounding.mode)
    area = with_rounding(area, rounding)

    taxed = tax_charges(area, charges_in(area, rows), on=DAY)

    assert {tax.component: tax.amount.minor for tax in taxed.taxes} == rounded_by_line(area, rows)


@given(areas(), ROWS)
def test_taxes_rounded_by_component_are_each_the_rounded_sum_of_their_exact_parts(
    area: TaxArea, rows: list[tuple[ChargeKind, int]]
) -> None:
    area = with_rounding(area, Rounding(by=RoundBy.component, mode=area.rounding.mode))

    taxed = tax_charges(area, charges_in(area, rows), on=DAY)

    for tax, component in ((tax, find(area, tax)) for tax in taxed.taxes):
        if area.prices_include_tax:
            exact = sum(
                (minor * exact_parts(area, k).get(component.id, Fraction(0)) for k, minor in rows),
                Fraction(0),
            )
        else:
            # The base holds the printed amounts of the components before, where it compounds.
            exact = tax.base.minor * percent_of(component)
        assert tax.amount.minor == nearest(exact, area.rounding.mode)


@given(areas(), ROWS)
def test_taxes_rounded_by_document_sum_to_each_whole_rate_rounded_once(
    area: TaxArea, rows: list[tuple[ChargeKind, int]]
) -> None:
    area = with_rounding(area, Rounding(by=RoundBy.document, mode=area.rounding.mode))
    sums: dict[tuple[str, ...], int] = {}
    rates: dict[tuple[str, ...], Fraction] = {}
    for kind, minor in rows:
        key = tuple(component.id for component in applicable(area, kind))
        sums[key] = sums.get(key, 0) + minor
        rates[key] = sum(exact_parts(area, kind).values(), Fraction(0))

    taxed = tax_charges(area, charges_in(area, rows), on=DAY)

    expected = sum(nearest(sums[key] * rates[key], area.rounding.mode) for key in sums)
    assert taxed.tax.minor == expected


def with_rounding(area: TaxArea, rounding: Rounding) -> TaxArea:
    return TaxArea(
        id=area.id,
        name=area.name,
        note=area.note,
        currency=area.currency,
        prices_include_tax=area.prices_include_tax,
        rounding=rounding,
        components=area.components,
        untaxed=area.untaxed,
    )


def find(area: TaxArea, tax: ComponentTax) -> TaxComponent:
    (component,) = (each for each in area.components if each.id == tax.component)
    return component
