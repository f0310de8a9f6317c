"""Machines: calls that store, find, read and change machines."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from msgspec import Meta, structs

from kitwright.catalogue.model import Catalogue, ChassisId, FamilyId
from kitwright.errors import KitwrightError
from kitwright.keeping import people
from kitwright.keeping.record import Machine
from kitwright.keeping.store import Records
from kitwright.stages.request import (
    RequestRefused,
    UnknownBuildCode,
    UnknownFamily,
    find_chassis,
)
from kitwright.web.calls.call import Call, answer
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import CUSTOMER, MACHINE, CustomerId, read_id_or_none
from kitwright.web.calls.paged import page_of
from kitwright.web.calls.reckoning import known
from kitwright.web.calls.shown import ListOut, extended
from kitwright.web.calls.unprintable import Unprintable, unprintable_in
from kitwright.web.calls.wire import Serial
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import (
    ONE_LINE,
    SEEN_TEXT,
    BuildCode,
    Id,
    Lines,
    PageCursor,
    PageLimit,
    Text,
    Wire,
)

ShortText = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=100,
        pattern=ONE_LINE,
        description="A short text on one line.",
        extra={"wanted": f"text of 1 to 100 characters on one line, {SEEN_TEXT}"},
    ),
]
Hours = Annotated[
    str,
    Meta(
        max_length=10,
        pattern=r"^(0|[1-9][0-9]{0,6})(\.[0-9]{1,2})?(?!\n)$",
        description="As the meter shows.",
        examples=["412.5"],
        extra={"wanted": "hours as a decimal number written as text"},
    ),
]
Plate = Annotated[
    dict[ShortText, ShortText],
    Meta(max_length=20, description="Further entries of the machine's plate, by their labels."),
]


class MachineIn(Wire, frozen=True, kw_only=True):
    """A machine with the data on its plate, the complete record. `chassis` is `loose` for an engine
    without one, and null if it is not known.
    """

    name: Text
    family: Id
    customer: CustomerId | None = None
    serial: Serial | None = None
    build_code: BuildCode | None = None
    chassis: Id | None = None
    plate: Plate = {}
    hours: Hours | None = None
    note: Lines | None = None


class KeptMachineOut(Machine, frozen=True, kw_only=True):
    """A machine, with the characters of its name that can't be printed."""

    unprintable: Unprintable


class MachinesQuery(Wire, frozen=True, kw_only=True):
    """Which machines, newest first: all, or those of one customer."""

    customer: Annotated[
        CustomerId | None, Meta(description="Machines of this customer, by id.")
    ] = None
    limit: PageLimit = 50
    cursor: PageCursor = ""


@operation(
    "POST /v1/machines",
    "createMachine",
    "machines",
    "unknown-record",
    "request-refused",
    status=201,
)
def create(records: Records, call: Call, body: MachineIn) -> Reply[KeptMachineOut]:
    """Create a machine.

    Stores a machine of a catalogue family, with or without a customer. Quotes for it take serial
    number, build code and chassis from this record.
    """
    machine = _read(call, body)
    known(records, machine.customer, None)
    return _told(call, people.add_machine(records, call.stamp, machine), is_new=True)


@operation("GET /v1/machines", "listMachines", "machines", "unknown-record")
def find(records: Records, call: Call, query: MachinesQuery) -> Reply[ListOut[Machine]]:
    """Find machines, newest first: those of one customer, or all."""
    customer = read_id_or_none(CUSTOMER, query.customer)
    return page_of(
        call.operation.path,
        query,
        lambda before, most: records.machines.find(customer, before, most),
    )


@operation("GET /v1/machines/{id}", "getMachine", "machines")
def get(records: Records, call: Call) -> Reply[KeptMachineOut]:
    """Get a machine."""
    return _told(call, call.record(MACHINE, records.machines.get))


@operation("PUT /v1/machines/{id}", "changeMachine", "machines", "act-refused", "request-refused")
def change(records: Records, call: Call, body: MachineIn) -> Reply[KeptMachineOut]:
    """Change a machine.

    Replaces the complete record: members left out are removed. Existing quotes do not change.
    """
    machine = _read(call, body)
    before = call.checked(MACHINE, records.machines.get)
    known(records, machine.customer, None)
    return _told(call, people.change_machine(records, call.stamp, before, machine))


def _told(call: Call, machine: Machine, *, is_new: bool = False) -> Reply[KeptMachineOut]:
    found = unprintable_in(call.desk.papers, machine)
    return answer(call.desk, extended(KeptMachineOut, machine, unprintable=found), is_new=is_new)


def _read(call: Call, asked: MachineIn) -> Machine:
    """Return the machine of a call's body, without a number. Raises: Refusal, RequestRefused."""
    faults = list(_faults(call.desk.service.workshop.catalogue, asked))
    if faults:
        raise RequestRefused(faults)
    given = structs.asdict(asked) | {"customer": read_id_or_none(CUSTOMER, asked.customer)}
    return Machine(**given, number=0, version=1, made_at=call.stamp.at, erased_at=None)


def _faults(catalogue: Catalogue, asked: MachineIn) -> Iterator[KitwrightError]:
    """Yield the errors in a machine's references to the catalogue, as a quote for it would report
    them.
    """
    family = catalogue.families.get(FamilyId(asked.family))
    if family is None:
        yield UnknownFamily(asked.family, catalogue.families).at("family")
    faults: list[KitwrightError] = []
    find_chassis(
        catalogue, family, None if asked.chassis is None else ChassisId(asked.chassis), faults
    )
    yield from faults
    if family is not None and asked.build_code is not None:
        codes = {code for row in catalogue.fitments[family.id] for code in row.build_codes}
        if codes and asked.build_code not in codes:
            yield UnknownBuildCode(asked.build_code, codes).at("build_code")
