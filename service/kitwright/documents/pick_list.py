"""Pick list: the items to take from stock for a quote, bin by bin."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from kitwright.catalogue.model import Contact
from kitwright.documents.frame import frame, machine_rows, moment_of
from kitwright.documents.press import Sheet, press, said
from kitwright.documents.web_page import sheet_page
from kitwright.language.scribe import Scribe
from kitwright.quote import Cover, Envelope, FromStock, Need, Quote


def pick_list_pdf(quote: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact) -> bytes:
    """Return the pick list of a revision as PDF/UA-1."""
    sheet = pick_list(quote, envelope, scribe, contact=contact)
    sheet["said"] = said("pick_list.typ", scribe)
    return press().print("pick_list.typ", sheet, at=moment_of(quote, envelope))


def pick_list_html(quote: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact) -> str:
    """Return the pick list of a revision as a page."""
    return sheet_page("pick_list.html", scribe, pick_list(quote, envelope, scribe, contact=contact))


def pick_list(quote: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact) -> Sheet:
    """Return the data of both forms of the pick list, by bin; items without a bin come last."""
    names = {line.code: line.description for line in quote.lines}
    names |= {need.part: need.name for need in quote.kit.needs}
    taken = sorted(quote.kit.from_stock, key=lambda stock: (*_bin_order(stock.bin), stock.item))
    return {
        **frame(scribe.say("Pick list"), quote, envelope, scribe, contact),
        "machine": machine_rows(quote, envelope, scribe),
        "count": scribe.say_many("{count} kind of item", "{count} kinds of items", len(taken)),
        "rows": [_row(stock, names, quote, scribe) for stock in taken],
    }


def _row(stock: FromStock, names: Mapping[str, str], quote: Quote, scribe: Scribe) -> Sheet:
    roles = _roles(quote, stock.item, scribe)
    # older stock that is used up has a number that is named nowhere else in the quote
    name = names.get(stock.item) or (roles[0] if roles else stock.item)
    return {
        "bin": stock.bin or scribe.say("no bin"),
        "quantity": scribe.quantity(stock.quantity, stock.measure),
        "item": stock.item,
        "name": name,
        "for": "; ".join(roles),
    }


def roles_of(uses: Iterable[Cover | Need], scribe: Scribe) -> list[str]:
    """Return the roles that needs have, or that packs cover, in words, each once."""
    return list(dict.fromkeys(scribe.thing(use.role, use.cylinder) for use in uses))


def _roles(quote: Quote, item: str, scribe: Scribe) -> list[str]:
    """Return the roles that an item from stock covers, or if there are none, those that need it."""
    packs = [pack for pack in quote.kit.packs if pack.item == item and pack.source == "stock"]
    covered = roles_of((cover for pack in packs for cover in pack.covers), scribe)
    return covered or roles_of((need for need in quote.kit.needs if need.part == item), scribe)


def _bin_order(shelf: str | None) -> tuple[bool, list[tuple[int, str]]]:
    """Return a sort key for bins: F2 comes before F10, an item without a bin last."""
    parts = re.findall(r"\d+|\D+", shelf or "")
    return not shelf, [
        (int(part), "") if part.isdecimal() and part.isascii() else (-1, part) for part in parts
    ]
