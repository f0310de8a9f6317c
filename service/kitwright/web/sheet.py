"""Sheet: the answers to quotes of one draft, encoded but for what each quote has of its own."""

from __future__ import annotations

from typing import Any, Final

import msgspec
from msgspec import Raw, Struct, structs

from kitwright.catalogue.model import Catalogue
from kitwright.language.render import Speaker
from kitwright.stages.quote import Quote
from kitwright.web.answer import (
    answer,
    basis_out,
    engine_out,
    exemption_out,
    taxes_out,
    totals_out,
)
from kitwright.web.draft import Teller, line_out
from kitwright.web.quotes import QuoteOut

_OWN: Final = (
    "basis",
    "assessment",
    "in_play",
    "engine",
    "lines",
    "taxes",
    "exemption",
    "totals",
)
"""Members that quotes of one draft need not have in common."""

_HOLES: Final = tuple(name for name in QuoteOut.__struct_fields__ if name in _OWN)
_HOLE: Final = b"\0"
"""Stands in no JSON text: there it is written as an escape."""

_encode: Final = msgspec.json.Encoder().encode


class Sheet(Struct, frozen=True, kw_only=True):
    """An answer in pieces: `around` its holes, and what untouched quotes have in these."""

    around: tuple[bytes, ...]
    lines: tuple[bytes, ...]
    taxes: bytes
    totals: bytes


def make_sheet(quote: Quote, speaker: Speaker, *, catalogue: Catalogue, language: str) -> Sheet:
    """Return the sheet of a quote's draft. The quote is of its draft (`Quote.is_of_draft`)."""
    plain = structs.replace(quote, repair=quote.draft.repair, basis=None)
    whole = answer(plain, speaker, catalogue=catalogue, language=language)
    holes: dict[str, Any] = dict.fromkeys(_HOLES, Raw(_HOLE))
    return Sheet(
        around=tuple(_encode(structs.replace(whole, **holes)).split(_HOLE)),
        lines=tuple(_encode(line) for line in whole.lines),
        taxes=_encode(whole.taxes),
        totals=_encode(whole.totals),
    )


def fill_sheet(
    sheet: Sheet, quote: Quote, speaker: Speaker, *, catalogue: Catalogue, language: str
) -> bytes:
    """Return the encoded answer to a quote of the sheet's draft: byte by byte what `answer` comes
    to.
    """
    repair = quote.repair
    is_untouched = repair is quote.draft.repair
    lines = sheet.lines if is_untouched else _lines(sheet, quote, Teller(speaker))
    own = {
        "engine": _encode(engine_out(quote.request)),
        "lines": b"[%b]" % b",".join(lines),
        "taxes": sheet.taxes if is_untouched else _encode(taxes_out(repair.taxes)),
        "exemption": _encode(exemption_out(quote.request)),
        "totals": sheet.totals if is_untouched else _encode(totals_out(repair.totals)),
    }
    basis = basis_out(quote, speaker, catalogue=catalogue, language=language)
    own["basis"], own["assessment"], own["in_play"] = map(_encode, basis)
    pieces = [sheet.around[0]]
    for name, after in zip(_HOLES, sheet.around[1:], strict=True):
        pieces += (own[name], after)
    return b"".join(pieces)


def _lines(sheet: Sheet, quote: Quote, told: Teller) -> list[bytes]:
    """Return the lines, encoded; those that neither the counter nor the tax has changed are
    known.
    """
    repair, before = quote.repair, quote.draft.repair
    taxes = repair.line_taxes or (None,) * len(repair.lines)
    taxes_before = before.line_taxes or (None,) * len(before.lines)
    # an adjusted line keeps its place; free lines and discounts come after those of the draft
    found = [
        known
        if line is line_before and (tax is tax_before or tax == tax_before)
        else _encode(line_out(line, tax, told))
        for line, tax, line_before, tax_before, known in zip(
            repair.lines, taxes, before.lines, taxes_before, sheet.lines, strict=False
        )
    ]
    reasons: dict[int, Any] = {}
    for line, tax in zip(repair.lines[len(found) :], taxes[len(found) :], strict=True):
        # the lines of one discount share its reasons
        why: Any = reasons.get(id(line.why))
        if why is None:
            why = reasons[id(line.why)] = Raw(_encode(told.whys(line.why)))
        found.append(_encode(line_out(line, tax, told, why)))
    return found
