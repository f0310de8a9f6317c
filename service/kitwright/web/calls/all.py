"""All: the operations and the handlers of every call."""

from __future__ import annotations

from typing import Final

from kitwright.web.calls import (
    accounts,
    acts,
    additions,
    bills,
    catalogue,
    cause,
    clock,
    customers,
    estimates,
    feed,
    fleets,
    found,
    hooks,
    keys,
    link_making,
    link_photos,
    links,
    machines,
    messages,
    month,
    order_doing,
    order_history,
    orders,
    papers,
    payments,
    photos,
    previews,
    prices,
    quote_making,
    quotes,
    release,
    running,
    shelf,
    slips,
    stop,
    ticket_links,
    ticket_paper,
    tickets,
)
from kitwright.web.calls.handlers import handlers_in
from kitwright.web.edge.operation import operation_of

_MODULES: Final = (
    previews,
    catalogue,
    cause,
    prices,
    running,
    quote_making,
    quotes,
    fleets,
    acts,
    additions,
    found,
    stop,
    accounts,
    payments,
    bills,
    clock,
    estimates,
    month,
    link_making,
    links,
    link_photos,
    messages,
    orders,
    order_doing,
    order_history,
    slips,
    shelf,
    customers,
    machines,
    tickets,
    ticket_links,
    photos,
    ticket_paper,
    papers,
    feed,
    hooks,
    keys,
    release,
)
HANDLERS: Final = tuple(handler for module in _MODULES for handler in handlers_in(module))
"""The handlers of every call."""
OPERATIONS: Final = tuple(one for each in HANDLERS if (one := operation_of(each)))
"""The operations of every call."""
KEPT_OPERATIONS: Final = tuple(one for one in OPERATIONS if one.keeps)
"""The operations on stored records."""
