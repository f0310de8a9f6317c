"""Records of statements, payments, hand-overs, invoices and credit notes."""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum

from msgspec import Struct

from kitwright.money import Money
from kitwright.quote import Amount, Count, StatementLine, Tax


class KeptStatement(Struct, frozen=True, kw_only=True):
    """The account of a finished quote: what was agreed, and what is billed. It never changes.

    `sha256`, in hex, is of `body`, the JSON of a `kitwright.quote.Statement`, as it was made;
    `is_erased` says that personal data has been removed since. `who` closed it.
    """

    quote: int
    at: datetime
    day: date
    net: Money
    gross: Money
    who: str | None
    sha256: str
    is_erased: bool = False
    body: bytes


class Payment(Struct, frozen=True, kw_only=True):
    """A payment by a customer, or one paid back if the amount is negative. `is_advance` says that
    it was made before there was a statement. `means` is how it was paid, `reference` what
    identifies it. `rounding` is what the smallest coin took off the balance, or added to it:
    amount - rounding was owed.
    """

    quote: int
    number: int
    at: datetime
    day: date
    amount: Money
    rounding: Money
    means: str
    reference: str | None
    who: str
    is_advance: bool = False


class StorageFee(Struct, frozen=True, kw_only=True):
    """What was owed for storage when a machine was collected: for `days` after `free_until`. It is
    the `line` that follows those of the statement, with the `taxes` on it; or `waived` is why the
    shop did not charge it, and `line` is None.
    """

    free_until: date
    days: Count
    fee: Amount
    line: StatementLine | None = None
    taxes: tuple[Tax, ...] = ()
    waived: str | None = None


class Handover(Struct, frozen=True, kw_only=True):
    """A machine was collected by `collector`, and handed over by `who`, with the balance then.

    `old_parts` says that the old parts went along, `is_unsafe` that the machine is tagged as not
    safe to use. `storage` is None if none was owed.
    """

    quote: int
    at: datetime
    day: date
    collector: str
    old_parts: bool
    is_unsafe: bool
    balance: Money
    who: str
    storage: StorageFee | None = None


class BillKind(StrEnum):
    """An invoice, the invoice of an advance, or a credit note that corrects one of them."""

    invoice = "invoice"
    advance = "advance"
    credit_note = "credit_note"


class KeptBill(Struct, frozen=True, kw_only=True):
    """An invoice or a credit note, which never changes. Its number is its series and its place in
    it, from 1 without gaps. A credit note names the invoice that it corrects.

    `sha256`, in hex, is of `body`, the JSON of a `kitwright.quote.Bill`, as it was made; from
    `erased_at` on, `body` has no personal data. At `entered_at` it was entered from its copy after
    a restore; None if it was made here. `is_sealed` says whether the seal of that copy held: True
    of a true copy, False of one that was changed, None of one without a seal. `buyer` is the number
    of the customer to whom it is made out, None if that is only known to be the quote's.
    """

    number: int
    """Its place among all."""
    series: str
    place: int
    kind: BillKind
    quote: int
    credited_series: str | None
    credited_place: int | None
    at: datetime
    day: date
    net: Money
    gross: Money
    sha256: str
    body: bytes
    erased_at: datetime | None = None
    entered_at: datetime | None = None
    buyer: int | None = None
    is_sealed: bool | None = None

    @property
    def name(self) -> str:
        """The number as it is printed."""
        return bill_name(self.series, self.place)

    @property
    def credited(self) -> str | None:
        """The number of the invoice that a credit note corrects, None of an invoice."""
        if self.credited_series is None or self.credited_place is None:
            return None
        return bill_name(self.credited_series, self.credited_place)

    @property
    def billed(self) -> Money:
        """What it bills, including tax: negative if it gives back."""
        return -self.gross if self.kind is BillKind.credit_note else self.gross


def bill_name(series: str, place: int) -> str:
    """Return the number of an invoice or a credit note as it is printed.

    >>> bill_name("I1", 27)
    'I1-00027'
    """
    return f"{series}-{place:05}"
