"""All: the handlers of every call."""

from __future__ import annotations

from collections.abc import Iterator
from types import ModuleType
from typing import Final

from litestar.handlers import HTTPRouteHandler

from kitwright.web.calls import (
    acts,
    additions,
    catalogue,
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
    previews,
    quotes,
    running,
)
from kitwright.web.calls.declared import handlers_in
from kitwright.web.calls.desk import Desk
from kitwright.web.edge.operation import Operation, operation_of

_KEPT: Final = (
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


def _operations_in(module: ModuleType) -> tuple[Operation, ...]:
    declared = (operation_of(handler) for handler in handlers_in(module))
    return getattr(module, "OPERATIONS", None) or tuple(one for one in declared if one is not None)


KEPT_OPERATIONS: Final = tuple(one for module in _KEPT for one in _operations_in(module))
"""The operations on records that are kept."""
OPERATIONS: Final = (
    *(one for module in (previews, catalogue, running) for one in _operations_in(module)),
    *KEPT_OPERATIONS,
)
"""The operations of every call."""


def make_handlers(desk: Desk) -> Iterator[HTTPRouteHandler]:
    """Yield the handlers of every call."""
    for module in (previews, catalogue, running, *_KEPT):
        made = getattr(module, "make_handlers", None)
        yield from handlers_in(module) if made is None else made(desk)
