"""The composition root: builds the service from a catalogue folder and a shop."""

from __future__ import annotations

import asyncio
import logging
import math
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing, suppress
from datetime import date, datetime
from functools import cache
from secrets import token_bytes
from typing import Final
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from litestar import Litestar
from litestar.datastructures import State
from litestar.types import ASGIApp
from msgspec import structs

import kitwright
from kitwright.catalogue.model import Catalogue, Shop, ShopId
from kitwright.documents.assessment_text import assessment_text
from kitwright.documents.papers import ShopPapers
from kitwright.documents.readings_svg import readings_svg
from kitwright.door import Door
from kitwright.examination import read_sound
from kitwright.folder import LedgerMark, belonging_of, claim, sweep_erased
from kitwright.keeping.event import add_event
from kitwright.keeping.generation import check_belonging
from kitwright.keeping.key import Scope, make_key
from kitwright.keeping.link import SECRET_BYTES, is_genuine
from kitwright.keeping.opening import open_shelf
from kitwright.keeping.record import Hand, KeyRecord, Stamp
from kitwright.keeping.store import Records, StoreError
from kitwright.mailing import LetterWriter, StoredMails
from kitwright.memory import MIB
from kitwright.outbound.mail import FolderMailer, Mailer, Security, SmtpMailer
from kitwright.outbound.mail_pump import MailPump
from kitwright.outbound.post import Poster
from kitwright.outbound.pump import Pump
from kitwright.outbound.signature import make_secret
from kitwright.outbound.target import check_target
from kitwright.outbound.waking import Waking
from kitwright.posting import StoredOutbox
from kitwright.prices.offers import priced
from kitwright.prices.register import SqlitePriceBooks
from kitwright.pricing import Pricing
from kitwright.removal import Removal
from kitwright.renewal import Renewal
from kitwright.serving import address_of, listen, serve_app, usual_bounds
from kitwright.settings import Settings, examples_folder
from kitwright.stages.request import UnknownId
from kitwright.store.doctor import warn_of_modes
from kitwright.store.engine import SqliteStore
from kitwright.store.files import MAIL, PhotoFiles, kind_of, write_whole
from kitwright.store.lock import hold_folder
from kitwright.store.repair import clean
from kitwright.store.restore import drop_stages
from kitwright.touching import looking_at_quotes
from kitwright.watching import watch_desk, watch_door, watch_store
from kitwright.web.calls import all as calls
from kitwright.web.calls.desk import Desk, utc_now
from kitwright.web.calls.notices import notice_of
from kitwright.web.calls.service import Service
from kitwright.web.description import handlers as description
from kitwright.web.description.examples import find_examples
from kitwright.web.description.openapi import describe
from kitwright.web.edge import unmet
from kitwright.web.edge.auth import Keyring
from kitwright.web.edge.customers import Customers, PageOf
from kitwright.web.edge.edge import Edge
from kitwright.web.edge.gate import Gate
from kitwright.web.edge.limits import Limits
from kitwright.web.edge.log import Journal, JournalHandler
from kitwright.web.edge.metrics import Metrics
from kitwright.web.edge.negotiate import SVG, TEXT
from kitwright.web.edge.operation import operation_of
from kitwright.web.edge.origin import Proxies, read_networks
from kitwright.web.edge.problems import HANDLERS
from kitwright.workshop import Workshop

_LOG = logging.getLogger(__name__)
_BROKEN_OFF_SECONDS: Final = 3600.0
"""The age at which a backup is certainly not at work any more."""


class UnknownShop(UnknownId):
    """A shop that the catalogue does not hold."""

    code = "unknown-shop"
    kind = "shop"


def choose_shop(catalogue: Catalogue, name: str | None) -> Shop:
    """Return the shop with an id, or the first by id if none is given. Raises: UnknownShop."""
    key = name if name is not None else min(catalogue.shops)
    shop = catalogue.shops.get(ShopId(key))
    if shop is None:
        raise UnknownShop(key, catalogue.shops)
    return shop


def make_service(
    settings: Settings,
    today: Callable[[], date] | None = None,
    *,
    files: Catalogue | None = None,
    is_priced: bool = False,
) -> Service:
    """Return the service of a catalogue folder and a shop.

    `files` is the catalogue of the folder if it was read before. If `is_priced`, the prices of the
    data folder's price book replace those of the catalogue.

    Raises: CatalogueUnreadable, CatalogueInvalid, UnknownShop, BookDamaged.
    """
    files = read_sound(settings.catalog) if files is None else files
    catalogue, prices = files, None
    if is_priced:
        with closing(SqlitePriceBooks(settings.data)) as books:
            in_force = books.in_force()
            catalogue, prices = priced(files, in_force, books.opened), in_force.revision
    shop = choose_shop(catalogue, settings.shop)
    zone = ZoneInfo(shop.time_zone)
    return Service(
        Workshop(catalogue, shop, settings.memory * MIB),
        today or (lambda: datetime.now(zone).date()),
        {TEXT: assessment_text, SVG: readings_svg},
        files=files,
        prices=prices,
    )


ALL_OPERATIONS: Final = (
    *calls.OPERATIONS,
    *(one for each in description.HANDLERS if (one := operation_of(each))),
)


def openapi_document(service: Service) -> dict[str, object]:
    """Return the API description, its examples run on the service's own catalogue."""
    requests: dict[str, dict[str, bytes]] = {}
    for path in examples_folder().glob("*.*.json"):
        operation, name, _ = path.name.split(".")
        requests.setdefault(operation, {})[name] = path.read_bytes()
    examples = find_examples(service, ALL_OPERATIONS, requests)
    return describe(ALL_OPERATIONS, kitwright.__version__, examples)


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
        origin=_proxies(settings).origin,
        used=_used(store),
        today=lambda: now().astimezone(zone).date(),
        gate=gate,
    )
    desk = Desk(
        service=service,
        store=store,
        keyring=keyring,
        gate=gate,
        papers=_papers(service),
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
        quote_pdf=_papers(service).quote_pdf,
    )


def _papers(service: Service) -> ShopPapers:
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


def _proxies(settings: Settings) -> Proxies:
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


_SECRET: Final = "customer-links"


def _secret(store: SqliteStore, draw: Callable[[int], bytes]) -> bytes:
    """Return the secret of the customers' links; it is created if there is none."""
    found = store.read(lambda records: records.keys.secret(_SECRET))
    if found is not None:
        return found
    secret = draw(SECRET_BYTES)
    store.write_now(lambda records: records.keys.add_secret(_SECRET, secret))
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


def make_app(
    desk: Desk,
    journal: Journal | None = None,
    *pumps: Waking,
    customers: Customers | None = None,
) -> Edge:
    """Return the ASGI application of a desk.

    `journal` gets a line for every request. `pumps` send waiting webhook events and e-mails, and
    delete what was erased, while the application runs. `customers` are by default answered with
    pages of the desk's shop.
    """
    running: tuple[Waking | Pricing, ...] = (*pumps, desk.pricing)

    @asynccontextmanager
    async def pumping(_: Litestar) -> AsyncIterator[None]:
        def wake() -> None:
            for pump in pumps:
                pump.wake()

        desk.wake = wake
        stop = asyncio.Event()
        tasks = [asyncio.create_task(pump.run(stop)) for pump in running]
        try:
            yield
        finally:
            stop.set()
            await asyncio.gather(*tasks)

    metrics = Metrics()
    behind = Litestar(lifespan=[pumping], openapi_config=None, logging_config=None)
    paths = {one.id: one.path for one in ALL_OPERATIONS}
    return Edge(
        answer_calls(desk, metrics),
        paths,
        metrics,
        journal,
        behind=behind,
        customers=customers or make_customers(desk),
    )


def make_customers(desk: Desk, public_url: str | None = None) -> Customers:
    """Return what the customers of a desk are answered, at a public address with or without a
    path.
    """
    return Customers(_notices(desk), urlsplit(public_url or "").path.rstrip("/"))


def _notices(desk: Desk) -> PageOf:
    def page(code: str) -> tuple[bytes, str]:
        made = desk.papers.notice_page(notice_of(code))
        return made.body, made.policy

    return page


def answer_calls(desk: Desk, metrics: Metrics) -> ASGIApp:
    """Return the ASGI application that answers a desk's calls; the edge around it counts them."""
    service = desk.service
    return Litestar(
        route_handlers=[
            *unmet.make_options_handlers(ALL_OPERATIONS),
            *calls.HANDLERS,
            *description.HANDLERS,
        ],
        before_request=desk.keyring.admit,
        exception_handlers={
            **HANDLERS,
            **unmet.make_exception_handlers(one.path for one in ALL_OPERATIONS),
        },
        state=State(
            {
                "desk": desk,
                "metrics": metrics,
                "describe": cache(lambda: openapi_document(service)),
                # answers that do not change after they were first asked for
                "made": {},
            }
        ),
        openapi_config=None,
        logging_config=None,
    )


def serve(settings: Settings, announce: Callable[[str], None]) -> None:
    """Serve a catalogue's shop until stopped by SIGINT or SIGTERM, as `serve_service` does.

    Raises: CatalogueUnreadable, CatalogueInvalid, UnknownShop, StoreError.
    """
    journal = Journal(sys.stderr.buffer)
    logging.basicConfig(handlers=[JournalHandler(journal)], level=logging.WARNING, force=True)
    serve_service(make_service(settings, is_priced=True), settings, announce, journal)


def serve_service(
    service: Service, settings: Settings, announce: Callable[[str], None], journal: Journal
) -> None:
    """Serve until stopped by SIGINT or SIGTERM, and read the catalogue again on SIGHUP.

    `announce` is called with the address once the service answers. At the first start of a data
    folder, it is called with the owner's key before that. The data folder is created if it is
    missing. It holds the address in `address.txt` while the service runs.

    Raises: StoreError, FolderOfAnother; FolderLocked, if another process uses the data folder.
    """
    with hold_folder(settings.data, "kitwright serve"):
        _serve_folder(service, settings, announce, journal)


def _serve_folder(
    service: Service, settings: Settings, announce: Callable[[str], None], journal: Journal
) -> None:
    writer = make_writer(service, settings)
    # nothing restores into a folder that is locked
    drop_stages(settings.data)
    # a folder that can't be written to is still read from
    with suppress(OSError):
        for path in clean(settings.data, age_seconds=_BROKEN_OFF_SECONDS):
            _LOG.warning("deleted %s, which was never finished", path)
    desk, store = open_desk(service, settings, writer=writer)
    sweep_erased(store)
    if warning := warn_of_modes(settings.data):
        journal.write("warning", "open-to-others", {"detail": warning})
    if desk.gate.generation.is_held:
        detail = "records were restored: nothing goes out until POST /v1/release"
        journal.write("warning", "records-held", {"detail": detail})
    note = settings.data / "address.txt"

    def told(address: str, for_customers: str | None = None) -> None:
        if settings.local_links:
            writer.public_url = settings.public_url or for_customers or address
        # a folder that can't be written to is still read from
        with suppress(OSError):
            write_whole(note, f"{address}\n".encode())
        # only now: a key made for a service that can't listen would never be seen
        key = first_key(desk, store)
        if key is not None:
            announce(f"owner key: {key}")
        announce(f"listening on {address}")
        if for_customers is not None:
            announce(f"listening for customers on {for_customers}")

    poster = Poster(allow_private=settings.private_webhooks)
    pump = Pump(StoredOutbox(store), poster)
    mails = make_mail_pump(desk, settings)
    customers = make_customers(desk, settings.public_url)
    app = make_app(
        desk,
        journal if settings.log == "requests" else None,
        pump,
        mails,
        Removal(desk),
        LedgerMark(store.mark),
        customers=customers,
    )
    door = Door(usual_bounds(), _proxies(settings).is_one)
    watch_desk(app.metrics, desk)
    watch_store(app.metrics, store, settings.data)
    watch_door(app.metrics, door)
    belonging = belonging_of(service)

    def prepare(service: Service) -> Callable[[], None]:
        check_belonging(belonging, belonging_of(service))
        fresh = make_writer(service, settings)
        fresh.public_url = writer.public_url
        renewed = desk.renewed(service, _papers(service), fresh.write)
        answers = answer_calls(renewed, app.metrics)

        def take_over() -> None:
            desk.keyring.today = renewed.today
            customers.page = _notices(renewed)
            watch_desk(app.metrics, renewed)
            desk.pricing.use(service.files, service.prices)
            app.answer_by(answers)

        return take_over

    def read(files: Catalogue | None) -> Service:
        return make_service(settings, files=files, is_priced=True)

    renewal = Renewal(service, settings.catalog, read, prepare, journal)
    desk.pricing.take = renewal.take_prices
    desk.pricing.look_at_quotes = looking_at_quotes(
        desk,
        settings.data,
        lambda: renewal.service,
        lambda catalogue: Service(
            Workshop(catalogue, choose_shop(catalogue, settings.shop), settings.memory * MIB // 4),
            desk.today,
        ),
    )
    try:
        listeners = [listen(settings.host, settings.port)]
        if settings.customers_port is not None:
            listeners.append(listen(settings.host, settings.customers_port))
            customers.port = listeners[-1].getsockname()[1]
        serve_app(
            app,
            door,
            listeners,
            lambda: told(*(address_of(settings.host, each) for each in listeners)),
            renewal.ask,
        )
    finally:
        store.close()
        desk.pricing.close()
        with suppress(OSError):
            note.unlink(missing_ok=True)
