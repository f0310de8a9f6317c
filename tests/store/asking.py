"""How tests ask a store, whichever it is."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import NoReturn, TypeVar

from tests.store.small import (
    an_event,
)

from kitwright.keeping.store import (
    Records,
    Store,
)

T = TypeVar("T")
OpenStore = Callable[[], Store]
FAR = 2**70
"""A number that no record has, and that no column holds."""


class Slip(Exception):
    """What a piece of work of a test raises."""


def kept(store: Store, work: Callable[[Records], T]) -> T:
    return asyncio.run(store.write(work))


def together(store: Store, *works: Callable[[Records], object]) -> list[object]:
    """Return what pieces of work return or raise that are asked for at once."""

    async def ask() -> list[object]:
        return await asyncio.gather(*map(store.write, works), return_exceptions=True)

    return asyncio.run(ask())


def slip(records: Records) -> NoReturn:
    records.events.add(an_event("slip"))
    raise Slip
