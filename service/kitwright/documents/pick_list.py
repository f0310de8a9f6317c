"""The pick list: the items to take from the shelves, bin by bin."""

from __future__ import annotations

import re
from collections.abc import Mapping

from kitwright.documents.contact import Contact
from kitwright.documents.frame import Sheet, frame, machine_rows, moment_of
from kitwright.documents.hypertext import hypertext
from kitwright.documents.press import press
from kitwright.language.scribe import Scribe
from kitwright.quote import Cover, Envelope, FromStock, Quote


def pick_list_pdf(quote: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact) -> bytes:
    """Return the pick list of a revision as PDF/UA-1."""
    sheet = pick_list(quote, envelope, scribe, contact=contact)
    return press().print("pick_list.typ", sheet, at=moment_of(quote, envelope))


def pick_list_html(quote: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact) -> str:
    """Return the pick list of a revision as a page."""
    return hypertext("pick_list.html", pick_list(quote, envelope, scribe, contact=contact))


def pick_list(quote: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact) -> Sheet:
    """Return the content of both forms of the pick list, by bin, items without a bin last."""
    say = scribe.say
    names = {line.code: line.description for line in quote.lines}
    names |= {need.part: need.name for need in quote.kit.needs}
    taken = sorted(quote.kit.from_stock, key=lambda one: (*_along(one.bin), one.item))
    return {
        **frame(say("Pick list"), quote, envelope, scribe, contact),
        "machine": machine_rows(quote, envelope, scribe),
        "words": {
            "machine": say("Machine"),
            "taken": say("From the shelves"),
            "picked": say("Picked"),
            "bin": say("Bin"),
            "quantity": say("Quantity"),
            "item": say("Item"),
            "for": say("For:"),
            "nothing": say("Nothing is taken from the shelves."),
            "by": say("Picked by"),
            "date": say("Date"),
            "count": scribe.say_many("{count} kind of item", "{count} kinds of items", len(taken)),
        },
        "rows": [_row(one, names, quote, scribe) for one in taken],
    }


def _row(stock: FromStock, names: Mapping[str, str], quote: Quote, scribe: Scribe) -> Sheet:
    roles = _roles(quote, stock.item, scribe)
    # older stock that is used up has a number that occurs nowhere else in the answer
    name = names.get(stock.item) or next(iter(roles), stock.item)
    return {
        "bin": stock.bin or scribe.say("no bin"),
        "quantity": f"{scribe.number(stock.quantity)} {scribe.unit(stock.measure, stock.quantity)}",
        "item": stock.item,
        "name": name,
        "for": "; ".join(roles),
    }


def cover_words(covers: tuple[Cover, ...], scribe: Scribe) -> list[str]:
    """Return the roles that some packs serve, each once."""
    return list(dict.fromkeys(scribe.thing(one.role, one.cylinder) for one in covers))


def _roles(quote: Quote, item: str, scribe: Scribe) -> list[str]:
    """Return the use of an item from the shelves: the roles that its packs cover, else its
    needs.
    """
    packs = (one for one in quote.kit.packs if one.item == item and one.source == "stock")
    covered = cover_words(tuple(cover for pack in packs for cover in pack.covers), scribe)
    needed = (
        scribe.thing(need.role, need.cylinder) for need in quote.kit.needs if need.part == item
    )
    return covered or list(dict.fromkeys(needed))


def _along(shelf: str | None) -> tuple[bool, list[tuple[int, str]]]:
    """Return a key that sorts bins in natural order: F2 before F10, items without a bin last."""
    parts = re.findall(r"\d+|\D+", shelf or "")
    return not shelf, [
        (int(part), "") if part.isdecimal() and part.isascii() else (-1, part) for part in parts
    ]
