"""Fitments: checks that every role that work can replace has one part, for every serial number and
build code of a family.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from kitwright.catalogue.checks.records import JOBS, chassis_file, family_file, layout_file, problem
from kitwright.catalogue.graph import expand_role, instances, job_fits
from kitwright.catalogue.model import SERIAL_MAX, JobScope, RoleId

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from kitwright.catalogue.graph import RoleInstance
    from kitwright.catalogue.model import Catalogue, Family, Fitment, Job
    from kitwright.catalogue.problems import Problem

OIL_FILL: Final = RoleId("oil_fill")

_CHASSIS: Final = RoleId("chassis")
"""The group of questions about the machine around the engine, next to those about parts."""

_BUILD_CODE: Final = re.compile(r"[0-9]{4}", re.ASCII)


def check_fitments(catalogue: Catalogue, unsound: frozenset[str]) -> Iterator[Problem]:
    """Yield roles without a part, serial ranges with gaps or overlaps, and fitments without an
    item.

    Args:
        unsound: files whose references are broken; the roles that their components replace are
            skipped.
    """
    for family in catalogue.families.values():
        file = family_file(family.id)
        for index, row in enumerate(family.fitment):
            yield from _row(catalogue, family, row, f"fitment {row.role} [{index}]")
        by_role = _by_role(family)
        codes = sorted({code for row in family.fitment for code in row.build_codes})
        for role, rows in by_role.items():
            yield from _tiles(file, role, rows, codes)
        yield from _breaks(file, family)
        yield from _oil(file, family)
        if unsound.isdisjoint({file, layout_file(family.layout)}):
            for role, why in _used_roles(catalogue, family, unsound).items():
                if role not in by_role:
                    message = f"no fitment gives its part; the role is {why}"
                    yield problem(file, _label(role), "role-unfitted", message)


def _label(role: RoleInstance) -> str:
    name, cylinder = role
    return f"role {name}" if cylinder is None else f"role {name}@{cylinder}"


def _row(catalogue: Catalogue, family: Family, row: Fitment, label: str) -> Iterator[Problem]:
    file = family_file(family.id)
    if row.role == _CHASSIS:
        message = (
            "this name is reserved for the machine around the engine: give the role another name"
        )
        yield problem(file, label, "role-reserved", message)
    if row.part in catalogue.parts:
        unit = "piece"
        if row.quantity != row.quantity.to_integral_value():
            message = f"{row.quantity} of {row.part}: parts are counted in whole pieces"
            yield problem(file, label, "quantity-not-whole", message)
    elif row.part in catalogue.consumables:
        unit = catalogue.consumables[row.part].unit
    else:
        message = f"{row.part!r} is neither a part nor a consumable"
        yield problem(file, label, "item-unknown", message)
        unit = row.unit
    if row.unit != unit:
        yield problem(
            file, label, "unit-differs", f"{row.part} is counted in {unit!r}, not {row.unit!r}"
        )
    for cylinder in sorted(set(row.cylinders)):
        if cylinder > family.cylinders or row.cylinders.count(cylinder) > 1:
            message = f"cylinder {cylinder} is listed twice, or the family does not have it"
            yield problem(file, label, "cylinder-unknown", message)
    for code in row.build_codes:
        if not _BUILD_CODE.fullmatch(code):
            yield problem(file, label, "build-code-malformed", f"{code!r} is not four digits")
    if row.serial_from > row.serial_to:
        message = f"serial_from {row.serial_from} is after serial_to {row.serial_to}"
        yield problem(file, label, "serial-range-backwards", message)


def _by_role(family: Family) -> dict[RoleInstance, list[Fitment]]:
    found: dict[RoleInstance, list[Fitment]] = {}
    for row in family.fitment:
        for cylinder in row.cylinders or (None,):
            found.setdefault((row.role, cylinder), []).append(row)
    return found


def _tiles(
    file: str, role: RoleInstance, rows: Sequence[Fitment], codes: Sequence[str]
) -> Iterator[Problem]:
    """Yield gaps and overlaps of a role, for every build code of the family if build codes
    matter.
    """
    ahead = [row for row in rows if row.serial_from <= row.serial_to]
    for code in codes if any(row.build_codes for row in ahead) else (None,):
        matching = [row for row in ahead if not row.build_codes or code in row.build_codes]
        which = "" if code is None else f" with build code {code}"
        for kind, message in _seams(sorted(matching, key=lambda row: row.serial_from)):
            yield problem(file, _label(role), kind, message + which)


def _seams(rows: Sequence[Fitment]) -> Iterator[tuple[str, str]]:
    following = 0
    for row in rows:
        if row.serial_from > following:
            message = f"no part for serials {following} to {row.serial_from - 1}"
            yield "serial-gap", message
        elif row.serial_from < following:
            last = min(following - 1, row.serial_to)
            yield "serial-overlap", f"two parts for serials {row.serial_from} to {last}"
        following = max(following, row.serial_to + 1)
    if following <= SERIAL_MAX:
        yield "serial-gap", f"no part for serials {following} to {SERIAL_MAX}"


def _breaks(file: str, family: Family) -> Iterator[Problem]:
    stated = {row.at for row in family.serial_break}
    changes: set[int] = set()
    for row in family.fitment:
        if row.serial_from <= row.serial_to:
            # Where a range ends, another begins.
            changes |= {row.serial_from, row.serial_to + 1}
    changes -= {0, SERIAL_MAX + 1}
    for at in sorted(stated - changes):
        message = "no fitment changes at this serial"
        yield problem(file, f"serial_break {at}", "serial-break-without-change", message)
    for at in sorted(changes - stated):
        message = "a fitment changes at this serial, but no serial_break says so"
        yield problem(file, f"serial_break {at}", "change-without-serial-break", message)


def _oil(file: str, family: Family) -> Iterator[Problem]:
    for row in family.fitment:
        if row.role == OIL_FILL and row.quantity != family.oil_litres:
            message = f"oil_litres is {family.oil_litres}, but {OIL_FILL} takes {row.quantity}"
            yield problem(file, f"role {OIL_FILL}", "oil-differs", message)


def _used_roles(
    catalogue: Catalogue, family: Family, unsound: frozenset[str]
) -> dict[RoleInstance, str]:
    """Return every role that a refit or a job can ask for on a family, each with one reason."""
    found: dict[RoleInstance, str] = {}
    carriers = [
        row
        for row in catalogue.chassis.values()
        if family.layout in row.layouts and chassis_file(row.id) not in unsound
    ]
    for chassis in (None, *carriers):
        for node in instances(catalogue, family, chassis).nodes.values():
            for role in node.renews:
                found.setdefault(role, f"replaced when {node.component.id} is refitted")
    if JOBS in unsound:
        return found
    for job in catalogue.jobs.values():
        if job_fits(catalogue, family, job):
            for reference, why in _asked_by(job):
                for cylinder in range(1, family.cylinders + 1):
                    own = cylinder if job.scope is JobScope.cylinder else None
                    for role in expand_role(reference, own, family.cylinders):
                        found.setdefault(role, why)
    return found


def _asked_by(job: Job) -> Iterator[tuple[str, str]]:
    yield from ((role, f"replaced by {job.id}") for role in job.replaces)
    for row in job.contingency:
        for addition in row.add:
            if addition.role is not None:
                yield addition.role, f"added by {row.id} of {job.id}"
