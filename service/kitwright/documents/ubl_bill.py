"""UBL bill: an invoice as a UBL 2.1 Invoice, a credit note as a UBL 2.1 CreditNote.

If EN 16931 knows the taxes of the document, it follows its rules and names them as its
customisation. Otherwise it is plain UBL, with each tax under its own name.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from msgspec import structs

from kitwright.documents.balance_view import exemption_told
from kitwright.documents.ubl import DISCOUNT, FREIGHT
from kitwright.documents.ubl_tax import tax_totals, taxes_of
from kitwright.documents.ubl_xml import ubl_document
from kitwright.language.scribe import Scribe
from kitwright.quote import Bill, Engine, Party
from kitwright.tax import Category

_VAT: Final = "VAT"


def ubl_bill(bill: Bill) -> bytes:
    """Return an invoice or a credit note as UBL 2.1 in UTF-8; the same one gives the same bytes.

    Raises: UnknownLanguage.
    """
    scribe = Scribe(bill.language)
    shown = bill if bill.profile is None else _as_vat(bill)
    return ubl_document(
        "bill.xml",
        scribe,
        bill=shown,
        notes=notes_of(bill, scribe),
        terms=terms_of(bill, scribe),
        tax_totals=tax_totals(shown),
        taxes_of=taxes_of,
        exemption_told=exemption_told,
        address_of=_address,
        has_address=lambda who: bool(who.country) or any(_address(who)),
        FREIGHT=FREIGHT,
        DISCOUNT=DISCOUNT,
    )


def _as_vat(bill: Bill) -> Bill:
    """Return a document whose lines have their one tax under the name that EN 16931 has for it."""
    return structs.replace(
        bill,
        lines=tuple(
            structs.replace(
                line,
                taxes=tuple(
                    structs.replace(tax, component=_VAT, name=_VAT)
                    for tax in line.taxes
                    if tax.category is not Category.outside
                ),
            )
            for line in bill.lines
        ),
    )


def notes_of(bill: Bill, scribe: Scribe) -> tuple[str, ...]:
    """Return what a document says in words: what it is for, and why it corrects another."""
    notes = [scribe.say("For quote {quote}", quote=bill.quote)]
    if bill.engine is not None:
        notes += _engine(bill.engine, scribe)
    if bill.reason is not None:
        notes.append(scribe.say("Reason: {reason}", reason=bill.reason))
    if bill.payable.money.minor < 0:
        notes.append(scribe.say("The negative amount is paid back."))
    return tuple(notes)


def _engine(engine: Engine, scribe: Scribe) -> Iterator[str]:
    name, serial = f"{engine.name} ({engine.family})", engine.serial
    if serial is None:
        yield scribe.say("Engine: {engine}", engine=name)
    else:
        yield scribe.say("Engine: {engine}, serial number {serial}", engine=name, serial=serial)
    if engine.chassis_name is not None:
        yield scribe.say("Machine: {machine}", machine=engine.chassis_name)


def terms_of(bill: Bill, scribe: Scribe) -> str:
    """Return the terms of payment in words."""
    if bill.kind == "credit_note":
        return scribe.say("The amount is given back.")
    if bill.payable.money.minor <= 0:
        return scribe.say("Paid. Nothing is left to pay.")
    if bill.terms:
        return bill.terms
    if has_days_to_pay(bill):
        return scribe.say("Payable by {day}.", day=scribe.day(bill.due_on))
    # as the final account says it
    return scribe.say("Payable when you collect the machine.")


def has_days_to_pay(bill: Bill) -> bool:
    """Return whether an invoice is payable by a day after that of its issue."""
    return bill.kind == "invoice" and bill.due_on > bill.issued_on


def _address(who: Party) -> Iterator[tuple[str, str]]:
    """Yield the elements of an address, in the order of the schema."""
    for name, value in (
        ("StreetName", who.street),
        ("AdditionalStreetName", who.more),
        ("CityName", who.city),
        ("PostalZone", who.postcode),
        ("CountrySubentity", who.region),
    ):
        if value:
            yield name, value
