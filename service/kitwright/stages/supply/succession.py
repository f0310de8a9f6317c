"""Succession: the numbers that one part has been sold under, oldest first."""

from __future__ import annotations

from kitwright.catalogue.model import Catalogue, ItemId


def current_number(catalogue: Catalogue, item: ItemId) -> ItemId:
    """Return the number that an item is sold under today: the end of its supersession chain."""
    return chain(catalogue, item)[-1]


def chain(catalogue: Catalogue, item: ItemId) -> tuple[ItemId, ...]:
    """Return an item and all numbers that superseded it, oldest first."""
    links = [item]
    while (part := catalogue.parts.get(links[-1])) is not None and part.superseded_by is not None:
        links.append(part.superseded_by)
    return tuple(links)
