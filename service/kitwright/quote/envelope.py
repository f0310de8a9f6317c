"""Envelope: the data around a stored revision on paper: its customer, state and acceptance."""

from __future__ import annotations

from datetime import date, datetime

from msgspec import Struct

from kitwright.money import Money
from kitwright.quote.change import Change
from kitwright.quote.whole import Quote


class FleetPlace(Struct, frozen=True, kw_only=True):
    """The place of a quote in a fleet `id` of so many `machines`, counted from 1.

    `total` is the sum of the `standing` quotes of the same customer, those neither declined nor
    expired nor withdrawn; None if it is not known, or if there are none.
    """

    id: str
    place: int
    machines: int
    standing: int
    total: Money | None


class RightToWithdraw(Struct, frozen=True, kw_only=True):
    """The right to withdraw from a contract that a consumer makes by a link, for `days` after it.

    Once it is made, `until` is its last day, and `starts_early` says that the work may begin before
    that, as the customer asked; `withdrawn_at` is when the customer withdrew. Work that waits for
    the end of the period begins on `begins_on` at the earliest, and is finished on `ready_on`; they
    are None if it need not wait, or if that is not known.
    """

    days: int
    until: date | None = None
    starts_early: bool = False
    withdrawn_at: datetime | None = None
    begins_on: date | None = None
    ready_on: date | None = None

    @property
    def waits_for_end(self) -> bool:
        """Whether the work waits until the period is over, as far as is known."""
        return self.begins_on is not None and not self.starts_early and self.withdrawn_at is None


class Envelope(Struct, frozen=True, kw_only=True):
    """The data printed around a revision; documents leave out customer data that is None.

    `quote_id` is the quote's id (Q12). `agreed_at` and `agreed_by` say when and by whom this
    revision was accepted. `limit` is the authorised total, including tax if `limit_includes_tax`.
    `change` is what it asks for beyond an agreed revision, and `holds` what is agreed besides it,
    also after it was declined. `withdrawal` is the customer's right to withdraw, None if there is
    none. `button` are the words of the button that says yes, empty for the usual ones. `paid` is
    what the customer has paid until now, None if that is nothing.
    """

    quote_id: str
    revision: int
    state: str
    issued_at: datetime | None
    sha256: str | None
    customer_name: str | None = None
    customer_address: str | None = None
    customer_email: str | None = None
    machine_name: str | None = None
    machine_hours: str | None = None
    agreed_at: datetime | None = None
    agreed_by: str | None = None
    limit: Money | None = None
    limit_includes_tax: bool = True
    change: Change | None = None
    holds: Money | None = None
    fleet: FleetPlace | None = None
    withdrawal: RightToWithdraw | None = None
    button: str = ""
    paid: Money | None = None

    @property
    def name(self) -> str:
        """The revision's id, as files and references have it (Q12-3)."""
        return f"{self.quote_id}-{self.revision}"


class Paper(Struct, frozen=True, kw_only=True):
    """A stored revision with its envelope: all the data that a document is made from."""

    quote: Quote
    envelope: Envelope
