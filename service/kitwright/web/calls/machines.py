"""Machines: calls that store, find, read and change machines."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from kitwright.catalogue.model import Catalogue, ChassisId, FamilyId
from kitwright.errors import KitwrightError
from kitwright.keeping import people
from kitwright.keeping.key import Scope
from kitwright.keeping.record import Machine
from kitwright.keeping.store import Records
from kitwright.stages.request import (
    RequestFault,
    RequestRefused,
    UnknownBuildCode,
    UnknownFamily,
    find_chassis,
)
from kitwright.web.calls.call import Call, Work, version_tag
from kitwright.web.calls.declared import operation
from kitwright.web.calls.ids import CUSTOMER, MACHINE, read_id_or_none
from kitwright.web.calls.paged import page_reply, read_before
from kitwright.web.calls.people_wire import (
    KeptMachineOut,
    MachineIn,
    MachineOut,
    MachinesQuery,
    machine_ids,
    machine_out,
)
from kitwright.web.calls.quotes import check_named
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.shaped import shaped
from kitwright.web.calls.unprintable import Found, looked_at, unprintable_in
from kitwright.web.edge.reply import Reply

_PRINTED: Final = ("name",)
"""Members that appear on printed documents and may use any script."""


@operation(
    "POST /v1/machines",
    "createMachine",
    "machines",
    scope=Scope.QUOTE,
    is_once=True,
    is_tagged=True,
    status=201,
    problems=("unknown-record", "request-refused"),
)
async def create(call: Call, body: MachineIn) -> Work[KeptMachineOut]:
    """Create a machine.

    Stores a machine of a catalogue family, with or without a customer. Quotes for it take serial
    number, build code and chassis from this record.
    """
    machine, found = await _read(call, body)

    def work(records: Records) -> Reply[KeptMachineOut]:
        check_named(records, machine.customer, None)
        kept = people.add_machine(records, call.stamp, machine)
        return call.made(_kept(kept, found), tag=version_tag(MACHINE, kept))

    return work


@operation("GET /v1/machines", "listMachines", "machines", problems=("unknown-record",))
def find(records: Records, call: Call, query: MachinesQuery) -> Reply[ListOut[MachineOut]]:
    """Find machines.

    Machines, newest first, of one customer or of all. If there are more, `Link` leads to the next
    page.
    """
    found = records.machines.find(
        read_id_or_none(CUSTOMER, query.customer),
        read_before("machines", query.cursor),
        query.limit + 1,
    )
    return page_reply(
        call.operation.path, "machines", query, [(one.number, machine_out(one)) for one in found]
    )


@operation("GET /v1/machines/{id}", "getMachine", "machines", is_tagged=True)
def get(records: Records, call: Call) -> Reply[KeptMachineOut]:
    """Get a machine.

    A machine as stored.
    """
    machine = call.record(MACHINE, records.machines.get)
    return _reply(machine, unprintable_in(call.desk.papers, machine, *_PRINTED))


@operation(
    "PUT /v1/machines/{id}",
    "changeMachine",
    "machines",
    scope=Scope.QUOTE,
    is_guarded=True,
    is_tagged=True,
    problems=("act-refused", "request-refused"),
)
async def change(call: Call, body: MachineIn) -> Work[KeptMachineOut]:
    """Change a machine.

    Replaces the complete record: members left out are removed. Existing quotes do not change.
    """
    machine, found = await _read(call, body)

    def work(records: Records) -> Reply[KeptMachineOut]:
        before = call.checked(MACHINE, records.machines.get)
        check_named(records, machine.customer, None)
        return _reply(people.change_machine(records, call.stamp, before, machine), found)

    return work


async def _read(call: Call, asked: MachineIn) -> tuple[Machine, Found]:
    """Return the machine of a call's body, without a number, and its texts that can't be printed.

    Raises: Refusal, RequestRefused.
    """
    faults = list(_faults(call.desk.service.workshop.catalogue, asked))
    if faults:
        raise RequestRefused(faults)
    machine = shaped(
        Machine,
        asked,
        number=0,
        version=1,
        customer=read_id_or_none(CUSTOMER, asked.customer),
        plate={str(name): str(text) for name, text in asked.plate.items()},
        made_at=call.stamp.at,
        erased_at=None,
    )
    return machine, await looked_at(call.desk.papers, machine, *_PRINTED)


def _faults(catalogue: Catalogue, asked: MachineIn) -> Iterator[KitwrightError]:
    """Yield the errors in a machine's references to the catalogue, as a quote for it would report
    them.
    """
    family = catalogue.families.get(FamilyId(asked.family))
    fault: RequestFault
    if family is None:
        fault = UnknownFamily(asked.family, catalogue.families)
        fault.at("family")
        yield fault
    faults: list[KitwrightError] = []
    find_chassis(
        catalogue, family, None if asked.chassis is None else ChassisId(asked.chassis), faults
    )
    yield from faults
    if family is not None and asked.build_code is not None:
        codes = {code for row in catalogue.fitments[family.id] for code in row.build_codes}
        if codes and asked.build_code not in codes:
            fault = UnknownBuildCode(asked.build_code, codes)
            fault.at("build_code")
            yield fault


def _kept(machine: Machine, found: Found) -> KeptMachineOut:
    return shaped(KeptMachineOut, machine, **machine_ids(machine), unprintable=found)


def _reply(machine: Machine, found: Found) -> Reply[KeptMachineOut]:
    return Reply(body=_kept(machine, found), tag=version_tag(MACHINE, machine))
