"""Labour: the bench minutes of a visit by labour class, and their distribution to jobs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from math import floor, lcm
from types import MappingProxyType
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.graph import Instance
from kitwright.catalogue.model import (
    Catalogue,
    HazardId,
    LabourClass,
    Per,
    Shop,
    Use,
    Work,
    WorkKind,
)
from kitwright.errors import KitwrightError
from kitwright.money import share
from kitwright.stages.request import Condition, Debris, MinutesOverride, RequestRefused, Rust, Terms
from kitwright.stages.why import place
from kitwright.stages.work.access import Teardown, Way
from kitwright.stages.work.estimates import FamilyPace
from kitwright.stages.work.job import NotInQuote, Operation, OperationKey
from kitwright.units import exact


class Task(Struct, frozen=True, kw_only=True):
    """A piece of work of the visit, done once however many jobs need it, with its exact minutes.

    `kind` is `access`, `refit_work`, `work`, `visit` or `extra`; `name` is an instance id.
    """

    kind: str
    name: str
    labour_class: LabourClass
    minutes: Fraction
    cylinder: int | None = None
    uses: tuple[Use, ...] = ()
    hazards: tuple[HazardId, ...] = ()


Row = tuple[str, str]
"""The kind and name of work besides access."""


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

    `off` is what comes off, in that order. `allotted` is in the order in which operations are
    billed, then by class. `bench_minimum` holds the minutes added to reach the shop's minimum, also
    by operation. The minutes of both add up to `billed`. `shares` names, for an operation that has
    work in common with one billed before it, the first of those.
    """

    off: tuple[Instance, ...]
    tasks: tuple[Task, ...]
    classes: tuple[ClassMinutes, ...]
    allotted: tuple[Allotted, ...]
    bench_minimum: tuple[Allotted, ...]
    shares: Mapping[OperationKey, OperationKey]

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


class Bench:
    """The labour of one engine in one chassis, for one shop.

    What a job takes by itself is computed once.
    """

    def __init__(self, shop: Shop, teardown: Teardown) -> None:
        self.teardown = teardown
        self._shop = shop
        self._own: dict[tuple[OperationKey, Condition], dict[Row, Task]] = {}
        self._access: dict[tuple[Rust, bool], dict[str, tuple[Task, ...]]] = {}
        self._alone: dict[OperationKey, dict[Condition, _Alone]] = {}

    def labour(
        self,
        operations: Sequence[Operation],
        condition: Condition,
        overridden: Mapping[OperationKey, int],
    ) -> Labour:
        """Return the labour of some operations.

        Minutes are exact up to the sum of each class, which is rounded up to the shop's increment.
        Operations are billed in the order of their minutes alone, the longest first, ties by job
        and cylinder. Each is billed what it adds to those before it, class by class: so the first
        bears the way in. If another plan is quicker for all together, a class may shrink; the
        operations before bear that, the latest first. So none is billed more than alone, unless
        rounding each class takes more than another plan saves: `check-catalog` finds that.

        `overridden` gives operations other whole minutes, split over their classes in proportion.
        Minutes still missing from the bench minimum go to the other operations, if any, in equal
        parts.

        Raises: Unreachable.
        """
        labour, rust = self._shop.labour, condition.rust
        alone = {each.key: self._by_itself(each, condition) for each in operations}
        order = sorted(operations, key=lambda each: (alone[each.key].rank, each.key))
        work = _Sums()
        targets: frozenset[str] = frozenset()
        way = self.teardown.way(targets, rust)
        sums: dict[LabourClass, int] = {}
        scale = 1
        billed: dict[LabourClass, int] = {}
        allotted: dict[OperationKey, dict[LabourClass, int]] = {}
        for operation in order:
            targets |= self.teardown.targets(operation)
            work.add(self._rows(operation, condition))
            way = self.teardown.way(targets, rust)
            sums, scale = work.with_access(way)
            before, billed = billed, self._billed(sums, scale)
            _bill(allotted, operation.key, before, billed, alone[operation.key].billed)
        classes = [
            ClassMinutes(name, Fraction(sums[name], scale), billed[name]) for name in sorted(sums)
        ]
        parts = [
            Allotted(key, name, minutes)
            for key, by_class in allotted.items()
            for name, minutes in sorted(by_class.items())
        ]
        if overridden:
            places = {key: place for place, key in enumerate(allotted)}
            parts = sorted(
                _overridden(self._shop, parts, overridden),
                key=lambda each: (places[each.operation], each.labour_class),
            )
            classes = _billed(classes, parts)
        minimum: tuple[Allotted, ...] = ()
        short = labour.minimum_bench_minutes - sum(each.minutes for each in parts)
        left = [operation.key for operation in operations if operation.key not in overridden]
        if short > 0 and left:
            minimum = tuple(_equally(labour.minimum_bench_class, short, left))
        off, tasks = self._access_of(way, rust)
        return Labour(
            off=off,
            tasks=(*tasks, *_in_order(work.rows)),
            classes=tuple(classes),
            allotted=tuple(parts),
            bench_minimum=minimum,
            shares=_shares({each.key: alone[each.key].needs for each in order}),
        )

    def minutes_alone(self, operation: Operation, condition: Condition) -> int:
        """Return the billed minutes of an operation as the only one."""
        billed = self._by_itself(operation, condition).billed
        return max(billed, self._shop.labour.minimum_bench_minutes)

    def _by_itself(self, operation: Operation, condition: Condition) -> _Alone:
        known = self._alone.setdefault(operation.key, {})
        alone = known.get(condition)
        if alone is None:
            targets = self.teardown.targets(operation)
            rows = self._rows(operation, condition)
            way = self.teardown.way(targets, condition.rust)
            sums, scale = _Sums(rows).with_access(way)
            alone = known[condition] = _Alone(
                rank=Fraction(-sum(sums.values()), scale),
                billed=sum(self._billed(sums, scale).values()),
                needs=frozenset([*way.items, *rows]),
            )
        return alone

    def _billed(self, sums: Mapping[LabourClass, int], scale: int) -> dict[LabourClass, int]:
        """Return the minutes of each class, rounded up to the shop's increment."""
        step = self._shop.labour.increment_minutes
        return {name: -(-minutes // (scale * step)) * step for name, minutes in sums.items()}

    def _access_of(self, way: Way, rust: Rust) -> tuple[tuple[Instance, ...], list[Task]]:
        """Return what comes off, in order, and the work of removing and refitting it."""
        teardown = self.teardown
        off = tuple([teardown.engine.nodes[key] for key in teardown.order(way.items)])
        known = self._access.setdefault((rust, way.engine_out), {})
        tasks: list[Task] = []
        for node in off:
            found = known.get(node.id)
            if found is None:
                minutes = teardown.ways(rust, is_out=way.engine_out).minutes[node.id].access
                found = known[node.id] = tuple(_access_tasks(node, minutes, teardown.pace))
            tasks += found
        return off, tasks

    def _rows(self, operation: Operation, condition: Condition) -> Mapping[Row, Task]:
        """Return the work of an operation besides access."""
        question = operation.key, condition
        own = self._own.get(question)
        if own is None:
            teardown = self.teardown
            tasks = (
                *_work_tasks(operation, teardown.family.cylinders, teardown.pace),
                *_visit_tasks(teardown.catalogue, operation, teardown.pace),
                *_extra_tasks(self._shop, operation, condition, teardown.pace),
            )
            own = self._own[question] = {(task.kind, task.name): task for task in tasks}
        return own


def _shares(
    needs: Mapping[OperationKey, frozenset[object]],
) -> dict[OperationKey, OperationKey]:
    """Return, for each operation, the first before it with which it has work in common."""
    shares: dict[OperationKey, OperationKey] = {}
    done: list[tuple[OperationKey, frozenset[object]]] = []
    for key, own in needs.items():
        for earlier, others in done:
            if not own.isdisjoint(others):
                shares[key] = earlier
                break
        done.append((key, own))
    return shares


_ROWS: Final = ("work", "visit", "extra")
"""The kinds of work besides access, in the order of a visit's tasks."""


def _in_order(rows: Mapping[Row, Task]) -> Iterator[Task]:
    """Yield the work besides access, by kind and name."""
    for _, task in sorted(rows.items(), key=lambda row: (_ROWS.index(row[0][0]), row[0][1])):
        yield task


class _Alone(Struct, frozen=True):
    """An operation as the only one: its exact minutes below zero, so that the longest comes first,
    those billed, and all that it is made of.
    """

    rank: Fraction
    billed: int
    needs: frozenset[object]


class _Sums:
    """The minutes by class of work besides access, as whole numbers over a scale."""

    def __init__(self, rows: Mapping[Row, Task] = MappingProxyType({})) -> None:
        self.rows: dict[Row, Task] = {}
        self._scale = 1
        self._sums: dict[LabourClass, int] = {}
        self.add(rows)

    def add(self, rows: Mapping[Row, Task]) -> None:
        """Add some work, what is there already not once more."""
        for row, task in rows.items():
            if row in self.rows:
                continue
            self.rows[row] = task
            top, bottom = task.minutes.as_integer_ratio()
            if self._scale % bottom:
                scale = lcm(self._scale, bottom)
                more = scale // self._scale
                self._sums = {name: minutes * more for name, minutes in self._sums.items()}
                self._scale = scale
            name = task.labour_class
            self._sums[name] = self._sums.get(name, 0) + top * (self._scale // bottom)

    def with_access(self, way: Way) -> tuple[dict[LabourClass, int], int]:
        """Return the minutes by class together with access, and their scale."""
        scale = lcm(way.scale, self._scale)
        more, own = scale // way.scale, scale // self._scale
        sums = {name: minutes * more for name, minutes in way.by_class.items()}
        for name, minutes in self._sums.items():
            sums[name] = sums.get(name, 0) + minutes * own
        return sums, scale


def _bill(
    allotted: dict[OperationKey, dict[LabourClass, int]],
    operation: OperationKey,
    before: Mapping[LabourClass, int],
    after: Mapping[LabourClass, int],
    alone: int,
) -> None:
    """Bill an operation what it adds to those before it; what shrinks is taken off theirs.

    What it adds beyond its minutes alone, those before it bear, each at most what was taken off.
    """
    added = {name: after.get(name, 0) - before.get(name, 0) for name in {*before, *after}}
    own = {name: minutes for name, minutes in added.items() if minutes > 0}
    beyond = sum(own.values()) - alone
    for earlier in reversed(allotted.values()):
        if min(added.values(), default=0) >= 0:
            break
        off = _taken_off(earlier, added)
        if beyond > 0 and off > 0:
            beyond -= _move(own, earlier, min(beyond, off))
    allotted[operation] = own


def _taken_off(bill: dict[LabourClass, int], added: dict[LabourClass, int]) -> int:
    """Take off a bill what is left of negative minutes, by class; return how much that is."""
    total = 0
    for name, minutes in added.items():
        off = min(bill.get(name, 0), -minutes)
        if off > 0:
            added[name] += off
            bill[name] -= off
            total += off
            if not bill[name]:
                del bill[name]
    return total


def _move(one: dict[LabourClass, int], other: dict[LabourClass, int], minutes: int) -> int:
    """Move minutes from a bill to another, by class; return how many."""
    left = minutes
    for name in sorted(one):
        moved = min(one[name], left)
        left -= moved
        other[name] = other.get(name, 0) + moved
        one[name] -= moved
        if not other[name]:
            del other[name]
        if not one[name]:
            del one[name]
    return minutes - left


def repeat(labour: Labour, machines: int) -> Labour:
    """Return the labour of several identical machines: billed and exact minutes are multiplied.

    The tasks remain those of one machine.
    """
    if machines == 1:
        return labour

    def times(allotted: Sequence[Allotted]) -> tuple[Allotted, ...]:
        return tuple(structs.replace(each, minutes=each.minutes * machines) for each in allotted)

    return Labour(
        off=labour.off,
        tasks=labour.tasks,
        classes=tuple(
            ClassMinutes(each.labour_class, each.exact * machines, each.billed * machines)
            for each in labour.classes
        ),
        allotted=times(labour.allotted),
        bench_minimum=times(labour.bench_minimum),
        shares=labour.shares,
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
    minimum = tuple(_equally(added[0].labour_class, max(0, short - minutes), keys))
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


def _equally(
    labour_class: LabourClass, minutes: int, operations: Sequence[OperationKey]
) -> Iterator[Allotted]:
    """Yield some minutes in equal parts; what is left over goes to the first operations."""
    for key, part in zip(operations, share(minutes, [1] * len(operations)), strict=True):
        if part:
            yield Allotted(key, labour_class, part)


def _access_tasks(node: Instance, minutes: Fraction, pace: FamilyPace) -> Iterator[Task]:
    yield Task(
        kind="access",
        name=node.id,
        labour_class=node.component.labour_class,
        minutes=minutes,
        cylinder=node.cylinder,
        hazards=node.component.hazards,
    )
    for work in node.component.refit_work:
        yield Task(
            kind="refit_work",
            name=place(work.id, node.cylinder),
            labour_class=work.labour_class,
            minutes=pace.minutes(work.minutes, work.kind, work.labour_class),
            cylinder=node.cylinder,
            uses=work.uses,
            hazards=work.hazards,
        )


def _work_tasks(operation: Operation, cylinders: int, pace: FamilyPace) -> Iterator[Task]:
    """Yield a job's own work, each row once per cylinder or visit."""
    for work in operation.job.work:
        for cylinder in _done_on(work, operation, cylinders):
            yield Task(
                kind="work",
                name=place(work.id, cylinder),
                labour_class=work.labour_class,
                minutes=pace.minutes(work.minutes, work.kind, work.labour_class),
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


def _visit_tasks(catalogue: Catalogue, operation: Operation, pace: FamilyPace) -> Iterator[Task]:
    for visit in operation.job.visit:
        work = catalogue.visit_work[visit]
        yield Task(
            kind="visit",
            name=visit,
            labour_class=work.labour_class,
            minutes=pace.minutes(work.minutes, work.kind, work.labour_class),
            uses=work.uses,
            hazards=work.hazards,
        )


def _extra_tasks(
    shop: Shop, operation: Operation, condition: Condition, pace: FamilyPace
) -> Iterator[Task]:
    """Yield the work that the machine's condition adds: heavy debris if fins are cleaned, and
    undoing other people's work.
    """
    labour = shop.labour
    if condition.debris is Debris.heavy and labour.debris_heavy_visit in operation.job.visit:
        yield Task(
            kind="extra",
            name="debris_heavy",
            labour_class=labour.debris_heavy_class,
            minutes=pace.minutes(
                labour.debris_heavy_minutes, WorkKind.work, labour.debris_heavy_class
            ),
        )
    if condition.previous_work:
        yield Task(
            kind="extra",
            name="previous_work",
            labour_class=labour.previous_work_class,
            minutes=pace.minutes(
                labour.previous_work_minutes, WorkKind.work, labour.previous_work_class
            ),
        )
