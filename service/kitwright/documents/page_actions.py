"""Page actions: the actions that a customer may take on the page of a quote, and their results."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from enum import StrEnum
from typing import Final

from msgspec import Struct

from kitwright.quote import Amount, Course


class PageState(StrEnum):
    """The state of the revision for its reader."""

    issued = "issued"
    accepted = "accepted"
    declined = "declined"
    expired = "expired"
    withdrawn = "withdrawn"
    superseded = "superseded"


class PageField(StrEnum):
    """A field of a form; the value is its name in the form."""

    who = "who"
    limit = "limit"
    reason = "reason"
    amount = "amount"
    course = "course"
    shown = "shown"
    early = "start_early"
    free = "free"
    keep = "keep"
    extra = "extra"


REPEATED: Final = frozenset({PageField.free, PageField.keep, PageField.extra})
"""Fields that a form may give more than once."""


class Tick(Struct, frozen=True, kw_only=True):
    """A box to tick: its `value` in the form, its words, and whether it is ticked.

    `price` is what leaving the job out saves, or what the extra adds; negative: the other way; None
    if that changes nothing, or is not known.
    `reason` is why the job stays, if it can't be left out: then there is no box.
    """

    value: str
    name: str
    price: Amount | None
    is_ticked: bool
    reason: str = ""


class Choices(Struct, frozen=True, kw_only=True):
    """What a customer may choose on the page: one of the `courses`, jobs to keep, and extras to
    add, those of the course that is `shown`. `amount` is the total that is shown.
    """

    url: str
    courses: tuple[Course, ...] = ()
    course: str | None = None
    shown: str | None = None
    jobs: tuple[Tick, ...] = ()
    extras: tuple[Tick, ...] = ()
    amount: Amount | None = None

    @property
    def is_any(self) -> bool:
        """Whether there is anything to choose."""
        has_free = any(not tick.reason for tick in self.jobs)
        return bool(len(self.courses) > 1 or has_free or self.extras)


class PageActions(Struct, frozen=True, kw_only=True):
    """The actions of a page, and the decision or the errors that it shows.

    The forms appear while the revision is issued and has both addresses, which are posted to as
    `application/x-www-form-urlencoded`. `consent` is the exact text that the customer accepts;
    `photos_url` is where photographs of what was found are, by their ids. `usual_limit` is the
    limit that applies if the customer gives none. `decided_at`, `decided_by` and `limit` (including
    tax if `limit_includes_tax`) describe the decision. `wrong` has the error of a field, shown next
    to it, and `entered` its contents. `notice` is shown at the top. `choices` are None if nothing
    can be chosen. `withdraw_url` is where the customer can withdraw, and `early_url` where to ask
    that the work begin before that ends; None if that is not possible. `visit` is the state of the
    whole quote (`asking` if a change is on offer, `ordering` before all its orders are sent), and
    `valid_until` the last day of the offer.
    """

    state: PageState
    accept_url: str | None = None
    decline_url: str | None = None
    newer_url: str | None = None
    photos_url: str | None = None
    consent: str | None = None
    usual_limit: Amount | None = None
    decided_at: datetime | None = None
    decided_by: str | None = None
    limit: Amount | None = None
    limit_includes_tax: bool = True
    notice: str | None = None
    entered: Mapping[PageField, str] = {}
    wrong: Mapping[PageField, str] = {}
    choices: Choices | None = None
    withdraw_url: str | None = None
    early_url: str | None = None
    visit: str = ""
    valid_until: date | None = None

    @property
    def has_ended(self) -> bool:
        """Whether the offer no longer stands, so that its contents are not shown any more."""
        return self.state in (PageState.withdrawn, PageState.superseded, PageState.expired)

    @property
    def is_open(self) -> bool:
        """Whether the customer can accept or decline here."""
        return self.state is PageState.issued and None not in (self.accept_url, self.decline_url)
