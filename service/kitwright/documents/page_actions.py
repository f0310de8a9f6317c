"""Page actions: what a reader may do on a quote's page, and the messages shown there."""

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
    """The actions and messages of a page.

    Forms are shown while the revision is issued and their addresses are given. They are posted
    there as `application/x-www-form-urlencoded`. `consent` is the exact text that the customer
    accepts. `usual_limit` is the limit that applies if the customer gives none.

    `decided_at`, `decided_by` and `limit`, which includes tax if `limit_includes_tax`, describe a
    decision. `wrong` is the error of a field, shown next to it; `entered` is the text that was
    entered. `notice` is shown at the top.
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
        """Whether the reader can accept or decline here."""
        return self.state is PageState.issued and None not in (self.accept_url, self.decline_url)
