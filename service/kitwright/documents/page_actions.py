"""What a reader of a quote's page may do on it, and what is to be told there."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from enum import StrEnum

from msgspec import Struct

from kitwright.quote import Amount


class PageState(StrEnum):
    """The state of the revision for its reader."""

    issued = "issued"
    accepted = "accepted"
    declined = "declined"
    expired = "expired"
    withdrawn = "withdrawn"
    superseded = "superseded"


class PageField(StrEnum):
    """A field that a reader fills in; the value is its name in the form."""

    who = "who"
    limit = "limit"
    reason = "reason"


class PageActions(Struct, frozen=True, kw_only=True):
    """What a page offers.

    Forms are there while the revision is issued and has their addresses, which are posted to as
    `application/x-www-form-urlencoded`. `consent` is what a yes says yes to, word by word;
    `usual_limit` up to where the bill may go where the reader names no limit. `decided_at`,
    `decided_by` and `limit`, with tax where `limit_includes_tax`, tell of a decision. `wrong` says
    what is wrong with a field, next to it; `entered` is what was there. `notice` is told at the
    top.
    """

    state: PageState
    accept_url: str | None = None
    decline_url: str | None = None
    newer_url: str | None = None
    consent: str | None = None
    usual_limit: Amount | None = None
    decided_at: datetime | None = None
    decided_by: str | None = None
    limit: Amount | None = None
    limit_includes_tax: bool = True
    notice: str | None = None
    entered: Mapping[PageField, str] = {}
    wrong: Mapping[PageField, str] = {}

    @property
    def is_open(self) -> bool:
        """Whether the reader can answer here."""
        return self.state is PageState.issued and None not in (self.accept_url, self.decline_url)
