"""The composition root: builds the service from a catalogue folder and a shop."""

from __future__ import annotations

import asyncio
import logging
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing, suppress
from datetime import date, datetime
from functools import cache
from typing import Final
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from litestar import Litestar
from litestar.datastructures import State
from litestar.types import ASGIApp

import kitwright
from kitwright.catalogue.model import Catalogue, Shop, ShopId
from kitwright.desk_opening import (
    first_key,
    make_mail_pump,
    make_writer,
    open_desk,
    papers_of,
    proxies_of,
)
from kitwright.documents.assessment_text import assessment_text
from kitwright.documents.readings_svg import readings_svg
from kitwright.door import Door
from kitwright.examination import read_sound
from kitwright.folder import LedgerMark, belonging_of, sweep_erased
from kitwright.keeping.generation import check_belonging
from kitwright.language.texts import languages
from kitwright.memory import MIB
from kitwright.outbound.post import Poster
from kitwright.outbound.pump import Pump
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
from kitwright.store.files import write_whole
from kitwright.store.lock import hold_folder
from kitwright.store.repair import clean
from kitwright.store.restore import drop_stages
from kitwright.touching import looking_at_quotes
from kitwright.watching import watch_desk, watch_door, watch_store
from kitwright.web.calls import all as calls
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.notices import notice_of
from kitwright.web.calls.service import Service
from kitwright.web.description import handlers as description
from kitwright.web.description.examples import find_examples
from kitwright.web.description.openapi import describe
from kitwright.web.edge import unmet
from kitwright.web.edge.customers import Customers, PageOf
from kitwright.web.edge.edge import Edge
from kitwright.web.edge.log import Journal, JournalHandler
from kitwright.web.edge.metrics import Metrics
from kitwright.web.edge.negotiate import SVG, TEXT, best_language
from kitwright.web.edge.operation import operation_of
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
    def page(code: str, asked: str) -> tuple[bytes, str]:
        language = best_language(asked, languages(), desk.service.workshop.shop.language)
        made = desk.papers.notice_page(notice_of(code), language)
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
    door = Door(usual_bounds(), proxies_of(settings).is_one)
    watch_desk(app.metrics, desk)
    watch_store(app.metrics, store, settings.data)
    watch_door(app.metrics, door)
    belonging = belonging_of(service)

    def prepare(service: Service) -> Callable[[], None]:
        check_belonging(belonging, belonging_of(service))
        fresh = make_writer(service, settings)
        fresh.public_url = writer.public_url
        renewed = desk.renewed(service, papers_of(service), fresh.write)
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
