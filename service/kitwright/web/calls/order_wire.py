"""Order wire: what calls on placed orders take and answer."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from msgspec import Meta, field

from kitwright.keeping.order_check import OrderDifference
from kitwright.money import Money
from kitwright.quote import Count, DecimalText
from kitwright.stages.request import MOST_PACKS
from kitwright.web.calls.ids import QuoteId
from kitwright.web.calls.messages import AddressIn, Note
from kitwright.web.calls.order_shown import OrderOut
from kitwright.web.calls.shelf_wire import BinText
from kitwright.web.calls.shown import Out
from kitwright.web.edge.shapes import DecimalIn, Text, Wire

LinePlace = Annotated[int, Meta(ge=1, le=10_000, description="The line's place, from 1.")]
Packs = Annotated[int, Meta(ge=1, le=MOST_PACKS)]
PacksOrNone = Annotated[int, Meta(ge=0, le=MOST_PACKS)]
_MOST = Meta(max_length=1_000)


class SendOrderIn(Wire, frozen=True, kw_only=True):
    """How an order goes to its supplier: by e-mail from here, or entered in the supplier's portal
    or told by telephone, with the supplier's own `reference`.

    `to` and `note` are for an e-mail: its address (null: the supplier's) and the shop's own text.
    `without_advance` says why the order goes out although an advance that is asked for its parts is
    not recorded. `by` is the person who sends it.
    """

    means: Literal["email", "portal", "telephone"]
    to: AddressIn | None = None
    note: Note | None = None
    reference: Text | None = None
    without_advance: Text | None = None
    by: Text


class AnswerLineIn(Wire, frozen=True, kw_only=True):
    """The supplier's answer for a line. `refused` packs won't come. `promised` is the new day; with
    `open`, no day is promised. What is null is as it was.
    """

    line: LinePlace
    refused: PacksOrNone = 0
    promised: date | None = None
    is_open: bool = field(default=False, name="open")
    is_back_order: bool = field(default=False, name="back_order")
    is_disputed: bool = field(default=False, name="disputed")
    unit_cost: DecimalIn | None = None


class ConfirmOrderIn(Wire, frozen=True, kw_only=True):
    """The supplier's answer as it was told. Lines that are not named are accepted as ordered."""

    reference: Text | None = None
    lines: Annotated[tuple[AnswerLineIn, ...], _MOST] = ()
    by: Text


class ReceivedLineIn(Wire, frozen=True, kw_only=True):
    """Packs of a line that arrived. `packs` are good ones; those that are more than were due are
    over, of which the shop keeps `keep`. `damaged` and `wrong` ones are not accepted. `unit_cost`
    is the price of a pack on the delivery note, `bin` where the goods are put.
    """

    line: LinePlace
    packs: PacksOrNone = 0
    keep: PacksOrNone = 0
    damaged: PacksOrNone = 0
    wrong: PacksOrNone = 0
    unit_cost: DecimalIn | None = None
    bin: BinText | None = None


class ReceiptIn(Wire, frozen=True, kw_only=True):
    """A delivery; `reference` is the number of the delivery note."""

    reference: Text | None = None
    lines: Annotated[tuple[ReceivedLineIn, ...], Meta(min_length=1, max_length=1_000)]
    by: Text


class BilledLineIn(Wire, frozen=True, kw_only=True):
    """Packs of a line on a bill, at a cost per pack without tax."""

    line: LinePlace
    packs: Packs
    unit_cost: DecimalIn


class BillIn(Wire, frozen=True, kw_only=True):
    """The supplier's bill: `charges` are its fees and freight, `net` its total, without tax."""

    number: Text
    day: date
    lines: Annotated[tuple[BilledLineIn, ...], Meta(min_length=1, max_length=1_000)]
    charges: DecimalIn
    net: DecimalIn
    by: Text


class BillBackIn(Wire, frozen=True, kw_only=True):
    """A recorded bill that no longer counts, by its `number`: why, and who says so."""

    number: Text
    reason: Text
    by: Text


class ReturnedLineIn(Wire, frozen=True, kw_only=True):
    """Packs of a line that go back, or with `core`, so many old parts."""

    line: LinePlace
    why: Literal["damaged", "wrong", "over", "not_needed", "core"]
    packs: Packs


class ReturnIn(Wire, frozen=True, kw_only=True):
    """Goods that go back to the supplier. `reference` is the supplier's number for the return;
    `agreed` is what the supplier agreed to, beyond its terms.
    """

    reference: Text | None = None
    agreed: Text | None = None
    lines: Annotated[tuple[ReturnedLineIn, ...], Meta(min_length=1, max_length=1_000)]
    by: Text


class CancelledLineIn(Wire, frozen=True, kw_only=True):
    """Packs of a line that are no longer wanted."""

    line: LinePlace
    packs: Packs


class CancelOrderIn(Wire, frozen=True, kw_only=True):
    """What is cancelled and why; without lines, everything that has not arrived."""

    reason: Text
    lines: Annotated[tuple[CancelledLineIn, ...], _MOST] = ()
    by: Text


class SlipOut(Out, frozen=True, kw_only=True):
    """A quote whose parts come later than was promised. `promised` was the day for the line, `now`
    is the new one, null if none is promised. `complete_on` is the day on which everything that is
    ordered for the quote should be there. `late` says that it is needed before that.
    """

    quote: QuoteId
    line: Count
    sku: str
    promised: date | None
    now: date | None
    complete_on: date | None
    needed_by: date | None
    is_late: bool = field(name="late")


class ProposalOut(Out, frozen=True, kw_only=True):
    """Where the goods of a line that slips could be had sooner, at least cost: `net` is with that
    supplier's fees and freight, if nothing else is ordered there. Nothing is ordered by it.
    """

    line: Count
    supplier: str
    name: str
    sku: str
    item: str
    packs: Count
    unit_cost: DecimalText
    net: Money
    promised: date


class OrderDoneOut(OrderOut, frozen=True, kw_only=True):
    """An order after something was done with it.

    `differences` are those of a delivery or a bill from what was agreed. `slips` are the quotes
    whose parts come later than was promised, and `proposals` say where they could be had sooner.
    `reopened` are the quotes some of whose parts are no longer ordered: order them again.
    """

    differences: tuple[OrderDifference, ...]
    slips: tuple[SlipOut, ...]
    proposals: tuple[ProposalOut, ...]
    reopened: tuple[QuoteId, ...]
