"""Shelf: calls that read the shelf and record its moves."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Final

from msgspec import structs

from kitwright.catalogue.model import Catalogue, ItemId, Quality
from kitwright.errors import KitwrightError
from kitwright.keeping import shelf
from kitwright.keeping.key import Scope
from kitwright.keeping.ledger import UNIT, Holding, MoveKind, Owner, ReorderPoint
from kitwright.keeping.opening import pack_amount, unit_cost
from kitwright.keeping.store import Records
from kitwright.stages.request import RequestFault, RequestRefused, check_quantity
from kitwright.web.calls.amounts import check_typed
from kitwright.web.calls.call import Call, quote_of
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.paged import page_of
from kitwright.web.calls.shelf_wire import (
    MoveIn,
    MoveOut,
    ReorderPointIn,
    ShelfItemOut,
    ShelfQuery,
    ShelfStateOut,
    Shown,
    StockValueOut,
    StockValueQuery,
    item_out,
    move_out,
    value_out,
)
from kitwright.web.calls.shown import ListOut
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply

_NEWEST: Final = 20
"""Moves that are shown with an item."""
_SIGNED: Final = (MoveKind.adjust, MoveKind.count)
_PRICED: Final = (MoveKind.receive, MoveKind.adjust, MoveKind.return_)


class MoveUnclear(RequestFault):
    """A move that does not say exactly how much of which goods is meant."""

    code = "move-unclear"

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


@operation("GET /v1/shelf", "listShelf", "shelf")
def find(records: Records, call: Call, query: ShelfQuery) -> Reply[ListOut[ShelfItemOut]]:
    """List what is on the shelf.

    Every item that ever was on the shelf, with what is on hand, reserved and free, and what reorder
    points propose. They propose only; nothing is ordered. If there are more, `Link` leads to the
    next page.
    """
    shown = _shown(records, call)

    def items(before: int | None, most: int) -> list[ShelfItemOut]:
        found = records.shelf.items(before, most)
        return [_item(records, call, shown, item) for _, item in found]

    return page_of(call.operation.path, query, items)


@operation("GET /v1/shelf/{item}", "getShelfItem", "shelf", "unknown-record")
def get(records: Records, call: Call) -> Reply[ShelfStateOut]:
    """Get an item of the shelf.

    What is on hand, reserved and free of an item, where it is, and its newest moves.
    """
    return Reply(body=_state(records, call, _item_in_path(records, call)))


@operation("GET /v1/shelf/{item}/moves", "listShelfMoves", "shelf", "unknown-record")
def moves(records: Records, call: Call, query: ShelfQuery) -> Reply[ListOut[MoveOut]]:
    """List the moves of an item.

    The moves of an item, newest first. If there are more, `Link` leads to the next page.
    """
    item = _item_in_path(records, call)
    path = call.operation.path.replace("{item}", item)
    return page_of(path, query, lambda before, most: _moves(records, item, before, most))


@operation(
    "POST /v1/shelf/{item}/moves",
    "moveShelfItem",
    "shelf",
    "unknown-record",
    "act-refused",
    "request-refused",
    scope=Scope.ORDER,
    status=201,
)
def move(records: Records, call: Call, body: MoveIn) -> Reply[ShelfStateOut]:
    """Record a move.

    Goods arrive (`receive`), are reserved for an agreed quote (`reserve`, `release`), are taken for
    the work (`draw`) or come back (`return`); stock is counted (`count`), or adjusted for a reason
    (`adjust`). More than is free can't be reserved. A draw is always recorded: if it takes what is
    reserved for other quotes, their newest reservations end and their parts have to be ordered
    (event `quote.short`); if it takes more than is on hand, the goods have to be counted.
    """
    desk = call.desk
    item = _item_in_path(records, call)
    kind = MoveKind(body.kind)
    pack = pack_amount(desk.service.workshop.catalogue, item)
    amount = _amount(body, kind, pack)
    cost = None
    if body.cost is not None:
        if kind not in _PRICED or Fraction(body.cost) < 0:
            raise _refused("a cost, not negative, belongs to goods that arrive", "cost")
        check_typed(body.cost, desk.currency, "cost")
        cost = unit_cost(Fraction(body.cost), desk.currency, pack)
    quote = None if body.quote is None else quote_of(records, body.quote).number
    entry = shelf.Entry(
        holding=_holding(records, item, body, kind, quote),
        kind=kind,
        amount=amount,
        cost=cost,
        quote=quote,
        reason=body.reason,
        who=body.by,
    )
    shelf.book(records, call.stamp, entry, desk.currency)
    where = {"Location": f"/v1/shelf/{item}/moves"}
    return Reply(body=_state(records, call, item), headers=where)


@operation(
    "POST /v1/shelf/{item}/reorder-point",
    "setReorderPoint",
    "shelf",
    "unknown-record",
    "request-refused",
    scope=Scope.ORDER,
)
def set_point(records: Records, call: Call, body: ReorderPointIn) -> Reply[ShelfStateOut]:
    """Set the reorder point of an item.

    As soon as less than `least` is free, the shelf proposes an order up to `wanted`. Nothing is
    ordered by it.
    """
    item = _item_in_path(records, call)
    _check_quantity(body.wanted, "wanted")
    least, wanted = (_units(text) for text in (body.least, body.wanted))
    if not 0 <= least <= wanted:
        raise _refused("least should be from zero to wanted", "least")
    if wanted:
        records.shelf.put_point(ReorderPoint(item=item, least=least, wanted=wanted))
    else:
        records.shelf.drop_point(item)
    return Reply(body=_state(records, call, item))


@operation("GET /v1/stock-value", "getStockValue", "shelf")
def value(records: Records, call: Call, query: StockValueQuery) -> Reply[StockValueOut]:
    """Get the value of the stock.

    What the shop's own stock cost at the end of a day, by item, at moving average cost.
    """
    on = query.on or call.desk.today()
    return Reply(body=value_out(on, records.shelf.value_on(on), call.desk.currency))


def _shown(records: Records, call: Call) -> Shown:
    catalogue = call.desk.service.workshop.catalogue
    points = {point.item: point for point in records.shelf.points()}
    return Shown(catalogue, call.desk.currency, points)


def _item(records: Records, call: Call, shown: Shown, item: str) -> ShelfItemOut:
    name = call.desk.service.speaker(None).item(ItemId(item))
    return item_out(shown, item, name, records.shelf.of_item(item))


def _state(records: Records, call: Call, item: str) -> ShelfStateOut:
    out = _item(records, call, _shown(records, call), item)
    return ShelfStateOut(**structs.asdict(out), moves=_moves(records, item, None, _NEWEST))


def _moves(records: Records, item: str, before: int | None, most: int) -> tuple[MoveOut, ...]:
    holdings = {holding.number: holding for holding, _ in records.shelf.of_item(item)}
    found = records.shelf.moves(item, before, most)
    return tuple(move_out(one, holdings[one.holding]) for one in found)


def _item_in_path(records: Records, call: Call) -> str:
    """Return the item that a call's path names. Raises: Refusal: unknown-record."""
    item = call.variable("item")
    catalogue = call.desk.service.workshop.catalogue
    if not _is_known(catalogue, item) and not records.shelf.of_item(item):
        raise Refusal("unknown-record", f"no item {item[:64]!r}")
    return item


def _is_known(catalogue: Catalogue, item: str) -> bool:
    name = ItemId(item)
    return name in catalogue.parts or name in catalogue.sets or name in catalogue.consumables


def _amount(body: MoveIn, kind: MoveKind, pack: int) -> int:
    """Return the amount of a move in millionths of the item's unit. Raises: RequestRefused."""
    if (body.quantity is None) == (body.packs is None):
        raise _refused("give quantity or packs, and not both", "quantity")
    text, member = (body.packs, "packs") if body.quantity is None else (body.quantity, "quantity")
    amount = _units(text or "0") if member == "quantity" else int(Fraction(text or "0") * pack)
    is_right = amount >= 0 if kind is MoveKind.count else amount > 0
    if kind is MoveKind.adjust:
        is_right = amount != 0
    if not is_right:
        raise _refused("should be above zero", member)
    _check_quantity(text or "0", member)
    return amount


def _check_quantity(text: str, member: str) -> None:
    faults = [fault.at(member) for fault in check_quantity(Decimal(text))]
    if faults:
        raise RequestRefused(faults)


def _units(text: str) -> int:
    return int(Fraction(text) * UNIT)


def _holding(
    records: Records, item: str, body: MoveIn, kind: MoveKind, quote: int | None
) -> Holding:
    """Return the goods that a move means: the only ones on the shelf that are as it says, else new
    ones. Raises: RequestRefused.
    """
    owner = Owner(body.owner)
    of_whom = None if owner is Owner.shop else quote
    found = [
        holding
        for holding, _ in records.shelf.of_item(item)
        if holding.owner is owner
        and body.bin in (None, holding.bin)
        and body.quality in (None, holding.quality.value)
        and body.brand in (None, holding.brand)
        and of_whom in (None, holding.quote)
    ]
    if len(found) == 1:
        return found[0]
    if found:
        bins = ", ".join(f"{one.bin} ({one.quality.value})" for one in found)
        raise _refused(f"say which is meant by bin, quality or brand: {bins}", "bin")
    if body.bin is None:
        raise _refused("say in which bin: nothing of it is on the shelf", "bin")
    if kind not in (MoveKind.receive, MoveKind.count, MoveKind.return_, MoveKind.draw):
        raise _refused("nothing of it is there", "bin")
    return Holding(
        item=item,
        quality=Quality(body.quality or Quality.maker),
        brand=body.brand,
        bin=body.bin,
        owner=owner,
        quote=of_whom,
    )


def _refused(reason: str, member: str) -> RequestRefused:
    fault: KitwrightError = MoveUnclear(reason)
    return RequestRefused([fault.at(member)])
