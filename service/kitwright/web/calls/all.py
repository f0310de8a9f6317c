"""All: the operations and the handlers of every call."""

from __future__ import annotations

from types import ModuleType
from typing import Final

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
    quote_calls,
    running,
    shelf,
)
from kitwright.web.calls.declared import handlers_in
from kitwright.web.edge.operation import Operation, operation_of

_KEPT: Final = (
    quote_calls,
    acts,
    additions,
    links,
    messages,
    orders,
    shelf,
    customers,
    machines,
    photos,
    papers,
    feed,
    hooks,
    keys,
)


def _operations(*modules: ModuleType) -> tuple[Operation, ...]:
    found = (operation_of(handler) for module in modules for handler in handlers_in(module))
    return tuple(one for one in found if one is not None)


KEPT_OPERATIONS: Final = _operations(*_KEPT)
"""The operations on stored records."""
OPERATIONS: Final = (*_operations(previews, catalogue, running), *KEPT_OPERATIONS)
"""The operations of every call."""
HANDLERS: Final = tuple(
    handler for module in (previews, catalogue, running, *_KEPT) for handler in handlers_in(module)
)
"""The handlers of every call."""
