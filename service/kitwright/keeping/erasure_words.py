"""Erasure words: what takes the place of personal data in statements and invoices."""

from __future__ import annotations

from typing import Final

from msgspec import structs

from kitwright.keeping.record import Authorisation, KeptStatement, StorageFee
from kitwright.quote import Party, encode_billing, read_bill, read_statement

ERASED: Final = "erased"
"""The text that replaces a name."""
_FREE: Final = "free"
"""The kind of the added lines, whose text is written manually."""
_ADDED: Final = "addition-"
"""The start of the code of a line that was added after the acceptance."""


def without_names(kept: KeptStatement) -> KeptStatement:
    """Return a statement without serial number, certificate and text written at the counter.
    Amounts stay.
    """
    statement = read_statement(kept.body)
    exemption = statement.exemption
    lines = tuple(
        structs.replace(line, description=ERASED)
        if line.kind == _FREE or line.code.startswith(_ADDED)
        else line
        for line in statement.lines
    )
    engine = statement.engine
    left = structs.replace(
        statement,
        engine=None if engine is None else structs.replace(engine, serial=None, build_code=None),
        lines=lines,
        disposed=tuple(structs.replace(one, what=ERASED, where=None) for one in statement.disposed),
        unbooked=None if statement.unbooked is None else ERASED,
        exemption=None
        if exemption is None
        else structs.replace(exemption, certificate_number=ERASED),
    )
    return structs.replace(kept, is_erased=True, body=encode_billing(left))


def without_buyer(body: bytes) -> bytes:
    """Return an invoice or a credit note, as JSON, without its buyer and text written at the
    counter. Number, days, codes and amounts stay.
    """
    bill = read_bill(body)
    engine, exemption = bill.engine, bill.exemption
    left = structs.replace(
        bill,
        buyer=Party(name=ERASED),
        engine=None if engine is None else structs.replace(engine, serial=None, build_code=None),
        reason=None if bill.reason is None else ERASED,
        terms=None,
        order_reference=None,
        lines=tuple(
            structs.replace(line, description=ERASED)
            if line.kind == _FREE or line.code.startswith(_ADDED)
            else line
            for line in bill.lines
        ),
        exemption=None
        if exemption is None
        else structs.replace(exemption, certificate_number=ERASED),
        # it was over what is erased
        seal=None,
    )
    return encode_billing(left)


def without_name(given: Authorisation) -> Authorisation:
    """Return an authorisation without the names of who gave it, who asked for an early start, and
    who withdrew from it.
    """
    made = given.from_afar
    if made is not None and made.withdrawn_by is not None:
        made = structs.replace(made, withdrawn_by=ERASED)
    if made is not None and made.wish is not None:
        made = structs.replace(made, wish=structs.replace(made.wish, who=ERASED, text=ERASED))
    return structs.replace(given, who=ERASED, contact=None, text=ERASED, from_afar=made)


def without_reason(fee: StorageFee | None) -> StorageFee | None:
    """Return what was owed for storage without the words in which it was waived."""
    if fee is None or fee.waived is None:
        return fee
    return structs.replace(fee, waived=ERASED)
