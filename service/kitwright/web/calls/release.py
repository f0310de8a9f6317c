"""Release: the owner's calls on restored records that are held."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from msgspec import Meta

from kitwright.keeping.last_numbers import correct_last
from kitwright.keeping.record import KeyRecord
from kitwright.keeping.release import Report, Waiting, release, report
from kitwright.keeping.store import Records
from kitwright.quote import Count
from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import (
    HOOK,
    MAIL,
    ORDER,
    QUOTE,
    HookId,
    MailId,
    OrderId,
    QuoteId,
    RevisionNumber,
    written,
    written_or_none,
)
from kitwright.web.calls.shown import Out
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire

BillNumberIn = Annotated[
    str,
    Meta(
        max_length=40,
        pattern=r"^[IC][0-9A-Z-]+-[0-9]{5,15}(?!\n)$",
        description="The number of an invoice or a credit note.",
        examples=["I1-00027"],
        extra={"wanted": "the number of an invoice or a credit note"},
    ),
]


class ReleaseIn(Wire, frozen=True, kw_only=True):
    """How to release restored records: what happens to e-mails and webhook events that were waiting
    when the backup was made (null: none waits), and whether the owner confirms that keys, links and
    personal data may be used although erasures and revocations since the backup are not known.

    `last_numbers` are the last invoice and the last credit note that were handed out, if any were
    made before the backup: the ones after it are known outside, and the next begins a new series.
    """

    mail: Annotated[Waiting | None, Meta(description="`send` or `drop`.")] = None
    webhooks: Annotated[Waiting | None, Meta(description="`send` or `drop`.")] = None
    confirm: bool = False
    last_numbers: Annotated[tuple[BillNumberIn, ...], Meta(max_length=10)] = ()


class LastNumbersIn(Wire, frozen=True, kw_only=True):
    """The last numbers that were handed out before a restore, of the series that are corrected."""

    last_numbers: Annotated[tuple[BillNumberIn, ...], Meta(min_length=1, max_length=10)]


class WaitingMailOut(Out, frozen=True, kw_only=True):
    """An e-mail that waits to be sent: of a quote's revision, or of an order."""

    id: MailId
    quote: QuoteId | None
    revision: RevisionNumber | None
    order: OrderId | None
    made_at: datetime


class WaitingEventsOut(Out, frozen=True, kw_only=True):
    """The number of events that wait for a webhook."""

    webhook: HookId
    events: Count


class ReleaseOut(Out, frozen=True, kw_only=True):
    """The state of the records since the last restore, and what they would send out.

    `epoch` is that of the current generation of the records. `taken_at` is the time of the backup,
    null if nothing was ever restored: whatever happened between it and `begun_at` is not in the
    records. Erasures and revocations are known up to `known_until`. `mails` and `events` wait.
    `offers` are the quotes whose links can be accepted. `keys` are not revoked. `last_numbers` are
    the last known numbers of invoices and credit notes, each of a series that may have gone on.
    `missing` were handed out before a restore and are not here: enter them from their copies.
    """

    epoch: str
    is_held: bool
    is_confirmed: bool
    begun_at: datetime
    taken_at: datetime | None
    known_until: datetime | None
    released_at: datetime | None
    mails: tuple[WaitingMailOut, ...]
    events: tuple[WaitingEventsOut, ...]
    offers: tuple[QuoteId, ...]
    keys: tuple[KeyRecord, ...]
    last_numbers: tuple[str, ...]
    missing: tuple[str, ...]


@operation("GET /v1/release", "getRelease", "owner")
def get(records: Records) -> Reply[ReleaseOut]:
    """Get what would go out.

    After a restore from a backup, the records are held: they can be read, but nothing is changed,
    no e-mail or webhook event is sent, and no link works, until the owner releases them.
    """
    return Reply(body=_told(report(records)))


@operation("POST /v1/release", "release", "owner", "act-refused")
def let_go(records: Records, call: Call, body: ReleaseIn) -> Reply[ReleaseOut]:
    """Release restored records.

    E-mails, webhook events and links work again. What was waiting when the backup was made may have
    been sent since, so the owner chooses whether to send or drop it. A webhook event keeps its
    `webhook-id`, by which a receiver can tell that it has seen the event.
    """
    generation = release(
        records,
        call.stamp,
        mail=body.mail,
        webhooks=body.webhooks,
        is_confirmed=body.confirm,
        last_numbers=body.last_numbers,
    )

    def after() -> None:
        call.desk.gate.generation = generation

    return Reply(body=_told(report(records)), after=after)


@operation("POST /v1/release/last-numbers", "correctLastNumbers", "owner", "act-refused")
def correct(records: Records, call: Call, body: LastNumbersIn) -> Reply[ReleaseOut]:
    """Correct the last numbers.

    An owner who told wrong last numbers at the release corrects them: `missing` and the copies that
    may be entered follow. It is refused (`last-number-fixed`) once the new series of that kind of
    documents has a number, because it goes on from the one that was told.
    """
    correct_last(records, call.stamp, body.last_numbers)
    return Reply(body=_told(report(records)))


def _told(found: Report) -> ReleaseOut:
    generation = found.generation
    return ReleaseOut(
        epoch=generation.epoch,
        is_held=generation.is_held,
        is_confirmed=generation.is_confirmed,
        begun_at=generation.begun_at,
        taken_at=generation.taken_at,
        known_until=generation.known_until,
        released_at=generation.released_at,
        mails=tuple(
            WaitingMailOut(
                id=written(MAIL, mail.number),
                quote=written_or_none(QUOTE, mail.quote),
                revision=mail.revision,
                order=written_or_none(ORDER, mail.order),
                made_at=mail.made_at,
            )
            for mail in found.mails
        ),
        events=tuple(
            WaitingEventsOut(webhook=written(HOOK, hook), events=count)
            for hook, count in found.events
        ),
        offers=tuple(written(QUOTE, number) for number in found.offers),
        keys=found.keys,
        last_numbers=found.last_numbers,
        missing=found.missing,
    )
