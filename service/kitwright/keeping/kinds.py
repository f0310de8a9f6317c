"""Kinds: every kind of event in the feed."""

from __future__ import annotations

from typing import Final, Literal, get_args

EventKind = Literal[
    "customer.changed",
    "customer.created",
    "customer.erased",
    "key.created",
    "key.revoked",
    "link.revoked",
    "machine.changed",
    "machine.created",
    "machine.erased",
    "mail.failed",
    "mail.queued",
    "mail.sent",
    "order.billed",
    "order.cancelled",
    "order.confirmed",
    "order.created",
    "order.received",
    "order.returned",
    "order.sent",
    "photo.added",
    "photo.dropped",
    "prices.applied",
    "prices.undone",
    "quote.accepted",
    "quote.addition",
    "quote.advance",
    "quote.clocked",
    "quote.collected",
    "quote.created",
    "quote.credited",
    "quote.declined",
    "quote.erased",
    "quote.expired",
    "quote.finished",
    "quote.found",
    "quote.invoiced",
    "quote.issued",
    "quote.ordered",
    "quote.paid",
    "quote.reopened",
    "quote.revised",
    "quote.short",
    "quote.slipped",
    "quote.started",
    "quote.withdrawn",
    "records.released",
    "records.restored",
    "shelf.moved",
    "webhook.changed",
    "webhook.created",
    "webhook.deleted",
    "webhook.test",
]
"""A kind of event that an act may add to the feed."""

KINDS: Final[tuple[str, ...]] = get_args(EventKind)
"""All kinds, sorted."""
