"""A whole quote of some priced lines and nothing else, taxed as its area says."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from kitwright.catalogue.model import TaxArea
from kitwright.money import Money, total
from kitwright.quote import (
    Access,
    Amount,
    Changes,
    Engine,
    Exemption,
    Kit,
    Line,
    Quote,
    QuotingShop,
    Totals,
    WorkPlan,
    amount_of,
)
from kitwright.tax import Charge, line_taxes, tax_charges
from kitwright.telling import tell_line_taxes, tell_taxes


def small_quote(
    area: TaxArea,
    charges: Sequence[Charge],
    on: date,
    *,
    exempt: frozenset[str] = frozenset(),
    prepaid: str = "0.00",
) -> Quote:
    """Return a quote with a line for each charge."""
    taxed = tax_charges(area, charges, on=on, exempt=exempt)
    shown = {tax.component for tax in (*taxed.taxes, *taxed.freed)}
    nothing = amount_of(Money(0, area.currency))
    lines = tuple(
        Line(
            kind=charge.kind,
            code=f"X-{place}",
            cylinder=None,
            description=f"Line {place}",
            makes=(),
            quantity="1",
            unit="C62",
            measure="piece",
            unit_price=charge.amount.amount_text,
            base_quantity="1",
            amount=amount_of(charge.amount),
            net=amount_of(line.net),
            tax=amount_of(line.tax),
            gross=amount_of(line.gross),
            taxes=tell_line_taxes(
                line_taxes(
                    area,
                    charge.kind,
                    line,
                    on=on,
                    is_exempt=charge.kind in exempt,
                    shown=shown,
                ),
                _as_it_is,
            ),
            computed=None,
            tax_kind=charge.kind,
            labour_class=None,
            job=None,
            places=(),
            sources=(),
            reason="",
            why=(),
        )
        for place, (charge, line) in enumerate(zip(charges, taxed.lines, strict=True))
    )
    return Quote(
        basis="asked",
        assessment=None,
        in_play=(),
        provisional=False,
        on=on,
        valid_until=on,
        parts_by=None,
        language="en",
        catalogue_revision="",
        shop=QuotingShop(
            id="shop",
            name="Shop",
            currency=area.currency,
            prices_include_tax=area.prices_include_tax,
        ),
        engine=Engine(
            family="TB-V68",
            name="Engine",
            serial=None,
            build_code=None,
            chassis=None,
            chassis_name=None,
        ),
        complaint=None,
        diagnoses=(),
        jobs=(),
        swallowed=(),
        access=Access(remove=(), refit=(), minutes=0, exact_minutes="0", engine_out=False),
        work_plan=WorkPlan(
            language="en",
            machines=1,
            minutes=0,
            exact_minutes="0",
            jobs=(),
            steps=(),
            rows=(),
            changes=Changes(place=0, side=0, tools=0),
            least_changes=Changes(place=0, side=0, tools=0),
            stops=(),
            cautions=(),
        ),
        labour=(),
        kit=Kit(needs=(), packs=(), left_over=(), from_stock=(), is_least=True),
        lines=lines,
        taxes=tell_taxes(taxed.taxes, _as_it_is),
        tax_state="known",
        exemption=Exemption(
            certificate_number="C1",
            valid_until=on,
            kinds=tuple(sorted(exempt)),
            spares=tell_taxes(taxed.freed, _as_it_is),
        )
        if exempt
        else None,
        totals=Totals(
            lines=amount_of(total((charge.amount for charge in charges), area.currency)),
            discount=nothing,
            net=amount_of(taxed.net),
            tax=amount_of(taxed.tax),
            gross=amount_of(taxed.gross),
            deposit=nothing,
            prepaid=Amount(prepaid, area.currency),
            cash_rounding=nothing,
            payable=amount_of(taxed.gross),
        ),
        orders=(),
        unfilled=(),
        extras=(),
        questions=(),
        cautions=(),
        notes=(),
        contingencies=None,
    )


def _as_it_is(_: str, text: str) -> str:
    return text
