"""Kit: what a quote's work needs, what covers it, and what has to be known before it is ordered."""

from __future__ import annotations

from msgspec import Struct

from kitwright.quote.base import DecimalText, Measure, OnCylinder, Reason, UnitCode


class Need(Struct, frozen=True, kw_only=True):
    """A role, or a piece of work, with the item that it needs."""

    role: str
    cylinder: OnCylinder | None
    part: str
    name: str
    quantity: DecimalText
    unit: UnitCode
    measure: Measure
    kind: str
    why: tuple[Reason, ...]


class Cover(Struct, frozen=True, kw_only=True):
    """How much of a need a pack fills: what needs `part` gets `fitted`, an older number where its
    stock is used up, the customer's own or one out of a set. `fitted` is null where nothing is.
    """

    role: str
    cylinder: OnCylinder | None
    part: str
    quantity: DecimalText
    fitted: str | None


class Pack(Struct, frozen=True, kw_only=True):
    """Packs of an item, from the shelf (`source` "stock") or from a supplier, and what they
    fill.
    """

    item: str
    packs: DecimalText
    source: str
    covers: tuple[Cover, ...]


class FromStock(Struct, frozen=True, kw_only=True):
    """What is taken from the shelf."""

    item: str
    name: str
    quantity: DecimalText
    unit: UnitCode
    measure: Measure
    bin: str


class LeftOver(Struct, frozen=True, kw_only=True):
    """What the shop keeps."""

    item: str
    name: str
    quantity: DecimalText
    unit: UnitCode
    measure: Measure
    quality: str


class Kit(Struct, frozen=True, kw_only=True):
    """The needs, and what covers them; `is_least` where no cheaper purchase would do."""

    needs: tuple[Need, ...]
    packs: tuple[Pack, ...]
    left_over: tuple[LeftOver, ...]
    from_stock: tuple[FromStock, ...]
    is_least: bool


class Unfilled(Struct, frozen=True, kw_only=True):
    """What of a need no source can fill; its quantity is in `unit`."""

    need: Cover
    name: str
    unit: UnitCode
    measure: Measure
    why: tuple[Reason, ...]


class Option(Struct, frozen=True, kw_only=True):
    """One answer to a question: its id and its name."""

    id: str
    name: str


class Question(Struct, frozen=True, kw_only=True):
    """A question that makes a quote provisional: a role whose part the plate decides, priced as
    `priced`, and ordered as none.

    Under the role `chassis` it is the machine around the engine: `parts` and `options` hold what
    it may be, `priced` the dearest for this very quote. What not all of them call for is in the
    price and not ordered: it stands in `held`.
    """

    role: str
    cylinder: OnCylinder | None
    parts: tuple[str, ...]
    options: tuple[Option, ...]
    priced: str
    held: tuple[Cover, ...]
