"""All: the operations and handlers of every kept resource."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from litestar.handlers import HTTPRouteHandler

from kitwright.web.calls import (
    acts,
    additions,
    customers,
    feed,
    hooks,
    keys,
    links,
    machines,
    messages,
    orders,
    papers,
    photos,
    quotes,
)
from kitwright.web.calls.desk import Desk

_MODULES: Final = (
    quotes,
    acts,
    additions,
    links,
    messages,
    orders,
    customers,
    machines,
    photos,
    papers,
    feed,
    hooks,
    keys,
)

KEPT_OPERATIONS: Final = tuple(one for module in _MODULES for one in module.OPERATIONS)


def make_kept_handlers(desk: Desk) -> Iterator[HTTPRouteHandler]:
    """Yield the handlers of every kept resource."""
    for module in _MODULES:
        yield from module.make_handlers(desk)
