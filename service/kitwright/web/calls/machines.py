"""Machines: kept as their plates say, read, found and changed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import msgspec
from litestar.handlers import HTTPRouteHandler

from kitwright.catalogue.model import Catalogue, ChassisId, FamilyId
from kitwright.errors import KitwrightError
from kitwright.keeping import people
from kitwright.keeping.key import Scope
from kitwright.keeping.record import Machine, Stamp
from kitwright.keeping.store import Records
from kitwright.stages.request import (
    RequestFault,
    RequestRefused,
    UnknownBuildCode,
    UnknownFamily,
    find_chassis,
)
from kitwright.web.calls.desk import Desk, tag
from kitwright.web.calls.handlers import Call, Reply, Work, acting, reading
from kitwright.web.calls.ids import CUSTOMER, MACHINE, missing, read_id, written
from kitwright.web.calls.operations import BODY_PROBLEMS, Operation
from kitwright.web.calls.paged import page_reply, read_before
from kitwright.web.calls.people_wire import (
    KeptMachineOut,
    MachineIn,
    MachineOut,
    MachinesQuery,
    kept_machine_out,
    machine_out,
)
from kitwright.web.calls.quotes import check_named
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.refusals import GUARD_PROBLEMS, ONCE_PROBLEMS, STORE_PROBLEMS
from kitwright.web.calls.unprintable import Found, looked_at, unprintable_in

_ID: Final = {"id": "Which machine, by its id."}
_PRINTED: Final = ("name",)
"""Members that stand on printed documents and may be of any letters."""

CREATE: Final = Operation(
    method="post",
    path="/v1/machines",
    id="createMachine",
    tag="machines",
    summary="Keep a machine",
    description=(
        "Keeps a machine of a family of the catalogue, a customer's or nobody's. Quotes for it "
        "take serial, build code and chassis from here."
    ),
    takes=MachineIn,
    answers=KeptMachineOut,
    status=201,
    problems=(*BODY_PROBLEMS, *ONCE_PROBLEMS, "unknown-record", "request-refused"),
    scope=Scope.QUOTE,
    is_once=True,
    is_tagged=True,
)
FIND: Final = Operation(
    method="get",
    path="/v1/machines",
    id="listMachines",
    tag="machines",
    summary="Find machines",
    description=(
        "Machines, newest first, of one customer or of all. Where there are more, `Link` leads to "
        "the next page."
    ),
    answers=ListOut[MachineOut],
    query=MachinesQuery,
    problems=("query-invalid", "unknown-record", "not-acceptable", "storage-unavailable"),
    is_paged=True,
)
GET: Final = Operation(
    method="get",
    path="/v1/machines/{id}",
    id="getMachine",
    tag="machines",
    summary="One machine",
    description="A machine as it is kept.",
    answers=KeptMachineOut,
    problems=("unknown-record", "not-acceptable", "storage-unavailable"),
    variables=_ID,
    is_conditional=True,
    is_tagged=True,
)
CHANGE: Final = Operation(
    method="put",
    path="/v1/machines/{id}",
    id="changeMachine",
    tag="machines",
    summary="Change a machine",
    description=(
        "Takes the whole record: what is left out is taken away. Quotes that are made already "
        "stay as they are."
    ),
    takes=MachineIn,
    answers=KeptMachineOut,
    problems=(
        *BODY_PROBLEMS,
        *GUARD_PROBLEMS,
        *STORE_PROBLEMS,
        "unknown-record",
        "act-refused",
        "request-refused",
    ),
    variables=_ID,
    scope=Scope.QUOTE,
    is_guarded=True,
    is_tagged=True,
)
OPERATIONS: Final = (CREATE, FIND, GET, CHANGE)


def make_handlers(desk: Desk) -> Iterator[HTTPRouteHandler]:
    """Yield the handlers of this module's operations."""
    yield acting(desk, CREATE, _create)
    yield reading(FIND, desk, _find)
    yield reading(GET, desk, _get)
    yield acting(desk, CHANGE, _change)


async def _create(call: Call) -> Work:
    stamp, machine = call.stamp, _read(call)
    found = await looked_at(call.desk.papers, machine, *_PRINTED)

    def work(records: Records) -> Reply:
        check_named(records, machine.customer, None)
        kept = people.add_machine(records, stamp, machine)
        location = f"{CREATE.path}/{written(MACHINE, kept.number)}"
        return msgspec.structs.replace(
            _reply(kept, found), status=201, headers={"Location": location}
        )

    return work


async def _change(call: Call) -> Work:
    stamp, machine = call.stamp, _read(call)
    found = await looked_at(call.desk.papers, machine, *_PRINTED)

    def work(records: Records) -> Reply:
        before = machine_of(records, call.number("id", MACHINE))
        call.check(_tag(before))
        check_named(records, machine.customer, None)
        changed = people.change_machine(records, stamp, before, machine)
        return _reply(changed, found)

    return work


def _read(call: Call) -> Machine:
    """Return the machine of a call's body, without a number. Raises: Refusal, RequestRefused."""
    asked = call.body(MachineIn)
    faults = list(_faults(call.desk.service.workshop.catalogue, asked))
    if faults:
        raise RequestRefused(faults)
    stamp: Stamp = call.stamp
    return Machine(
        number=0,
        version=1,
        customer=None if asked.customer is None else read_id(CUSTOMER, asked.customer),
        name=asked.name,
        family=asked.family,
        serial=asked.serial,
        build_code=asked.build_code,
        chassis=asked.chassis,
        plate={str(name): str(text) for name, text in asked.plate.items()},
        hours=asked.hours,
        note=asked.note,
        made_at=stamp.at,
        erased_at=None,
    )


def _faults(catalogue: Catalogue, asked: MachineIn) -> Iterator[KitwrightError]:
    """Yield what of a machine the catalogue does not hold, as a quote for it would tell."""
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


def _find(records: Records, call: Call) -> Reply:
    asked = call.query(MachinesQuery)
    found = records.people.machines(
        None if asked.customer is None else read_id(CUSTOMER, asked.customer),
        read_before("machines", asked.cursor),
        asked.limit + 1,
    )
    return page_reply(
        FIND.path, "machines", asked, [(one.number, machine_out(one)) for one in found]
    )


def _get(records: Records, call: Call) -> Reply:
    machine = machine_of(records, call.number("id", MACHINE))
    return _reply(machine, unprintable_in(call.desk.papers, machine, *_PRINTED))


def machine_of(records: Records, number: int) -> Machine:
    """Return a machine. Raises: Refusal: unknown-record."""
    machine = records.people.machine(number)
    if machine is None:
        raise missing(MACHINE, written(MACHINE, number))
    return machine


def _reply(machine: Machine, found: Found) -> Reply:
    out = kept_machine_out(machine, found)
    return Reply(body=msgspec.json.encode(out), tag=_tag(machine))


def _tag(machine: Machine) -> str:
    return tag("machine", machine.number, machine.version)
