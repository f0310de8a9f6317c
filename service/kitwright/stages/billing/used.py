"""Used: what was really used and clocked, and whether it can be so.

Lines are named by their place among the agreed ones, from 1, additions last.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Final

from msgspec import Struct

from kitwright.errors import KitwrightError
from kitwright.money import Money
from kitwright.stages.request import RequestFault, RequestRefused, check_quantity

GOODS: Final = frozenset({"part", "set", "consumable"})
"""Kinds of lines of which less, or more, may be used than was agreed."""
PART: Final = "part"
LABOUR: Final = "labour"
MINUTE: Final = "MIN"
PIECE: Final = "C62"
CORE: Final = "core"
DISCOUNT: Final = "discount"
FREIGHT: Final = "freight"
WARRANTY: Final = "warranty"
"""The code of an allowance for what the shop bears."""


class AgreedLine(Struct, frozen=True, kw_only=True):
    """A line that the customer agreed to: amount = quantity x unit price / base quantity, rounded
    once, with or without tax as the shop's prices are. `unit` is a code of UN/ECE Rec 20; labour
    by the minute can be clocked, and has a `labour_class`.

    A discount has the `percent` that it was given as, None if it was an amount. `reduces` is the
    code of the line that it reduces, None for every line of its tax kind except deposits. `borne`
    is how much of the amount the shop bears by its warranty; what it bears of all lines of a tax
    kind is an allowance, a line with the code `warranty`.
    """

    kind: str
    code: str
    tax_kind: str
    quantity: Decimal
    unit: str
    unit_price: Decimal
    base_quantity: Decimal
    amount: Money
    percent: Decimal | None = None
    reduces: str | None = None
    labour_class: str | None = None
    borne: Money | None = None


class Dealt(Struct, frozen=True, kw_only=True):
    """What became of the goods of a line: `used` are billed. What was agreed and not used went back
    `to_shelf` or `to_supplier`, or had `not_arrived`.
    """

    line: int
    used: Decimal
    to_shelf: Decimal = Decimal(0)
    to_supplier: Decimal = Decimal(0)
    not_arrived: Decimal = Decimal(0)


class Clocked(Struct, frozen=True, kw_only=True):
    """The minutes that were clocked for a line of labour."""

    line: int
    minutes: Decimal


class CoreBack(Struct, frozen=True, kw_only=True):
    """Old parts that the customer left, so that their deposit is refunded."""

    line: int
    quantity: Decimal


class Disposed(Struct, frozen=True, kw_only=True):
    """Something that the shop disposed of, such as used oil: how much of it, and where it went."""

    what: str
    quantity: Decimal
    unit: str
    where: str | None = None


class Used(Struct, frozen=True, kw_only=True):
    """What was used and clocked; lines that are not named are as they were agreed."""

    goods: tuple[Dealt, ...] = ()
    clocked: tuple[Clocked, ...] = ()
    cores: tuple[CoreBack, ...] = ()
    disposed: tuple[Disposed, ...] = ()


class NoSuchLine(RequestFault):
    """A line that is not there, or of another kind."""

    code = "no-such-line"

    def __init__(self, line: int, count: int, wanted: str) -> None:
        super().__init__(f"line {line} of {count} is not a line of {wanted}")
        self.line = line
        self.count = count


class LineTwice(RequestFault):
    """A line that is named twice."""

    code = "line-twice"

    def __init__(self, line: int) -> None:
        super().__init__(f"line {line} is named twice: give the sum")
        self.line = line


class GoodsUnaccounted(RequestFault):
    """Goods that were agreed, and neither used nor put back or returned; or the other way round."""

    code = "goods-unaccounted"

    def __init__(self, line: int, agreed: Decimal, told: Decimal) -> None:
        super().__init__(
            f"of line {line}, {agreed} were agreed, and {told} are accounted for: `used`, "
            "`to_shelf`, `to_supplier` and `not_arrived` together are what was agreed, or more was "
            "used and nothing is left"
        )
        self.line = line
        self.agreed = agreed
        self.told = told


class CoreTooMany(RequestFault):
    """More old parts than deposits were taken for."""

    code = "core-too-many"

    def __init__(self, line: int, most: Decimal) -> None:
        super().__init__(f"line {line} is a deposit for {most}: no more can be refunded")
        self.line = line
        self.most = most


def is_timed(line: AgreedLine) -> bool:
    """Return whether a line is labour that is billed by the minute."""
    return line.kind == LABOUR and line.unit == MINUTE


def check_used(lines: Sequence[AgreedLine], used: Used) -> None:
    """Raise RequestRefused, with everything that can't be so, unless the use fits the lines."""
    faults = [*_faults(lines, used)]
    for at, gone in enumerate(used.disposed):
        found = check_quantity(gone.quantity)
        faults += [fault.at("disposed", at, "quantity") for fault in found]
    if faults:
        raise RequestRefused(faults)


def deposits_due(lines: Sequence[AgreedLine], used: Used, place: int) -> Decimal:
    """Return for how many old parts a line of deposits is due: for as many as were used of the part
    with its number, at most those agreed. `place` is the line's, from 1.
    """
    deposit, unused = lines[place - 1], Decimal(0)
    for one in used.goods:
        if 1 <= one.line <= len(lines):
            line = lines[one.line - 1]
            if (line.kind, line.code) == (PART, deposit.code):
                unused += max(line.quantity - one.used, Decimal(0))
    return max(deposit.quantity - unused, Decimal(0))


_Told = Dealt | Clocked | CoreBack
_FIGURES: Final[Mapping[type[Struct], tuple[str, ...]]] = {
    Dealt: ("used", "to_shelf", "to_supplier", "not_arrived"),
    Clocked: ("minutes",),
    CoreBack: ("quantity",),
}
"""The figures of what is told."""
_Group = tuple[str, Sequence[_Told], Callable[[AgreedLine], bool], str]
"""The member of a use, what it tells, whether a line can be meant, and what lines are wanted."""


def _faults(lines: Sequence[AgreedLine], used: Used) -> Iterator[KitwrightError]:
    groups: tuple[_Group, ...] = (
        ("goods", used.goods, lambda line: line.kind in GOODS, "goods"),
        ("clocked", used.clocked, is_timed, "labour by the minute"),
        ("cores", used.cores, lambda line: line.kind == CORE, "deposits for old parts"),
    )
    for member, told, fits, wanted in groups:
        seen: set[int] = set()
        for at, one in enumerate(told):
            place = one.line
            if not (1 <= place <= len(lines) and fits(lines[place - 1])):
                yield NoSuchLine(place, len(lines), wanted).at(member, at, "line")
                continue
            if place in seen:
                yield LineTwice(place).at(member, at, "line")
            seen.add(place)
            beyond = [fault.at(member, at, name) for name, fault in _beyond(one)]
            if beyond:
                yield from beyond
                continue
            most = deposits_due(lines, used, place)
            fault = _fault(lines[place - 1], one, most)
            if fault is not None:
                yield fault.at(member, at)


def _beyond(told: _Told) -> Iterator[tuple[str, RequestFault]]:
    """Yield the members whose figures nobody means, each with its error."""
    unit = "minute" if isinstance(told, Clocked) else ""
    for name in _FIGURES[type(told)]:
        for fault in check_quantity(getattr(told, name), unit):
            yield name, fault


def _fault(line: AgreedLine, told: _Told, deposits: Decimal) -> RequestFault | None:
    if isinstance(told, CoreBack):
        return CoreTooMany(told.line, deposits) if told.quantity > deposits else None
    if isinstance(told, Clocked):
        return None
    back = told.to_shelf + told.to_supplier + told.not_arrived
    if told.used + back == line.quantity or (not back and told.used > line.quantity):
        return None
    return GoodsUnaccounted(told.line, line.quantity, told.used + back)
