"""The composition root: a catalogue folder and a shop become a service."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import Callable, Iterable
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import uvicorn
from litestar import Litestar

import kitwright
from kitwright.catalogue.check import check_catalogue
from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Catalogue, Shop, ShopId
from kitwright.documents.quote_text import quote_text
from kitwright.errors import KitwrightError
from kitwright.flow import Workshop
from kitwright.settings import Settings
from kitwright.stages.refusal import UnknownId
from kitwright.web.body import MOST_BYTES
from kitwright.web.openapi import describe
from kitwright.web.problems import HANDLERS
from kitwright.web.resources import OPERATIONS, make_handlers
from kitwright.web.service import Service


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
    )


def openapi_document(examples: Path | None) -> dict[str, object]:
    """Return the API description, with the example requests of a folder where there is one.

    A file `previewQuote.name.json` is the example `name` of the operation `previewQuote`.
    """
    found: dict[str, dict[str, object]] = {}
    for path in sorted(examples.glob("*.json")) if examples is not None else ():
        operation, name, _ = path.name.split(".")
        found.setdefault(operation, {})[name] = json.loads(path.read_bytes())
    return describe(OPERATIONS, kitwright.__version__, found)


def make_app(service: Service, document: bytes | None = None) -> Litestar:
    """Return the ASGI application of a service."""
    described = document or json.dumps(openapi_document(None)).encode()
    return Litestar(
        route_handlers=make_handlers(service, described),
        exception_handlers=HANDLERS,
        request_max_body_size=MOST_BYTES,
        openapi_config=None,
        logging_config=None,
    )


def serve(settings: Settings, say: Callable[[str], None]) -> None:
    """Serve until stopped; `say` gets the address once the service answers.

    The data folder is made where it is missing, and holds the address in `address.txt` while
    the service runs.
    """
    app = make_app(make_service(settings))
    settings.data.mkdir(parents=True, exist_ok=True)
    listener = socket.create_server(
        (settings.host, settings.port), family=_family(settings.host), backlog=2048
    )
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    address = f"http://{host}:{listener.getsockname()[1]}"
    note = settings.data / "address.txt"
    server = _Server(uvicorn.Config(app, log_level="warning", access_log=False), address, say, note)
    try:
        asyncio.run(server.serve(sockets=[listener]))
    finally:
        note.unlink(missing_ok=True)


def _family(host: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in host else socket.AF_INET


class _Server(uvicorn.Server):
    """A server that tells its address once it answers."""

    def __init__(
        self, config: uvicorn.Config, address: str, say: Callable[[str], None], note: Path
    ) -> None:
        super().__init__(config)
        self._address = address
        self._say = say
        self._note = note

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start, then tell."""
        await super().startup(sockets=sockets)
        self._note.write_text(f"{self._address}\n", encoding="utf-8")
        self._say(f"listening on {self._address}")
