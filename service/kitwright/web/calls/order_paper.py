"""Order paper: an order as its supplier gets it, in the supplier's language."""

from __future__ import annotations

from collections import defaultdict

from msgspec import structs

from kitwright.catalogue.model import Contact, Supplier, SupplierId
from kitwright.documents.papers import MadeOrder
from kitwright.keeping.order_progress import allotted, placed_order
from kitwright.keeping.record import KeptOrder
from kitwright.keeping.store import Records
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import ORDER, QUOTE, written


def supplier_of(desk: Desk, order: KeptOrder) -> Supplier | None:
    """Return the supplier of an order, None if the catalogue no longer has it."""
    return desk.service.workshop.catalogue.suppliers.get(SupplierId(order.supplier))


def made_order(desk: Desk, records: Records, order: KeptOrder) -> tuple[MadeOrder, str]:
    """Return an order as its documents show it, and the supplier's language. Items have their names
    in that language, if the catalogue still has them.
    """
    supplier = supplier_of(desk, order)
    shop = desk.service.workshop.shop
    language = shop.language if supplier is None else supplier.language or shop.language
    speaker, placed = desk.service.speaker(language), placed_order(order)
    lines = []
    for line in placed.lines:
        name = speaker.item(line.item)
        lines.append(line if name == line.item else structs.replace(line, name=name))
    references = defaultdict[int, list[str]](list)
    for one in records.allocations.of_order(order.number):
        for part in allotted(one):
            references[part.line].append(f"{written(QUOTE, one.quote)}-{one.revision}")
    entries = records.order_entries.of_order(order.number)
    sent = next((one.at for one in entries if one.kind == "sent"), None)
    made = MadeOrder(
        order=structs.replace(placed, lines=tuple(lines)),
        id=written(ORDER, order.number),
        at=desk.clock(sent or order.made_at),
        references=tuple(tuple(references[place + 1]) for place in range(len(lines))),
        seller=(None if supplier is None else supplier.contact) or Contact(),
    )
    return made, language
