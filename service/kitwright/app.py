"""The composition root: a catalogue folder and a shop become a service."""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable, Iterable
from datetime import date, datetime
from zoneinfo import ZoneInfo

from litestar import Litestar

import kitwright
from kitwright.catalogue.check import check_catalogue
from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Catalogue, Shop, ShopId
from kitwright.documents.assessment_text import assessment_text
from kitwright.documents.quote_text import quote_text
from kitwright.documents.readings_svg import readings_svg
from kitwright.errors import KitwrightError
from kitwright.serving import serve_app
from kitwright.settings import Settings, examples_folder
from kitwright.stages.refusal import UnknownId
from kitwright.web.body import decode
from kitwright.web.direct import Direct
from kitwright.web.edge import Edge
from kitwright.web.examples import find_examples
from kitwright.web.log import Journal, JournalHandler
from kitwright.web.metrics import Metrics
from kitwright.web.negotiate import SVG, TEXT
from kitwright.web.openapi import describe
from kitwright.web.operations import ASSESS, OPERATIONS, PREVIEW
from kitwright.web.problems import HANDLERS
from kitwright.web.resources import make_handlers
from kitwright.web.service import Service
from kitwright.web.wire import PreviewIn
from kitwright.workshop import Workshop


class UnknownShop(UnknownId):
    """A shop that the catalogue does not hold."""

    code = "unknown-shop"
    kind = "shop"


class CatalogueUnsound(KitwrightError):
    """A catalogue whose references do not hold; every fault is named."""

    code = "catalogue-unsound"

    def __init__(self, faults: Iterable[object]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


def choose_shop(catalogue: Catalogue, name: str | None) -> Shop:
    """Return the shop of a name, or the first by id where none is given. Raises: UnknownShop."""
    key = name if name is not None else min(catalogue.shops)
    shop = catalogue.shops.get(ShopId(key))
    if shop is None:
        raise UnknownShop(key, catalogue.shops)
    return shop


def make_service(settings: Settings, today: Callable[[], date] | None = None) -> Service:
    """Return the service of a catalogue folder and a shop.

    Raises: CatalogueUnreadable, CatalogueUnsound, UnknownShop.
    """
    catalogue = load_catalogue(settings.catalog)
    faults = check_catalogue(catalogue)
    if faults:
        raise CatalogueUnsound(faults)
    shop = choose_shop(catalogue, settings.shop)
    zone = ZoneInfo(shop.time_zone)
    return Service(
        Workshop(catalogue, shop),
        today or (lambda: datetime.now(zone).date()),
        quote_text,
        {TEXT: assessment_text, SVG: readings_svg},
    )


def openapi_document(service: Service) -> dict[str, object]:
    """Return the API description, its examples run on the service's own catalogue."""
    requests = {
        one.id: {
            path.name.split(".")[1]: path.read_bytes()
            for path in examples_folder().glob(f"{one.id}.*.json")
        }
        for one in (ASSESS, PREVIEW)
    }
    examples = find_examples(service, requests)
    return describe(OPERATIONS, kitwright.__version__, examples)


def make_app(service: Service, journal: Journal | None = None) -> Edge:
    """Return the ASGI application of a service; `journal` gets a line for every request."""
    metrics = Metrics()
    handlers = make_handlers(service, metrics, lambda: openapi_document(service))
    app = Litestar(
        route_handlers=handlers,
        exception_handlers=HANDLERS,
        openapi_config=None,
        logging_config=None,
    )
    (preview,) = (each for each in handlers if each.name == PREVIEW.id)
    direct = Direct(
        app,
        preview,
        PREVIEW.path,
        lambda body: service.preview_json(decode(body, PreviewIn)),
    )
    return Edge(direct, {one.id: one.path for one in OPERATIONS}, metrics, journal)


def serve(settings: Settings, say: Callable[[str], None]) -> None:
    """Serve until stopped by SIGINT or SIGTERM; `say` gets the address once the service answers.

    The data folder is made where it is missing, and holds the address in `address.txt` while
    the service runs. The log goes to standard error.
    """
    journal = Journal(sys.stderr.buffer)
    logging.basicConfig(handlers=[JournalHandler(journal)], level=logging.WARNING, force=True)
    app = make_app(make_service(settings), journal if settings.log == "requests" else None)
    settings.data.mkdir(parents=True, exist_ok=True)
    note = settings.data / "address.txt"

    def told(address: str) -> None:
        note.write_text(f"{address}\n", encoding="utf-8")
        say(f"listening on {address}")

    try:
        serve_app(app, settings.host, settings.port, told)
    finally:
        note.unlink(missing_ok=True)
