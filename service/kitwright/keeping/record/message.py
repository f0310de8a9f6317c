"""Records of what is told to others: events, webhooks and mails."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import Annotated

from msgspec import Meta, Struct

from kitwright.keeping.record.hand import Hand

EventFact = Annotated[int, Meta(ge=-999_999_999_999_999, le=999_999_999_999_999)]
"""A number that an event tells. Numbers of records are large after a restore."""


class Event(Struct, frozen=True, kw_only=True):
    """A change: its place in the feed, what happened to which record, and who did it: a key (by its
    id), the customer by a link, or the service.

    Places are in the order of commits and have no gaps, except where a restore left places out.
    `facts` hold no personal data: codes, numbers, ids, amounts and days, never text that somebody
    wrote.
    """

    seq: int
    at: datetime
    kind: str
    subject: str
    """The kind and number of the record, as in `quote:12`."""
    facts: dict[str, str | EventFact | None]
    hand: Hand
    by: str
    request_id: str


class Hook(Struct, frozen=True, kw_only=True):
    """A webhook: only events of `kinds` are posted to it, or all if `kinds` is empty.

    `failure` says why the last attempt failed, if it did. The service sets `is_active` to false if
    the target answers 410.
    """

    number: int
    version: int
    url: str
    secret: str
    kinds: tuple[str, ...]
    is_active: bool
    failure: str | None
    made_at: datetime


class DueDelivery(Struct, frozen=True, kw_only=True):
    """An event that waits to be posted to a hook; `attempt` counts from 1."""

    hook: Hook
    event: Event
    attempt: int


class Waiting(Struct, frozen=True):
    """What waits to be sent: its number, and since when the oldest has been waiting."""

    number: int
    since: datetime | None


class MailState(StrEnum):
    """The state of an e-mail: queued, accepted by a mail server, or failed."""

    queued = "queued"
    sent = "sent"
    failed = "failed"


class Mail(Struct, frozen=True, kw_only=True):
    """One revision on its way to a customer by e-mail, or one order on its way to a supplier: then
    `order` is its number, and `quote` and `revision` are None.

    `attempts` counts the attempts begun; `next_at` is when the next is due, if there is one.
    `failure` says why the last attempt failed. Of an erased customer's e-mail, neither address nor
    text is left.
    """

    number: int
    quote: int | None
    revision: int | None
    order: int | None = None
    to: str
    message_id: str
    body: bytes
    """The complete message (RFC 5322), the same at every attempt."""
    state: MailState
    attempts: int
    next_at: datetime | None
    failure: str | None
    made_at: datetime
    sent_at: datetime | None
