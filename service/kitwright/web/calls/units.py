"""Units: several machines of one family in one request, each of which becomes a quote."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated, Final

import msgspec
from msgspec import Meta, Struct, structs

from kitwright.errors import KitwrightError
from kitwright.keeping.record import Machine, Revision
from kitwright.keeping.reserving import taken_by
from kitwright.stages.request import NamedTwice, RequestFault, RequestRefused
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import MACHINE, MachineId, TicketId, written
from kitwright.web.calls.machines import Plate
from kitwright.web.calls.reckoning import MachineDiffers, QuoteIn, figures_of, filled_of
from kitwright.web.calls.stocking import less
from kitwright.web.calls.wire import ConditionIn, PreviewIn, Serial
from kitwright.web.edge.shapes import BuildCode, Id, Text, Wire

MOST_UNITS: Final = 100
_OF_UNIT: Final = ("serial", "build_code", "machine", "ticket")
"""Members that a request with units leaves to them."""
_OWN: Final = (*_OF_UNIT, "chassis")
"""Members of a request that are a unit's own, or may be."""


class UnitIn(Wire, frozen=True, kw_only=True):
    """One machine of several: a kept `machine`, or the data on its plate.

    A unit with a `name` or a `plate` is kept as a new machine of the customer. `chassis` and
    `condition` are the request's if they are left out.
    """

    machine: MachineId | None = None
    ticket: TicketId | None = None
    name: Text | None = None
    serial: Serial | None = None
    build_code: BuildCode | None = None
    chassis: Id | None = None
    plate: Plate = {}
    condition: ConditionIn | None = None


Units = Annotated[
    tuple[UnitIn, ...],
    Meta(
        max_length=MOST_UNITS,
        description="Machines that are quoted together, each in a quote of its own.",
    ),
]


class NewPreviewIn(PreviewIn, frozen=True, kw_only=True):
    """A request for a quote or, with `units`, for one of each of several machines."""

    units: Units = ()

    def kept(self) -> QuoteIn:
        """Return the request without units, in the form in which it would be kept."""
        given = {name: getattr(self, name) for name in PreviewIn.__struct_fields__}
        return QuoteIn(**{**given, "leave_out_additions": ()})


class NewQuoteIn(QuoteIn, frozen=True, kw_only=True):
    """A quote to keep or, with `units`, one for each of several machines of the family."""

    units: Units = ()

    def single(self) -> QuoteIn:
        """Return the request without units."""
        return QuoteIn(**{name: getattr(self, name) for name in QuoteIn.__struct_fields__})


class UnitsBeside(RequestFault):
    """A member that belongs to one machine, in a request for several `units`."""

    code = "units-beside"

    def __init__(self, member: str) -> None:
        super().__init__(f"give {member} in each of `units`, or leave out `units`")
        self.member = member


class ComeBackOfMany(RequestFault):
    """Several machines that come back together."""

    code = "come-back-of-many"

    def __init__(self) -> None:
        super().__init__("a machine comes back by itself: quote each without `units`")


class UnitKept(RequestFault):
    """A name or a plate for a machine that is kept already."""

    code = "unit-kept"

    def __init__(self, record: str) -> None:
        super().__init__(
            f"the machine of {record} has a name and a plate: change the machine instead"
        )
        self.record = record


class SerialTwice(RequestFault):
    """Two units with the same serial number."""

    code = "serial-twice"

    def __init__(self, serial: int, first: int, second: int) -> None:
        super().__init__(
            f"units {first + 1} and {second + 1} both have the serial number {serial}: leave it "
            "out where the plate can't be read"
        )
        self.serial = serial
        self.path = ("units", second, "serial")


class Unit(Struct, frozen=True):
    """A unit's request, filled from its customer and machine, and the machine to be kept with it,
    None if it is kept already or has nothing to be kept.
    """

    asked: QuoteIn
    machine: Machine | None


def read_units(desk: Desk, asked: QuoteIn, units: Sequence[UnitIn]) -> tuple[Unit, ...]:
    """Return the units of a request, each with its own request.

    Raises: RequestRefused, with the errors of all units, each at its unit.
    """
    faults = [*_beside(asked), *_named(units)]
    found, first = [], dict[int, int]()
    for index, unit in enumerate(units):
        own = structs.replace(
            asked,
            machine=unit.machine,
            ticket=unit.ticket,
            serial=unit.serial,
            build_code=unit.build_code,
            chassis=asked.chassis if unit.chassis is None else unit.chassis,
            condition=asked.condition if unit.condition is None else unit.condition,
        )
        try:
            filled = filled_of(desk, own)
        except RequestRefused as refused:
            faults += (_placed(fault, index) for fault in refused.faults)
        else:
            found.append(Unit(filled, _machine_of(desk, filled, unit)))
            if filled.serial is not None and first.setdefault(filled.serial, index) != index:
                faults.append(SerialTwice(filled.serial, first[filled.serial], index))
    if faults:
        raise RequestRefused(_once(faults))
    return tuple(found)


async def figures_of_units(desk: Desk, units: Sequence[Unit]) -> tuple[Revision, ...]:
    """Return the first revision of each unit's quote. What is on the shelf is promised once: each
    unit is quoted with what those before it leave.

    Raises: RequestRefused, with the errors of all units, each at its unit; other errors of the
        stages are placed at the unit that they are about.
    """
    found, faults = [], list[KitwrightError]()
    stock, estimates, now = desk.stock(), desk.estimates_on(), desk.now()
    catalogue = desk.service.workshop.catalogue
    for index, unit in enumerate(units):
        try:
            # one after the other, so that previews don't wait for all
            figures = await desk.beside(figures_of, unit.asked, stock, estimates, now)
        except RequestRefused as refused:
            faults += (_placed(fault, index) for fault in refused.faults)
        except KitwrightError as error:
            raise error.at("units", index) from None
        else:
            found.append(figures)
            stock = less(stock, catalogue, taken_by(figures.answer))
    if faults:
        raise RequestRefused(_once(faults))
    return tuple(found)


def for_machine(figures: Revision, machine: Machine) -> Revision:
    """Return a revision that is for a machine, which was kept just now."""
    asked = msgspec.json.decode(figures.request, type=QuoteIn)
    named = structs.replace(asked, machine=written(MACHINE, machine.number))
    return structs.replace(figures, machine=machine.number, request=msgspec.json.encode(named))


def _machine_of(desk: Desk, filled: QuoteIn, unit: UnitIn) -> Machine | None:
    """Return the machine that is kept with a unit's quote, without its owner."""
    if unit.name is None and not unit.plate:
        return None
    serial = "" if filled.serial is None else f" {filled.serial}"
    return Machine(
        number=0,
        version=1,
        customer=None,
        name=unit.name or f"{filled.family}{serial}",
        family=filled.family,
        serial=filled.serial,
        build_code=filled.build_code,
        chassis=filled.chassis,
        plate=unit.plate,
        hours=None,
        note=None,
        made_at=desk.now(),
        erased_at=None,
    )


def _beside(asked: QuoteIn) -> Iterator[KitwrightError]:
    """Yield an error for each member of a request that belongs into its units."""
    for member in _OF_UNIT:
        if getattr(asked, member) is not None:
            yield UnitsBeside(member).at(member)
    if asked.comes_back is not None:
        yield ComeBackOfMany().at("comes_back")
    if asked.machines != 1:
        yield UnitsBeside("each machine").at("machines")


def _named(units: Sequence[UnitIn]) -> Iterator[KitwrightError]:
    """Yield an error for each kept machine that is named twice, or described anew."""
    seen = set[str]()
    for index, unit in enumerate(units):
        for member, named in (("machine", unit.machine), ("ticket", unit.ticket)):
            if named is None:
                continue
            if named in seen:
                yield NamedTwice(named).at("units", index, member)
            if unit.name is not None or unit.plate:
                yield UnitKept(named).at("units", index)
            seen.add(named)


def _placed(fault: KitwrightError, index: int) -> KitwrightError:
    """Return an error of a unit's request at its place in the request of all."""
    if isinstance(fault, MachineDiffers):
        return fault.at("units", index, "machine")
    if fault.path[:1] and fault.path[0] in _OWN:
        return fault.at("units", index, *fault.path)
    return fault


def _once(faults: Sequence[KitwrightError]) -> list[KitwrightError]:
    """Return errors, each once: those of what units share are found with each of them."""
    return list({(fault.path, fault.code, str(fault)): fault for fault in faults}.values())
