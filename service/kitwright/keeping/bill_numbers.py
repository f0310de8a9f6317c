"""Bill numbers: keeps invoices and credit notes under the numbers of their series.

Numbers of a series have no gaps: each is the last one and one more, taken in the transaction that
keeps the document. A generation of the records has series of its own, because after a restore
nobody knows which numbers were handed out since the backup.
"""

from __future__ import annotations

from hashlib import sha256
from types import MappingProxyType
from typing import Final

from msgspec import structs

from kitwright.keeping.bill_seal import is_genuine, sealed
from kitwright.keeping.event import Facts, keep_change
from kitwright.keeping.generation import Generation
from kitwright.keeping.record import BillKind, KeptBill, KeptQuote, Stamp, bill_name
from kitwright.keeping.store import Records
from kitwright.quote import Bill, encode_billing

_LETTERS: Final = {BillKind.invoice: "I", BillKind.advance: "I", BillKind.credit_note: "C"}


def letter_of(kind: BillKind) -> str:
    """Return the letter with which the series of a kind of documents begins."""
    return _LETTERS[kind]


def series_of(records: Records, kind: BillKind) -> str:
    """Return the series of the current generation: `I1`, after a restore `I2-5D0A`, for example."""
    return series_in(records.generations.current(), kind)


def series_in(generation: Generation, kind: BillKind) -> str:
    """Return the series of a generation. Two restores of one backup have the same number, but
    different epochs.
    """
    mark = "" if generation.number == 1 else f"-{generation.epoch[:4].upper()}"
    return f"{_LETTERS[kind]}{generation.number}{mark}"


def keep_bill(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    bill: Bill,
    credited: KeptBill | None = None,
    *,
    buyer: int | None = None,
) -> tuple[KeptQuote, KeptBill]:
    """Keep a document under the next number of its series; return the quote with its event.
    `buyer` is the number of the customer to whom it is made out.
    """
    kind = BillKind(bill.kind)
    series = series_of(records, kind)
    place = records.bills.last(series) + 1
    numbered = sealed(records, structs.replace(bill, number=bill_name(series, place), seal=None))
    kept = _kept(stamp, quote, numbered, encode_billing(numbered), (series, place), credited, buyer)
    return _added(records, stamp, quote, kept, credited)


def keep_copy(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    bill: Bill,
    body: bytes,
    number: tuple[str, int],
    credited: KeptBill | None = None,
    *,
    buyer: int | None = None,
) -> tuple[KeptQuote, KeptBill]:
    """Keep a document that was made before a restore under its own number, a series and a place,
    byte for byte; return the quote with its event. The caller has checked it.
    """
    kept = _kept(stamp, quote, bill, body, number, credited, buyer)
    is_sealed = is_genuine(records, body)
    kept = structs.replace(kept, entered_at=stamp.at, is_sealed=is_sealed)
    seal = "none" if is_sealed is None else "held" if is_sealed else "broken"
    return _added(records, stamp, quote, kept, credited, {"entered": 1, "seal": seal})


def _kept(
    stamp: Stamp,
    quote: KeptQuote,
    bill: Bill,
    body: bytes,
    number: tuple[str, int],
    credited: KeptBill | None,
    buyer: int | None,
) -> KeptBill:
    series, place = number
    return KeptBill(
        number=0,
        series=series,
        place=place,
        kind=BillKind(bill.kind),
        quote=quote.number,
        credited_series=None if credited is None else credited.series,
        credited_place=None if credited is None else credited.place,
        at=stamp.at,
        day=bill.issued_on,
        net=bill.net.money,
        gross=bill.gross.money,
        sha256=sha256(body).hexdigest(),
        body=body,
        buyer=buyer,
    )


def _added(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    bill: KeptBill,
    credited: KeptBill | None,
    more: Facts = MappingProxyType({}),
) -> tuple[KeptQuote, KeptBill]:
    kept = records.bills.add(bill)
    facts: Facts = {"number": kept.name, "billed": kept.gross.amount_text, **more}
    if credited is None:
        return keep_change(records, stamp, "quote.invoiced", quote, facts), kept
    facts = {**facts, "credits": credited.name}
    return keep_change(records, stamp, "quote.credited", quote, facts), kept
