"""Work: checks the properties common to several kinds of records: work, consumables, hazards, flags
and labour classes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitwright.catalogue.checks.records import (
    FLAGS,
    HAZARDS,
    JOBS,
    every_record,
    problem,
    shop_file,
)
from kitwright.catalogue.model import Family, RefitWork, Use, Work

if TYPE_CHECKING:
    from collections.abc import Iterator

    from kitwright.catalogue.model import Catalogue, LabourClass
    from kitwright.catalogue.problems import Problem


def check_work(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield ambiguous work, and unknown consumables, hazards, flags and labour classes."""
    yield from _same_rows(catalogue)
    yield from _uses(catalogue)
    yield from _hazards(catalogue)
    yield from _flags(catalogue)
    yield from _labour_classes(catalogue)


def _same_rows(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield work whose id has two meanings. Work with one id is done once, so it must be the same
    work.

    A refit's work may differ between layouts, or between a layout and a family's override, because
    no engine has both. A job's work must not have the id of a refit's work.
    """
    first: dict[tuple[str, str], tuple[str, Work | RefitWork]] = {}
    for found in every_record(catalogue):
        row = found.record
        if isinstance(row, Work | RefitWork):
            scope = found.file if isinstance(row, RefitWork) else ""
            label, other = first.setdefault(
                (scope, row.id), (f"{found.label} of {found.file}", row)
            )
            if other != row:
                message = f"{row.id!r} differs from {label}; rows of work with one id must be equal"
                yield problem(found.file, found.label, "work-differs", message)
    refits = {name for scope, name in first if scope}
    for (scope, name), (label, _) in first.items():
        if not scope and name in refits:
            message = f"{name!r} ({label}) is also the id of refit work"
            yield problem(JOBS, "", "work-differs", message)


def _uses(catalogue: Catalogue) -> Iterator[Problem]:
    for found in every_record(catalogue):
        use = found.record
        if isinstance(use, Use):
            item = catalogue.consumables.get(use.item)
            if item is None:
                message = f"there is no consumable {use.item!r}"
                yield problem(found.file, found.label, "consumable-unknown", message)
            elif item.unit != use.unit:
                message = f"{use.item} is counted in {item.unit!r}, not {use.unit!r}"
                yield problem(found.file, found.label, "unit-differs", message)


def _hazards(catalogue: Catalogue) -> Iterator[Problem]:
    used: set[str] = set()
    for found in every_record(catalogue):
        for name in getattr(found.record, "hazards", None) or ():
            used.add(name)
            if name not in catalogue.hazards:
                message = f"there is no hazard {name!r}"
                yield problem(found.file, found.label, "hazard-unknown", message)
    for name in catalogue.hazards:
        if name not in used:
            message = "nothing refers to it, so no document can ever print it"
            yield problem(HAZARDS, f"hazard {name}", "hazard-unused", message)


def _flags(catalogue: Catalogue) -> Iterator[Problem]:
    for found in every_record(catalogue):
        flags = found.record.flags if isinstance(found.record, Family) else ()
        own = getattr(found.record, "flag", None)
        for name in flags if own is None else (own,):
            if name not in catalogue.flags:
                message = f"there is no flag {name!r} in {FLAGS}"
                yield problem(found.file, found.label, "flag-unknown", message)


def _labour_classes(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield the labour classes for which a shop has no rate, each with one record that needs it."""
    needed: dict[LabourClass, str] = {}
    for found in every_record(catalogue):
        name = getattr(found.record, "labour_class", None)
        if name is not None:
            needed.setdefault(name, f"{found.label} of {found.file}")
    for shop in catalogue.shops.values():
        labour = shop.labour
        own = {
            labour.minimum_bench_class: "minimum_bench_class",
            labour.debris_heavy_class: "debris_heavy_class",
            labour.previous_work_class: "previous_work_class",
        }
        for name, where in (own | needed).items():
            if name not in labour.rates:
                message = f"no rate for class {name!r}, which {where} needs"
                yield problem(shop_file(shop.id), "labour", "labour-class-unknown", message)
