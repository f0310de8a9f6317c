"""Freezing: keeps the catalogue that an offer was made with, so that its customer's choices are
priced by it whatever catalogue and prices are in use, after a restart too.

All else that a choice is priced from is kept with the offer: its request and day, the free stock,
and the revision of the shop's own estimates.
"""

from __future__ import annotations

from collections.abc import Callable

from kitwright.catalogue.frozen import CatalogueNotThawed, thaw
from kitwright.keeping.record import KeptCatalogue, Stamp
from kitwright.keeping.store import Records
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.service import Service

Freeze = Callable[[Records, Stamp], None]
"""Keeps a catalogue, unless it is kept already."""


async def freezing(desk: Desk, revision: str) -> Freeze:
    """Return what keeps the catalogue of a revision; nothing is kept of one that is no longer
    there.
    """
    service = desk.service_of(revision)
    body = None if service is None else await desk.quotes.run(lambda: service.frozen)

    def freeze(records: Records, stamp: Stamp) -> None:
        if body is None or records.catalogues.get(revision) is not None:
            return
        records.catalogues.drop_unused()
        records.catalogues.add(KeptCatalogue(revision=revision, at=stamp.at, body=body))

    return freeze


async def service_with(desk: Desk, revision: str) -> Service | None:
    """Return the service with a catalogue's revision: the one in use, an earlier one, or one by the
    catalogue that was kept; None if that is no longer there, or this version can't read it.
    """
    service = desk.service_of(revision)
    if service is not None:
        return service
    kept = desk.store.read(lambda records: records.catalogues.get(revision))
    if kept is None:
        return None
    try:
        service = await desk.quotes.run(_thawed, desk.service, kept.body)
    except (CatalogueNotThawed, KeyError):
        return None
    desk.remember(service)
    return service


def _thawed(now: Service, body: bytes) -> Service:
    """Return the service of the same shop with a kept catalogue. Raises: CatalogueNotThawed;
    KeyError, if it lacks the shop.
    """
    return now.with_catalogue(thaw(body))
