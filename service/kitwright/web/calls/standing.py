"""Standing: a kept revision as it stands, with what was added since it was agreed to.

A revision itself never changes; additions are lines of their own behind its lines. Whatever shows
a quote, as JSON or on paper, shows this.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Final

import msgspec
from msgspec import structs

from kitwright.keeping.life import additions_to
from kitwright.keeping.record import Addition, KeptQuote, Revision
from kitwright.keeping.store import Records
from kitwright.keeping.sums import Sums, sums_of
from kitwright.language.scribe import Scribe
from kitwright.money import Money, total
from kitwright.tax.charges import TaxedLine
from kitwright.units import REC20
from kitwright.web.calls.answer import taxes_out
from kitwright.web.calls.out import LineOut, MoneyOut, TotalsOut, WhyOut, money
from kitwright.web.calls.quote_out import ContingenciesOut, QuoteOut

ADDED_SINCE: Final = "added-since"
"""The reason of a line that was added after the revision was agreed to."""


def standing(records: Records, quote: KeptQuote, revision: Revision) -> bytes:
    """Return a revision's answer as JSON; where it is the agreed one, with what was added to it."""
    added = additions_to(records, quote, revision)
    if not added:
        return revision.answer
    answer = msgspec.json.decode(revision.answer, type=QuoteOut)
    sums = sums_of(revision, added)
    scribe = Scribe(answer.language)
    agreed, more = sums.lines[: len(answer.lines)], sums.lines[len(answer.lines) :]
    return msgspec.json.encode(
        structs.replace(
            answer,
            lines=(
                *(_taxed(line, tax) for line, tax in zip(answer.lines, agreed, strict=True)),
                *(_line(one, tax, scribe) for one, tax in zip(added, more, strict=True)),
            ),
            taxes=taxes_out(sums.taxes),
            exemption=None
            if answer.exemption is None
            else structs.replace(answer.exemption, spares=taxes_out(sums.freed)),
            totals=_totals(answer.totals, sums, added),
            contingencies=_contingencies(answer.contingencies, answer.totals, sums),
        )
    )


def _taxed(line: LineOut, tax: TaxedLine) -> LineOut:
    return structs.replace(line, net=money(tax.net), tax=money(tax.tax), gross=money(tax.gross))


def _line(addition: Addition, tax: TaxedLine, scribe: Scribe) -> LineOut:
    text = scribe.say("Added on {day}.", day=scribe.day(addition.day))
    return LineOut(
        kind=addition.kind,
        code=f"addition-{addition.number}",
        makes=(),
        cylinder=None,
        description=addition.description,
        quantity="1",
        unit=REC20["piece"],
        unit_price=addition.price.amount_text,
        base_quantity="1",
        amount=money(addition.price),
        net=money(tax.net),
        tax=money(tax.tax),
        gross=money(tax.gross),
        computed=None,
        tax_kind=addition.tax_kind,
        labour_class=None,
        why=(WhyOut(code=ADDED_SINCE, facts={"day": addition.day.isoformat()}, text=text),),
    )


def _totals(agreed: TotalsOut, sums: Sums, added: Sequence[Addition]) -> TotalsOut:
    prices = total((one.price for one in added), sums.net.currency)
    return structs.replace(
        agreed,
        lines=_more(agreed.lines, prices),
        net=money(sums.net),
        tax=money(sums.tax),
        gross=money(sums.gross),
        cash_rounding=money(sums.cash_rounding),
        payable=money(sums.payable),
    )


def _contingencies(
    agreed: ContingenciesOut | None, totals: TotalsOut, sums: Sums
) -> ContingenciesOut | None:
    """Return what may turn up on top of what was added: every sum is of the whole."""
    if agreed is None or totals.gross is None:
        return agreed
    more = sums.gross - _read(totals.gross)
    return structs.replace(
        agreed,
        as_quoted=_more(agreed.as_quoted, more),
        likely=_more(agreed.likely, more),
        worst=_more(agreed.worst, more),
    )


def _more(before: MoneyOut, more: Money) -> MoneyOut:
    return money(_read(before) + more)


def _read(out: MoneyOut) -> Money:
    return Money.of(Decimal(out.amount), out.currency)
