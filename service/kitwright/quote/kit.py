"""Kit: the parts that a quote's work needs, the packs that cover them, and the open questions."""

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
    """The quantity of a need that a pack fills. `part` is needed and `fitted` is used for it.

    `fitted` may be an older number whose stock is used up, the customer's own part, or a part from
    a set. It is null if nothing is fitted.
    """

    role: str
    cylinder: OnCylinder | None
    part: str
    quantity: DecimalText
    fitted: str | None


class Pack(Struct, frozen=True, kw_only=True):
    """Packs of an item, from stock (`source` is `stock`) or from a supplier, and the needs that
    they fill.
    """

    item: str
    packs: DecimalText
    source: str
    covers: tuple[Cover, ...]


class FromStock(Struct, frozen=True, kw_only=True):
    """A quantity of an item that is taken from stock, its quality, and the bin where it is.
    `quality` is null in quotes that did not state it.
    """

    item: str
    name: str
    quantity: DecimalText
    unit: UnitCode
    measure: Measure
    bin: str
    quality: str | None = None


class LeftOver(Struct, frozen=True, kw_only=True):
    """A quantity that was bought or opened and is not needed here; it stays with the shop."""

    item: str
    name: str
    quantity: DecimalText
    unit: UnitCode
    measure: Measure
    quality: str


class Kit(Struct, frozen=True, kw_only=True):
    """The needs and the packs that cover them. `is_least` is true if it is certain that no cheaper
    purchase covers them.
    """

    needs: tuple[Need, ...]
    packs: tuple[Pack, ...]
    left_over: tuple[LeftOver, ...]
    from_stock: tuple[FromStock, ...]
    is_least: bool


class Unfilled(Struct, frozen=True, kw_only=True):
    """The part of a need that no source can fill; its quantity is in `unit`."""

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
    """A question that makes a quote provisional: a role whose part depends on the engine's plate.
    The price assumes the part `priced`; nothing is ordered for the role yet.

    If the role is `chassis`, the question is which machine the engine is in. `parts` and `options`
    then list the possible machines, and `priced` is the most expensive of them for this quote.
    `held` lists parts that not all of them need: they are in the price, but not ordered.
    """

    role: str
    cylinder: OnCylinder | None
    parts: tuple[str, ...]
    options: tuple[Option, ...]
    priced: str
    held: tuple[Cover, ...]
