"""Mail: sending a revision to its customer by e-mail, with records that lose no e-mail.

An e-mail is queued in the transaction that asks for it. An attempt is recorded before anything is
sent, and settled once its outcome is known. An attempt that breaks off in between is repeated.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime, timedelta
from ipaddress import ip_address
from typing import Final
from urllib.parse import urlsplit

from msgspec import structs

from kitwright.keeping.acts import ActRefused, NothingOffered
from kitwright.keeping.event import add_event, note_event
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.record import (
    Disposal,
    DisposalKind,
    KeptQuote,
    Mail,
    MailState,
    Revision,
    Stamp,
)
from kitwright.keeping.store import RecordMissing, Records

RETRY_DELAYS: Final = (
    timedelta(0),
    timedelta(minutes=1),
    timedelta(minutes=5),
    timedelta(minutes=15),
    timedelta(hours=1),
    timedelta(hours=4),
    timedelta(hours=12),
    timedelta(hours=24),
)
"""The wait before each attempt, starting with the first; each is counted from the attempt before
it.
"""

_ERASED: Final = "erased before it was sent"
_REVOKED: Final = "its link was revoked before it was sent"
_LAST_ATTEMPT: Final = "given up after the last attempt: "

_ATOM: Final = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+"
_LABEL: Final = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
_ADDRESS: Final = re.compile(
    rf"(?P<local>{_ATOM}(?:\.{_ATOM})*)@(?P<domain>{_LABEL}(?:\.{_LABEL})+)", re.ASCII
)
_MOST_LOCAL: Final = 64
_MOST_ADDRESS: Final = 254


class MailRefused(ActRefused):
    """A quote that can't be sent by e-mail as requested."""

    code = "mail-refused"


class NoAddress(MailRefused):
    """The customer has no e-mail address, and none was given."""

    code = "no-address"

    def __init__(self) -> None:
        super().__init__("no e-mail address is known for this quote's customer: give one in `to`")


class AddressInvalid(MailRefused):
    """A text that is not an e-mail address that can be sent to."""

    code = "address-invalid"

    def __init__(self, text: str) -> None:
        super().__init__(
            f"{text[:80]!r} is not an e-mail address: expected one address in ASCII, such as "
            "name@shop.example"
        )
        self.text = text


class NoPublicAddress(MailRefused):
    """The link in an e-mail would not be reachable for the customer. `url` is the base URL of the
    links.
    """

    code = "no-public-address"

    def __init__(self, url: str | None) -> None:
        told = (
            "no public address is set"
            if url is None
            else f"{url} can be reached only from the shop's own network"
        )
        super().__init__(
            f"{told}, so the customer could not open the link in the e-mail: start the service "
            "with --public-url (or KITWRIGHT_PUBLIC_URL), the address at which customers reach "
            "it, or, for trials, with --local-links yes (or KITWRIGHT_LOCAL_LINKS)"
        )
        self.url = url


_LOCAL_NAMES: Final = ("localhost", "local", "internal", "invalid", "lan", "home.arpa")
"""Domains that are not reachable from outside a network: RFC 6761, 6762, 8375; `.internal` (ICANN,
2024); `.lan` by common practice.
"""


def check_public(url: str | None) -> str:
    """Return the base URL of links if the recipient of an e-mail can reach it.

    Loopback, private and other special addresses are refused, also names of one label and domains
    that exist only inside a private network.

    Raises: NoPublicAddress.
    """
    host = None if url is None else urlsplit(url).hostname
    if url is None or host is None or not _is_public(host.rstrip(".")):
        raise NoPublicAddress(url)
    return url


def _is_public(host: str) -> bool:
    try:
        return ip_address(host).is_global
    except ValueError:
        # a numeric last label is an address in an old spelling: 127.1, 0x7f.1
        last = host.rpartition(".")[2]
        is_local = any(host == name or host.endswith(f".{name}") for name in _LOCAL_NAMES)
        return "." in host and not is_local and not last[:1].isdigit()


def check_address(text: str) -> str:
    """Return an e-mail address unchanged if it is one plain addr-spec.

    RFC 5321 and 5322: a dot-atom before the @, then a domain of at least two labels whose last is
    not a number. Quoting, comments, display names and literal addresses are refused. Only ASCII is
    accepted.

    Raises: AddressInvalid.
    """
    found = _ADDRESS.fullmatch(text) if len(text) <= _MOST_ADDRESS else None
    if (
        found is None
        or len(found["local"]) > _MOST_LOCAL
        or found["domain"].rpartition(".")[2].isdigit()
    ):
        raise AddressInvalid(text)
    return text


def sendable(records: Records, quote: KeptQuote, act: str = "send") -> Revision:
    """Return the revision of a quote that may go to its customer: the one on offer, else the one
    that is agreed, else the one whose customer has to know what is owed for no repair.

    Raises: NothingOffered.
    """
    number = quote.offered if quote.offered is not None else quote.agreed
    if number is None and records.statements.get(quote.number) is not None:
        number = quote.shown
    revision = None if number is None else records.revisions.get(quote.number, number)
    if revision is None:
        raise NothingOffered(act, quote)
    return revision


def queue_mail(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    *,
    revision: int,
    to: str,
    message_id: str,
    body: bytes,
) -> Mail:
    """Return a new e-mail with its number, due at once. No event holds its address.

    Raises: AddressInvalid.
    """
    mail = _new(stamp, to, message_id, body)
    return _queue(records, stamp, structs.replace(mail, quote=quote.number, revision=revision))


def queue_order_mail(
    records: Records, stamp: Stamp, *, order: int, to: str, message_id: str, body: bytes
) -> Mail:
    """Return a new e-mail with an order, due at once. Raises: AddressInvalid."""
    mail = _new(stamp, to, message_id, body)
    return _queue(records, stamp, structs.replace(mail, order=order))


def _new(stamp: Stamp, to: str, message_id: str, body: bytes) -> Mail:
    return Mail(
        number=0,
        quote=None,
        revision=None,
        to=check_address(to),
        message_id=message_id,
        body=body,
        state=MailState.queued,
        attempts=0,
        next_at=stamp.at,
        failure=None,
        made_at=stamp.at,
        sent_at=None,
    )


def _queue(records: Records, stamp: Stamp, mail: Mail) -> Mail:
    queued = records.mails.add(mail)
    _note(records, stamp, "mail.queued", queued)
    return queued


def begin_attempt(records: Records, number: int, now: datetime) -> Mail | None:
    """Return a queued e-mail whose next attempt has begun, or None if it is no longer queued.

    If the attempt breaks off without an outcome, the next one is due as after a failure. If the
    last attempt breaks off, it is repeated, because it is not known to have failed.
    """
    mail = records.mails.get(number)
    if mail is None or mail.state is not MailState.queued:
        return None
    attempts = mail.attempts + 1
    delay = RETRY_DELAYS[min(attempts, len(RETRY_DELAYS) - 1)]
    begun = structs.replace(mail, attempts=attempts, next_at=now + delay)
    records.mails.put(begun)
    return begun


def settle_sent(records: Records, stamp: Stamp, number: int) -> Mail:
    """Return an e-mail that a mail server accepted, whatever its state was.

    Idempotent: repeating the call has no further effect.
    """
    mail = _mail(records, number)
    if mail.state is MailState.sent:
        return mail
    sent = structs.replace(mail, state=MailState.sent, next_at=None, failure=None, sent_at=stamp.at)
    records.mails.put(sent)
    _note(records, stamp, "mail.sent", sent)
    return sent


def settle_failed(
    records: Records, stamp: Stamp, number: int, failure: str, next_at: datetime | None
) -> Mail:
    """Return an e-mail after an attempt that failed: due again at `next_at`, or failed if that is
    None.

    An e-mail that is no longer queued does not change.
    """
    mail = _mail(records, number)
    if mail.state is not MailState.queued:
        return mail
    state = MailState.failed if next_at is None else MailState.queued
    failed = structs.replace(mail, state=state, next_at=next_at, failure=failure)
    records.mails.put(failed)
    if state is MailState.failed:
        _note(records, stamp, "mail.failed", failed)
    return failed


def retry_at(attempt: int, now: datetime, luck: float) -> datetime | None:
    """Return when to try again after a failed attempt, or None after the last one.

    Args:
        attempt: the number of the failed attempt, from 1.
        now: when it failed.
        luck: from 0 to below 1. It adds up to a tenth to the wait, which spreads the retries.
    """
    if attempt >= len(RETRY_DELAYS):
        return None
    return now + RETRY_DELAYS[attempt] * (1 + luck / 10)


def last_attempt(failure: str) -> str:
    """Return the failure text of an e-mail that will not be tried again."""
    return _LAST_ATTEMPT + failure


def erase_mails(records: Records, stamp: Stamp, mails: Iterable[Mail]) -> None:
    """Remove addresses, messages and failures from some e-mails. Those still queued are marked as
    failed and never sent. Letters that were written to a folder are to be deleted.
    """
    for mail in mails:
        letter = Disposal(number=0, kind=DisposalKind.letter, name=mail.message_id)
        records.disposals.add(letter)
        is_queued = mail.state is MailState.queued
        left = structs.replace(
            mail,
            to="",
            body=b"",
            state=MailState.failed if is_queued else mail.state,
            next_at=None,
            failure=_ERASED if is_queued else None,
        )
        records.mails.put(left)
        if is_queued:
            _note(records, stamp, "mail.failed", left)


def is_erased_mail(mail: Mail) -> bool:
    """Return whether neither address nor text of an e-mail is left."""
    return not (mail.to or mail.body)


def stop_mails(records: Records, stamp: Stamp, quote: KeptQuote) -> None:
    """Mark the queued e-mails of a quote as failed, because their links were revoked; they are
    never sent. Damaged ones are not either.
    """
    for mail in records.mails.queued_of(quote.number):
        stopped = structs.replace(mail, state=MailState.failed, next_at=None, failure=_REVOKED)
        records.mails.put(stopped)
        _note(records, stamp, "mail.failed", stopped)


def _mail(records: Records, number: int) -> Mail:
    mail = records.mails.get(number)
    if mail is None:
        raise RecordMissing(f"no record in mails with number {number}")
    return mail


def _note(records: Records, stamp: Stamp, kind: EventKind, mail: Mail) -> None:
    facts = {"mail": mail.number, "attempts": mail.attempts}
    if mail.order is not None:
        add_event(records, stamp, kind, f"order:{mail.order}", facts)
        return
    quote = None if mail.quote is None else records.quotes.get(mail.quote)
    if quote is None:
        raise RecordMissing(f"no record in quotes with number {mail.quote}")
    note_event(records, stamp, kind, quote, {"revision": mail.revision, **facts})
