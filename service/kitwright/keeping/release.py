"""Release: what a restored folder would send out and does not know, and the owner's word to go on.

A restored folder is held. The owner reads the report, chooses what happens to e-mails and events
that were waiting when the backup was made, and releases it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Final, Literal

from msgspec import Struct, structs

from kitwright.keeping.acts import ActRefused
from kitwright.keeping.bill_gaps import missing_of
from kitwright.keeping.closing import Closing
from kitwright.keeping.erasing import begin_again
from kitwright.keeping.erasure_steps import erase_now, finish_now
from kitwright.keeping.erasure_work import Redact
from kitwright.keeping.event import add_event
from kitwright.keeping.generation import Generation
from kitwright.keeping.last_numbers import check_last, check_plausible, may_go_on
from kitwright.keeping.link_rounds import revoke_links, round_of
from kitwright.keeping.mail import settle_failed
from kitwright.keeping.record import (
    Customer,
    KeyRecord,
    Mail,
    QuoteState,
    Retention,
    Stamp,
    bill_name,
)
from kitwright.keeping.retaining import HOLDS
from kitwright.keeping.store import QuoteFilter, Records

Waiting = Literal["send", "drop"]
"""What happens to something that waits."""
_EVER: Final = datetime.max.replace(tzinfo=UTC)
_MANY: Final = 2**40
_DROPPED: Final = "dropped by the owner after a restore"


class NotHeld(ActRefused):
    """A folder that is not held, so that there is nothing to release."""

    code = "not-held"

    def __init__(self) -> None:
        super().__init__("nothing is held: e-mails, webhook events and links already go out")


class ChoiceMissing(ActRefused):
    """Something waits, and the owner has not said what to do with it."""

    code = "choice-missing"

    def __init__(self, what: str, count: int, member: str) -> None:
        verb = "waits and may have been" if count == 1 else "wait and may have been"
        super().__init__(
            f"{count} {what} {verb} sent after the backup was made: choose {member} send or drop"
        )
        self.member = member


class NotConfirmed(ActRefused):
    """Erasures and revocations since the backup are not known, and the owner has not confirmed."""

    code = "not-confirmed"

    def __init__(self, since: datetime) -> None:
        super().__init__(
            f"erasures and revocations since {since:%Y-%m-%d %H:%M:%S} UTC are not known: revoke "
            "keys and links and erase customers as needed, then confirm"
        )
        self.since = since


class WaitingMail(Struct, frozen=True, kw_only=True):
    """An e-mail that waits to be sent, without its address: of a quote's revision, or of an
    order.
    """

    number: int
    quote: int | None
    revision: int | None
    order: int | None
    made_at: datetime


class Report(Struct, frozen=True, kw_only=True):
    """What a folder would send out and does not know.

    `mails` wait to be sent. `events` says for each webhook, by its number, how many events wait.
    `offers` are the quotes whose links can be accepted. `keys` are not revoked. Whatever happened
    between the generation's `taken_at` and `begun_at` is not in the folder. `last_numbers` are the
    last known numbers of invoices and of credit notes, each of a series that may have gone on.
    `missing` were handed out before a restore, and are not here.
    """

    generation: Generation
    mails: tuple[WaitingMail, ...]
    events: tuple[tuple[int, int], ...]
    offers: tuple[int, ...]
    keys: tuple[KeyRecord, ...]
    last_numbers: tuple[str, ...]
    missing: tuple[str, ...]


def begin_generation(
    records: Records, stamp: Stamp, generation: Generation, left_out: int
) -> Generation:
    """Return the generation that a restore begins, with its number; an event tells of it."""
    begun = records.generations.begin(generation, left_out)
    taken_at = None if begun.taken_at is None else begun.taken_at.isoformat(timespec="seconds")
    facts = {"epoch": begun.epoch, "taken_at": taken_at}
    add_event(records, stamp, "records.restored", f"generation:{begun.number}", facts)
    return begun


def close_again(records: Records, stamp: Stamp, closings: Iterable[Closing], redact: Redact) -> int:
    """Close again what a ledger says was closed: revoke keys and links, and erase customers; return
    how much was closed now.

    A customer is erased even if work was under way when the backup was made, and one who was erased
    in part, but for the quotes that stayed. Erasures that were
    under way then are finished. Records that the folder does not have are skipped.
    """
    for erasure in records.erasures.every():
        finish_now(records, begin_again(records, erasure), redact=redact)
    again = {"key": _revoke_key, "links": _revoke_links}
    closed = 0
    for closing in closings:
        if closing.kind == "customer":
            closed += _erase(records, stamp, closing, redact)
        elif closing.kind == "part":
            closed += _erase_in_part(records, stamp, closing, redact)
        else:
            closed += again[closing.kind](records, stamp, closing)
    return closed


def _revoke_key(records: Records, stamp: Stamp, closing: Closing) -> bool:
    key = records.keys.get(closing.id)
    if key is None or key.revoked_at is not None:
        return False
    records.keys.put(structs.replace(key, revoked_at=closing.at))
    add_event(records, stamp, "key.revoked", f"key:{key.id}")
    return True


def _revoke_links(records: Records, stamp: Stamp, closing: Closing) -> bool:
    number, times = map(int, closing.id.split("."))
    quote = records.quotes.get(number)
    if quote is None or round_of(records, quote) >= times:
        return False
    while revoke_links(records, stamp, quote) < times:
        pass
    return True


def _erase(records: Records, stamp: Stamp, closing: Closing, redact: Redact) -> bool:
    customer = records.customers.get(int(closing.id))
    if customer is None or customer.erased_at is not None:
        return False
    erase_now(records, stamp, customer, redact=redact, even_at_work=True)
    return True


def _erase_in_part(records: Records, stamp: Stamp, closing: Closing, redact: Redact) -> bool:
    """Erase a customer but the quotes that stayed, unless the records show that erasure, or a later
    one. Once none of those quotes is here, nothing holds the customer.
    """
    number, quotes, _ = closing.id.split(".", 2)
    customer = records.customers.get(int(number))
    if customer is None or customer.erased_at is not None:
        return False
    if any(one.why in HOLDS and one.at >= closing.at for one in _retained(records, customer)):
        return False
    held = frozenset(map(int, quotes.split("+")))
    erase_now(records, stamp, customer, redact=redact, even_at_work=True, held=held)
    return True


def _retained(records: Records, customer: Customer) -> tuple[Retention, ...]:
    return records.retentions.of_customer(customer.number)


def report(records: Records) -> Report:
    """Return what a folder would send out now, whether it is held or not."""
    counts = Counter(hook for hook, _ in records.events.deliveries())
    offered = records.quotes.find(QuoteFilter(states=(QuoteState.issued,), most=_MANY))
    return Report(
        generation=records.generations.current(),
        mails=tuple(map(_waiting, records.mails.due(_EVER, _MANY))),
        events=tuple(sorted(counts.items())),
        offers=tuple(quote.number for quote in reversed(offered)),
        keys=tuple(key for key in records.keys.every() if key.revoked_at is None),
        last_numbers=tuple(bill_name(*one) for one in may_go_on(records)),
        missing=missing_of(records),
    )


def _waiting(mail: Mail) -> WaitingMail:
    return WaitingMail(
        number=mail.number,
        quote=mail.quote,
        revision=mail.revision,
        order=mail.order,
        made_at=mail.made_at,
    )


def release(
    records: Records,
    stamp: Stamp,
    *,
    mail: Waiting | None,
    webhooks: Waiting | None,
    is_confirmed: bool,
    last_numbers: Sequence[str] = (),
) -> Generation:
    """Return the generation once everything may go out again.

    Args:
        mail: what happens to the e-mails that waited when the backup was made; None if none waits.
        webhooks: the same of webhook events. An event keeps its `webhook-id`, so a receiver can
            tell that it has seen it.
        is_confirmed: whether the owner confirms keys, links and personal data of earlier
            generations although erasures and revocations since the backup are not known.
        last_numbers: the last invoice and the last credit note that were handed out, by number, if
            any were made before the backup.

    Raises: NotHeld, NotConfirmed, ChoiceMissing, LastNumberMissing, LastNumberLower,
        LastNumberUnlikely.
    """
    held = records.generations.current()
    if not held.is_held:
        raise NotHeld
    if not (held.is_confirmed or is_confirmed):
        raise NotConfirmed(held.known_until or held.begun_at)
    check_last(records, last_numbers)
    check_plausible(records, stamp, last_numbers)
    mails = records.mails.due(_EVER, _MANY)
    # the restore's own event, and later ones, are new to every receiver
    deliveries = [one for one in records.events.deliveries() if one[1] <= held.after]
    if mails and mail is None:
        raise ChoiceMissing("e-mail" if len(mails) == 1 else "e-mails", len(mails), "mail")
    if deliveries and webhooks is None:
        what = "webhook event" if len(deliveries) == 1 else "webhook events"
        raise ChoiceMissing(what, len(deliveries), "webhooks")
    if mail == "drop":
        for each in mails:
            settle_failed(records, stamp, each.number, _DROPPED, None)
    if webhooks == "drop":
        for hook, event in deliveries:
            records.events.settle(hook, event)
    released = structs.replace(held, released_at=stamp.at, is_confirmed=True)
    records.generations.put(released)
    facts = {"epoch": released.epoch, "mail": mail, "webhooks": webhooks}
    if last_numbers:
        facts["last_numbers"] = ", ".join(last_numbers)
    add_event(records, stamp, "records.released", f"generation:{released.number}", facts)
    return released
