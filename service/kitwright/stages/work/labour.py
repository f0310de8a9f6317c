"""Labour: the bench minutes of a visit by labour class, and their distribution to jobs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from math import floor, lcm
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.model import (
    Catalogue,
    HazardId,
    LabourClass,
    Per,
    Shop,
    Use,
    VisitWorkId,
    Work,
)
from kitwright.errors import KitwrightError
from kitwright.money import share
from kitwright.stages.request import Condition, Debris, MinutesOverride, RequestRefused, Terms
from kitwright.stages.why import place
from kitwright.stages.work.access import AccessPlan, Teardown
from kitwright.stages.work.job import NotInQuote, Operation, OperationKey
from kitwright.units import exact


class Task(Struct, frozen=True, kw_only=True):
    """A piece of work of the visit, done once, with its exact minutes and the operations that
    share it.

    `kind` is `access`, `refit_work`, `work`, `visit` or `extra`; `name` is an instance id.
    """

    kind: str
    name: str
    labour_class: LabourClass
    minutes: Fraction
    jobs: tuple[OperationKey, ...]
    cylinder: int | None = None
    uses: tuple[Use, ...] = ()
    hazards: tuple[HazardId, ...] = ()


class ClassMinutes(Struct, frozen=True):
    """The minutes of a labour class over the visit: exact, and billed in the shop's increments."""

    labour_class: LabourClass
    exact: Fraction
    billed: int


class Allotted(Struct, frozen=True):
    """Whole billed minutes of one operation in one labour class."""

    operation: OperationKey
    labour_class: LabourClass
    minutes: int


class Labour(Struct, frozen=True, kw_only=True):
    """All tasks of the visit, the billed minutes by class, and those of each operation.

    `bench_minimum` holds the minutes added to reach the shop's minimum, also by operation. The
    minutes of `allotted` and `bench_minimum` add up to `billed`.
    """

    tasks: tuple[Task, ...]
    classes: tuple[ClassMinutes, ...]
    allotted: tuple[Allotted, ...]
    bench_minimum: tuple[Allotted, ...]

    @property
    def billed(self) -> int:
        """All billed minutes, including the bench minimum."""
        return sum(each.minutes for each in (*self.allotted, *self.bench_minimum))

    def minutes_of(self, operation: OperationKey) -> int:
        """Return the billed minutes of one operation."""
        return sum(
            each.minutes
            for each in (*self.allotted, *self.bench_minimum)
            if each.operation == operation
        )


def read_minutes(operations: Sequence[Operation], terms: Terms) -> dict[OperationKey, int]:
    """Return the minutes that the counter sets manually, by operation.

    Raises: RequestRefused, for a job that is not in the quote.
    """
    found: dict[OperationKey, int] = {}
    faults: list[KitwrightError] = []
    there = {operation.key: operation.text for operation in operations}
    for index, override in enumerate(terms.overrides):
        if isinstance(override, MinutesOverride):
            key = (override.job, override.cylinder or 0)
            if key in there:
                found[key] = override.minutes
            else:
                named = place(override.job, override.cylinder)
                fault = NotInQuote(named, there.values())
                faults.append(fault.at("overrides", index, "job"))
    if faults:
        raise RequestRefused(faults)
    return found


def allot_labour(
    catalogue: Catalogue,
    shop: Shop,
    cylinders: int,
    operations: Sequence[Operation],
    plan: AccessPlan,
    condition: Condition,
    overridden: Mapping[OperationKey, int],
) -> Labour:
    """Return the labour of a visit.

    Minutes are exact up to the sum of each class, which is rounded up to the shop's increment.
    Within a class, a task's minutes are split equally among the operations that share it. The
    billed minutes are then distributed in whole minutes by largest remainder, ties by job and
    cylinder. `overridden` gives operations other whole minutes, split over their classes in
    proportion. Minutes still missing from the bench minimum go to the other operations, if any.
    """
    everyone = tuple(operation.key for operation in operations)
    tasks = (
        *_access_tasks(plan),
        *_work_tasks(operations, cylinders),
        *_visit_tasks(catalogue, operations),
        *_extra_tasks(shop, operations, condition, everyone),
    )
    sums, scale = _sums(tasks)
    classes = []
    allotted: list[Allotted] = []
    for name in sorted(sums):
        of_class = sums[name]
        total = sum(of_class.values())
        billed = _up_to(total, scale, shop.labour.increment_minutes)
        classes.append(ClassMinutes(name, Fraction(total, scale), billed))
        if billed:
            allotted += _allot(name, billed, _shares(of_class), everyone)
    if overridden:
        allotted = sorted(
            _overridden(shop, allotted, overridden),
            key=lambda each: (each.labour_class, each.operation),
        )
        classes = _billed(classes, allotted)
    minimum: tuple[Allotted, ...] = ()
    short = shop.labour.minimum_bench_minutes - sum(each.minutes for each in allotted)
    left = [key for key in everyone if key not in overridden]
    if short > 0 and left:
        equally = dict.fromkeys(left, 1)
        minimum = tuple(_allot(shop.labour.minimum_bench_class, short, equally, left))
    return Labour(
        tasks=tasks, classes=tuple(classes), allotted=tuple(allotted), bench_minimum=minimum
    )


def minutes_alone(
    shop: Shop, teardown: Teardown, operation: Operation, condition: Condition
) -> int:
    """Return the billed minutes of an operation as the only one.

    The result is that of `allot_labour`, computed with less work.
    """
    operations = (operation,)
    sums = dict(teardown.minutes_alone(operation, condition.rust))
    for task in (
        *_work_tasks(operations, teardown.family.cylinders),
        *_visit_tasks(teardown.catalogue, operations),
        *_extra_tasks(shop, operations, condition, (operation.key,)),
    ):
        sums[task.labour_class] = sums.get(task.labour_class, Fraction(0)) + task.minutes
    increment = shop.labour.increment_minutes
    billed = sum(_up_to(*minutes.as_integer_ratio(), increment) for minutes in sums.values())
    return max(billed, shop.labour.minimum_bench_minutes)


def repeat(labour: Labour, machines: int) -> Labour:
    """Return the labour of several identical machines: billed and exact minutes are multiplied.

    The tasks remain those of one machine.
    """

    def times(allotted: Sequence[Allotted]) -> tuple[Allotted, ...]:
        return tuple(structs.replace(each, minutes=each.minutes * machines) for each in allotted)

    return Labour(
        tasks=labour.tasks,
        classes=tuple(
            ClassMinutes(each.labour_class, each.exact * machines, each.billed * machines)
            for each in labour.classes
        ),
        allotted=times(labour.allotted),
        bench_minimum=times(labour.bench_minimum),
    )


def minutes_by_hand(shop: Shop, terms: Terms) -> int:
    """Return the total of labour on added lines in whole minutes, rounded down, for all machines.

    A line whose unit is not minutes or hours counts as the time that its price pays at the rate of
    the bench minimum.
    """
    rate = exact(shop.labour.rates[shop.labour.minimum_bench_class])
    minutes = Fraction(0)
    for line in terms.labour_by_hand:
        if line.unit in _MINUTES:
            minutes += exact(line.quantity) * _MINUTES[line.unit]
        elif rate:
            minutes += exact(line.quantity) * exact(line.unit_price) * 60 / rate
    return floor(minutes)


_MINUTES: Final = {"minute": 1, "hour": 60}
"""The catalogue's units of time, in minutes."""


def count_by_hand(labour: Labour, minutes: int) -> Labour:
    """Return the labour of all machines, given the minutes of added lines. These count towards the
    bench minimum, so that fewer minutes are added to reach it.
    """
    added = labour.bench_minimum
    short = sum(each.minutes for each in added)
    if not minutes or not short:
        return labour
    keys = [each.operation for each in added]
    equally = dict.fromkeys(keys, 1)
    left = max(0, short - minutes)
    minimum = tuple(_allot(added[0].labour_class, left, equally, keys))
    return structs.replace(labour, bench_minimum=minimum)


def _overridden(
    shop: Shop, allotted: Sequence[Allotted], overridden: Mapping[OperationKey, int]
) -> Iterator[Allotted]:
    """Yield the minutes with those of some operations replaced, in proportion over classes."""
    yield from (each for each in allotted if each.operation not in overridden)
    for key, minutes in sorted(overridden.items()):
        own = [each for each in allotted if each.operation == key]
        # a job without minutes of its own has no class yet
        own = own or [Allotted(key, shop.labour.minimum_bench_class, 1)]
        parts = share(minutes, [each.minutes for each in own])
        for each, part in zip(own, parts, strict=True):
            if part:
                yield structs.replace(each, minutes=part)


def _billed(classes: Sequence[ClassMinutes], allotted: Sequence[Allotted]) -> list[ClassMinutes]:
    """Return the classes with their billed minutes after overrides; a class may be new."""
    exact = {each.labour_class: each.exact for each in classes}
    billed = dict.fromkeys(exact, 0)
    for each in allotted:
        billed[each.labour_class] = billed.get(each.labour_class, 0) + each.minutes
    return [
        ClassMinutes(name, exact.get(name, Fraction(0)), minutes)
        for name, minutes in sorted(billed.items())
    ]


def _up_to(minutes: int, scale: int, increment: int) -> int:
    """Return minutes / scale rounded up to the next multiple of the increment."""
    return -(-minutes // (scale * increment)) * increment


Sums = dict[tuple[OperationKey, ...], int]
"""Operations that share minutes -> these minutes, over some denominator."""


def _sums(tasks: Sequence[Task]) -> tuple[dict[LabourClass, Sums], int]:
    """Return the minutes of each class as whole numbers, and their common denominator."""
    ratios = [task.minutes.as_integer_ratio() for task in tasks]
    scale = lcm(*{bottom for _, bottom in ratios})
    sums: dict[LabourClass, Sums] = {}
    for task, (top, bottom) in zip(tasks, ratios, strict=True):
        of_class = sums.setdefault(task.labour_class, {})
        of_class[task.jobs] = of_class.get(task.jobs, 0) + top * (scale // bottom)
    return sums, scale


def _shares(sums: Sums) -> dict[OperationKey, int]:
    """Return each operation's equal shares of its minutes, as numbers in proportion."""
    scale = lcm(*{len(keys) for keys in sums})
    shares: dict[OperationKey, int] = {}
    for keys, minutes in sums.items():
        part = minutes * (scale // len(keys))
        for key in keys:
            shares[key] = shares.get(key, 0) + part
    return shares


def _allot(
    labour_class: LabourClass,
    billed: int,
    shares: Mapping[OperationKey, int],
    everyone: Sequence[OperationKey],
) -> Iterator[Allotted]:
    keys = [key for key in everyone if shares.get(key)]
    for key, minutes in zip(keys, share(billed, [shares[key] for key in keys]), strict=True):
        if minutes:
            yield Allotted(key, labour_class, minutes)


def _access_tasks(plan: AccessPlan) -> Iterator[Task]:
    for removal in plan.removals:
        node = removal.instance
        yield Task(
            kind="access",
            name=node.id,
            labour_class=node.component.labour_class,
            minutes=removal.access,
            jobs=removal.jobs,
            cylinder=node.cylinder,
            hazards=node.component.hazards,
        )
        for work in node.component.refit_work:
            yield Task(
                kind="refit_work",
                name=place(work.id, node.cylinder),
                labour_class=work.labour_class,
                minutes=Fraction(work.minutes),
                jobs=removal.jobs,
                cylinder=node.cylinder,
                uses=work.uses,
                hazards=work.hazards,
            )


def _work_tasks(operations: Sequence[Operation], cylinders: int) -> Iterator[Task]:
    """Yield the jobs' own work, each row once per cylinder or visit; every job that lists it shares
    it.
    """
    rows: dict[str, tuple[Work, int | None, list[OperationKey]]] = {}
    for operation in operations:
        for work in operation.job.work:
            for cylinder in _done_on(work, operation, cylinders):
                _, _, keys = rows.setdefault(place(work.id, cylinder), (work, cylinder, []))
                keys.append(operation.key)
    for name, (work, cylinder, keys) in sorted(rows.items()):
        yield Task(
            kind="work",
            name=name,
            labour_class=work.labour_class,
            minutes=Fraction(work.minutes),
            jobs=tuple(keys),
            cylinder=cylinder,
            uses=work.uses,
            hazards=work.hazards,
        )


def _done_on(work: Work, operation: Operation, cylinders: int) -> tuple[int | None, ...]:
    if work.per is Per.visit:
        return (None,)
    if operation.cylinder is not None:
        return (operation.cylinder,)
    return tuple(range(1, cylinders + 1))


def _visit_tasks(catalogue: Catalogue, operations: Sequence[Operation]) -> Iterator[Task]:
    asking: dict[VisitWorkId, list[OperationKey]] = {}
    for operation in operations:
        for visit in operation.job.visit:
            asking.setdefault(visit, []).append(operation.key)
    for visit, keys in sorted(asking.items()):
        work = catalogue.visit_work[visit]
        yield Task(
            kind="visit",
            name=visit,
            labour_class=work.labour_class,
            minutes=Fraction(work.minutes),
            jobs=tuple(keys),
            uses=work.uses,
            hazards=work.hazards,
        )


def _extra_tasks(
    shop: Shop,
    operations: Sequence[Operation],
    condition: Condition,
    everyone: tuple[OperationKey, ...],
) -> Iterator[Task]:
    """Yield the tasks that the machine's condition adds: heavy debris if fins are cleaned, and
    undoing other people's work.
    """
    labour = shop.labour
    cleaning = tuple(
        operation.key
        for operation in operations
        if labour.debris_heavy_visit in operation.job.visit
    )
    if condition.debris is Debris.heavy and cleaning:
        yield Task(
            kind="extra",
            name="debris_heavy",
            labour_class=labour.debris_heavy_class,
            minutes=Fraction(labour.debris_heavy_minutes),
            jobs=cleaning,
        )
    if condition.previous_work:
        yield Task(
            kind="extra",
            name="previous_work",
            labour_class=labour.previous_work_class,
            minutes=Fraction(labour.previous_work_minutes),
            jobs=everyone,
        )
