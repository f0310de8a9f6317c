"""Desk opening: opens the desk of a data folder: its records, keys, links and e-mails."""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from secrets import token_bytes
from zoneinfo import ZoneInfo

from msgspec import structs

from kitwright.documents.papers import ShopPapers
from kitwright.folder import belonging_of, claim
from kitwright.keeping.event import add_event
from kitwright.keeping.key import Scope, make_key
from kitwright.keeping.link import LINK_SECRET, SECRET_BYTES, is_genuine
from kitwright.keeping.opening import open_shelf
from kitwright.keeping.record import Hand, KeyRecord, Stamp
from kitwright.keeping.store import Records, StoreError
from kitwright.mailing import LetterWriter, StoredMails
from kitwright.outbound.mail import FolderMailer, Mailer, Security, SmtpMailer
from kitwright.outbound.mail_pump import MailPump
from kitwright.outbound.signature import make_secret
from kitwright.outbound.target import check_target
from kitwright.prices.register import SqlitePriceBooks
from kitwright.pricing import Pricing
from kitwright.settings import Settings
from kitwright.store.engine import SqliteStore
from kitwright.store.files import MAIL, PhotoFiles, kind_of, write_whole
from kitwright.web.calls.desk import Desk, utc_now
from kitwright.web.calls.service import Service
from kitwright.web.edge.auth import Keyring
from kitwright.web.edge.gate import Gate
from kitwright.web.edge.limits import Limits
from kitwright.web.edge.origin import Proxies, read_networks


def open_desk(
    service: Service,
    settings: Settings,
    *,
    now: Callable[[], datetime] = utc_now,
    draw: Callable[[int], bytes] = token_bytes,
    writer: LetterWriter | None = None,
) -> tuple[Desk, SqliteStore]:
    """Return the desk of a data folder and its store.

    `now` returns the current time in UTC, and `draw` returns random bytes. `writer` writes e-mails;
    by default it is made from the settings. The caller has to close the store.

    Raises: StoreError; FolderOfAnother, for a folder of another shop, currency, tax area or
        catalogue.
    """
    store = SqliteStore.open(settings.data)
    try:
        claim(store, belonging_of(service))
        secret = _secret(store, draw)
        keys = {key.id: key for key in store.read(lambda records: records.keys.usable())}
        gate = Gate(store.read(lambda records: records.generations.current()))
        _open_shelf(store, service, now())
    except BaseException:
        store.close()
        raise
    zone = ZoneInfo(service.workshop.shop.time_zone)
    keyring = Keyring(
        keys,
        by_key=_limits(settings.rate),
        by_link=_limits(math.ceil(settings.rate / 10)),
        by_address=_limits(math.ceil(settings.rate / 10)),
        is_link=lambda token: is_genuine(secret, token),
        origin=proxies_of(settings).origin,
        used=_used(store),
        today=lambda: now().astimezone(zone).date(),
        gate=gate,
    )
    desk = Desk(
        service=service,
        store=store,
        keyring=keyring,
        gate=gate,
        papers=papers_of(service),
        files=PhotoFiles(settings.data),
        kind_of=kind_of,
        secret=secret,
        now=now,
        draw=draw,
        make_hook_secret=make_secret,
        check_target=lambda url: str(
            check_target(url, allow_private=settings.private_webhooks).url
        ),
        compose=(writer or make_writer(service, settings)).write,
        pricing=Pricing(
            lambda: SqlitePriceBooks(settings.data),
            store,
            service.files,
            now,
            in_use=service.prices,
        ),
    )
    return desk, store


def make_writer(service: Service, settings: Settings) -> LetterWriter:
    """Return the writer of e-mails to customers; replies go to the shop's address if it has one."""
    contact = service.workshop.shop.contact
    return LetterWriter(
        settings.mail_from,
        settings.public_url,
        local_links=settings.local_links,
        reply_to=None if contact is None else contact.email,
        papers=papers_of(service),
    )


def papers_of(service: Service) -> ShopPapers:
    """Return the printer of a shop's documents."""
    return ShopPapers(service.workshop.shop)


def make_mail_pump(desk: Desk, settings: Settings) -> MailPump:
    """Return the pump that sends the e-mails of a desk. It uses the mail server of the settings; if
    there is none, it writes them into the folder `mail` of the data folder.
    """
    folder = FolderMailer(settings.data / MAIL, write_whole)
    # e-mails of an earlier dry run may still be there, even if a server sends now
    desk.forget_mail = folder.forget
    mailer: Mailer = folder
    if settings.smtp_host is not None:
        mailer = SmtpMailer(
            settings.smtp_host,
            settings.smtp_port,
            security=Security(settings.smtp_tls),
            sender=settings.mail_from,
            name=settings.mail_from.rpartition("@")[2],
            user=settings.smtp_user,
            password=settings.smtp_password,
        )

    outbox = StoredMails(
        desk.store, lambda: desk.stamp(Hand.service, "mail"), told=lambda: desk.wake()
    )
    return MailPump(outbox, mailer, clock=desk.now)


def proxies_of(settings: Settings) -> Proxies:
    """Return the proxies that the settings name."""
    return Proxies(read_networks(settings.trusted_proxy) if settings.trusted_proxy else ())


def _limits(rate: int) -> Limits:
    # a burst of ten seconds' worth: a counter that opens a page makes many calls at once
    return Limits(rate, max(1, rate // 6), time.monotonic)


def _open_shelf(store: SqliteStore, service: Service, now: datetime) -> None:
    """Record the opening stock of a data folder that has none yet."""
    if store.read(lambda records: records.shelf.is_opened()):
        return
    workshop = service.workshop
    today = now.astimezone(ZoneInfo(workshop.shop.time_zone)).date()
    stamp = Stamp(at=now, today=today, hand=Hand.service, by="opening")
    store.write_now(lambda records: open_shelf(records, stamp, workshop.catalogue, workshop.shop))


def _secret(store: SqliteStore, draw: Callable[[int], bytes]) -> bytes:
    """Return the secret of the customers' links; it is created if there is none."""
    found = store.read(lambda records: records.keys.secret(LINK_SECRET))
    if found is not None:
        return found
    secret = draw(SECRET_BYTES)
    store.write_now(lambda records: records.keys.add_secret(LINK_SECRET, secret))
    return secret


def first_key(desk: Desk, store: SqliteStore) -> str | None:
    """Store an owner's key if the data folder has no keys yet, and return it; else return None."""
    if store.read(lambda records: bool(records.keys.every())):
        return None
    record, text = make_owner_key(store, desk.now(), desk.draw, is_first=True)
    desk.keyring.know(record)
    return text


def make_owner_key(
    store: SqliteStore,
    now: datetime,
    draw: Callable[[int], bytes] = token_bytes,
    *,
    is_first: bool = False,
) -> tuple[KeyRecord, str]:
    """Store a new owner's key, and return its record and its text.

    An event is recorded for every owner's key except the first.

    Raises: StoreError.
    """
    fresh = make_key(draw)
    record = KeyRecord(
        id=fresh.id,
        name="owner",
        scopes=frozenset({Scope.OWNER}),
        hash=fresh.hash,
        made_at=now,
        last_used_on=None,
        revoked_at=None,
    )
    stamp = Stamp(at=now, today=now.date(), hand=Hand.service, by="command")

    def keep(records: Records) -> None:
        records.keys.add(record)
        if not is_first:
            add_event(records, stamp, "key.created", f"key:{fresh.id}")

    store.write_now(keep)
    return record, fresh.text


def _used(store: SqliteStore) -> Callable[[KeyRecord], None]:
    """Return the function that records, in the background, the day of a key's last use."""
    under_way: set[asyncio.Task[None]] = set()

    async def note(key: KeyRecord) -> None:
        # the key may have been revoked in between, so only the day is set
        def work(records: Records) -> None:
            kept = records.keys.get(key.id)
            if kept is not None:
                records.keys.put(structs.replace(kept, last_used_on=key.last_used_on))

        with suppress(StoreError):
            await store.write(work)

    def used(key: KeyRecord) -> None:
        task = asyncio.get_running_loop().create_task(note(key))
        under_way.add(task)
        task.add_done_callback(under_way.discard)

    return used
