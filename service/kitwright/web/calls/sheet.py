"""Sheet: the answers to quotes of one draft, encoded once but for what each has of its own."""

from __future__ import annotations

from operator import is_
from typing import Any, Final

import msgspec
from msgspec import Raw, Struct, structs

from kitwright.catalogue.model import Catalogue
from kitwright.language.render import Speaker
from kitwright.stages.contingency import Prospect
from kitwright.stages.quote import Quote
from kitwright.web.calls.answer import (
    answer,
    basis_out,
    contingencies_out,
    engine_out,
    exemption_out,
    may_turn_up_out,
    taxes_out,
    totals_out,
)
from kitwright.web.calls.draft import Teller, line_out
from kitwright.web.calls.out import ExtraOut, money

_OWN: Final = frozenset(
    (
        "basis",
        "assessment",
        "in_play",
        "engine",
        "complaint",
        "lines",
        "taxes",
        "exemption",
        "totals",
        "extras",
        "notes",
        "contingencies",
    )
)
"""Members that quotes of one draft need not have in common."""

_encode: Final = msgspec.json.Encoder().encode


class Sheet(Struct, frozen=True, kw_only=True):
    """The whole text of an answer to an untouched quote of a draft, and where things stand in it.

    `places` are those of the members that a quote may have of its own, in order: name, start, end.
    `lines` are those of the lines, `extras` the texts of each extra before and after its price. One
    text rather than pieces: most answers are it as it is, but for the engine.
    """

    text: bytes
    places: tuple[tuple[str, int, int], ...]
    lines: tuple[tuple[int, int], ...]
    extras: tuple[tuple[bytes, bytes], ...]


def make_sheet(quote: Quote, speaker: Speaker, *, catalogue: Catalogue, language: str) -> Sheet:
    """Return the sheet of a quote's draft. The quote is of its draft (`Quote.is_of_draft`)."""
    plain = structs.replace(
        quote,
        repair=quote.draft.repair,
        extras=quote.draft.extras,
        notes=(),
        basis=None,
        contingencies=None,
    )
    whole = answer(plain, speaker, catalogue=catalogue, language=language)
    text = b""
    places = []
    # the encoder writes members in the order of the fields, so the text ends where each begins
    for name in whole.__struct_fields__:
        text += b"%b%b:" % (b"," if text else b"{", _encode(name))
        start = len(text)
        text += _encode(getattr(whole, name))
        if name in _OWN:
            places.append((name, start, len(text)))
    starts = {name: start for name, start, _ in places}
    lines = []
    at = starts["lines"] + 1
    for line in whole.lines:
        size = len(_encode(line))
        lines.append((at, at + size))
        at += size + 1
    return Sheet(
        text=text + b"}",
        places=tuple(places),
        lines=tuple(lines),
        extras=tuple(_around_price(extra) for extra in whole.extras),
    )


def encode_prospect(prospect: Prospect, speaker: Speaker) -> bytes:
    """Return what may turn up, encoded: the same for every quote that has it."""
    return _encode(may_turn_up_out(prospect, Teller(speaker)))


def _around_price(extra: ExtraOut) -> tuple[bytes, bytes]:
    """Return an extra's text before and after its price."""
    # what stands before the price holds no quotation marks that are not escaped, so this is its own
    name = b'"price":'
    before, _, after = _encode(extra).partition(name + _encode(extra.price))
    return before + name, after


def fill_sheet(
    sheet: Sheet,
    quote: Quote,
    speaker: Speaker,
    *,
    catalogue: Catalogue,
    language: str,
    complaint: str | None = None,
    prospect: bytes | None = None,
) -> bytes:
    """Return the encoded answer to a quote of the sheet's draft: byte by byte what `answer` comes
    to.

    `prospect` is what may turn up, from `encode_prospect`, where the quote has it.
    """
    request, repair = quote.request, quote.repair
    text = memoryview(sheet.text)
    own: dict[str, bytes] = {"engine": _encode(engine_out(request))}
    if complaint is not None:
        own["complaint"] = _encode(complaint)
    if request.asked.terms.exemption is not None or quote.basis is not None:
        basis = basis_out(quote, speaker, catalogue=catalogue, language=language)
        own["basis"], own["assessment"], own["in_play"] = map(_encode, basis)
        own["exemption"] = _encode(exemption_out(quote))
    if repair is not quote.draft.repair:
        own["lines"] = b"[%b]" % b",".join(_lines(sheet, quote, Teller(speaker)))
        own["taxes"] = _encode(taxes_out(repair.taxes))
        own["totals"] = _encode(totals_out(repair.totals))
    if quote.extras is not quote.draft.extras:
        own["extras"] = _extras(sheet, quote)
    if quote.notes:
        own["notes"] = _encode(Teller(speaker).whys(quote.notes))
    if prospect is not None:
        known: Any = Raw(prospect)
        own["contingencies"] = _encode(contingencies_out(quote, Teller(speaker), known))
    pieces: list[bytes | memoryview] = []
    at = 0
    for name, start, end in sheet.places:
        if name in own:
            pieces += (text[at:start], own[name])
            at = end
    pieces.append(text[at:])
    return b"".join(pieces)


def _extras(sheet: Sheet, quote: Quote) -> bytes:
    """Return the extras, encoded: they differ from those of the draft in price alone."""
    told = [
        before + _encode(money(extra.price)) + after
        for (before, after), extra in zip(sheet.extras, quote.extras, strict=True)
    ]
    return b"[%b]" % b",".join(told)


def _lines(sheet: Sheet, quote: Quote, told: Teller) -> list[bytes]:
    """Return the lines, encoded, with commas between some; those that neither the counter nor the
    tax has changed stand in the sheet.
    """
    repair, before = quote.repair, quote.draft.repair
    taxes = repair.line_taxes or (None,) * len(repair.lines)
    taxes_before = before.line_taxes or (None,) * len(before.lines)
    # an adjusted line keeps its place; free lines and discounts come after those of the draft
    count = len(before.lines)
    if all(map(is_, repair.lines, before.lines)) and all(map(is_, taxes, taxes_before)):
        # the everyday case, discounts apart: all of them as they stand
        found = [sheet.text[sheet.lines[0][0] : sheet.lines[-1][1]]] if count else []
    else:
        found = [
            sheet.text[start:end]
            if line is line_before and tax == tax_before
            else _encode(line_out(line, tax, told))
            for line, tax, line_before, tax_before, (start, end) in zip(
                repair.lines, taxes, before.lines, taxes_before, sheet.lines, strict=False
            )
        ]
    reasons: dict[int, Any] = {}
    for line, tax in zip(repair.lines[count:], taxes[count:], strict=True):
        # the lines of one discount share its reasons
        why: Any = reasons.get(id(line.why))
        if why is None:
            why = reasons[id(line.why)] = Raw(_encode(told.whys(line.why)))
        found.append(_encode(line_out(line, tax, told, why)))
    return found
