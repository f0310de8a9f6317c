"""Need: the roles and consumables that jobs and refitting require, each once, with its reasons."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.graph import Instance, RoleInstance, expand_role
from kitwright.catalogue.model import (
    ItemId,
    Job,
    Quality,
    RoleId,
    Shop,
    Use,
)
from kitwright.memory import Recent
from kitwright.stages.kit.fitment import Fitments
from kitwright.stages.request import FloorChange, Request
from kitwright.stages.why import Fact, Why
from kitwright.stages.work import Labour, Operation, OperationKey, Task
from kitwright.units import exact

OIL_FILL = RoleId("oil_fill")
"""The role whose quantity is the engine's oil; the same quantity is drained."""


RolePlace = tuple[RoleId, int | None]
"""A role, on a cylinder or on the engine."""


class NeedKind(StrEnum):
    """Why something is needed: a job replaces it, it is replaced during reassembly, work uses it
    up, or replacing it now is recommended.
    """

    replaced = "replaced"
    renewed = "renewed"
    used = "used"
    recommended = "recommended"


class Need(Struct, frozen=True, kw_only=True):
    """A role instance, or a piece of work's use of a consumable, with the item that fills it.

    `role` is the role's id without the cylinder, or the work that uses the item; `quantity` is in
    `unit`. `acceptable` lists the numbers that may be taken from stock. `options` has more than one
    item if the engine's plate decides.
    """

    role: str
    cylinder: int | None
    item: ItemId
    quantity: Decimal
    unit: str
    kind: NeedKind
    floor: Quality
    acceptable: tuple[ItemId, ...]
    options: tuple[ItemId, ...]
    why: tuple[Why, ...]

    @property
    def is_question(self) -> bool:
        """Whether the serial number or build code is needed before this can be ordered."""
        return len(self.options) > 1


def with_floors(shop: Shop, request: Request) -> Shop:
    """Return the shop with the quality floors that apply to this quote."""
    changed = {floor.role: floor.quality for floor in request.asked.terms.floors}
    if not changed:
        return shop
    return structs.replace(shop, quality_floor={**shop.quality_floor, **changed})


_Place = tuple[RoleId, int]
"""A role on a cylinder (0: on the engine)."""
_Reasons = Mapping[_Place, Sequence[Why]]
"""Why roles are needed."""

_TURNED_UP: Final = Why("turned-up")
MOST_NEEDS: Final = 1_024
"""Needs that are remembered."""
MOST_USED: Final = 48
"""Pieces of work whose consumables are remembered."""


class Needs:
    """Lists the needs of a shop's visits.

    The same need of another visit is the same object, as long as it is remembered, so that what
    follows from needs can be found by their identity.
    """

    def __init__(self, fitments: Fitments) -> None:
        self._fitments = fitments
        self.made: Recent[Hashable, Need] = Recent(MOST_NEEDS)
        """The latest needs, by what they follow from."""
        self.used: Recent[Hashable, tuple[Task, tuple[Need, ...]]] = Recent(MOST_USED)
        """The latest consumables of pieces of work, which are kept with them."""
        # never emptied, so that the identity of a reason is always that reason's
        self._replaced: dict[tuple[OperationKey, int], _Reasons] = {}
        self._renewed: dict[tuple[str, tuple[RoleInstance, ...]], _Reasons] = {}

    def of(
        self,
        shop: Shop,
        request: Request,
        operations: Sequence[Operation],
        labour: Labour,
        besides: Iterable[RolePlace] = (),
        known: Mapping[RolePlace, Need] = MappingProxyType({}),
    ) -> tuple[Need, ...]:
        """Return the needs of a visit for all machines: roles first, by role and cylinder, then
        consumables. `besides` are roles to replace in addition to those of jobs and reassembly.

        A role instance that a job replaces, and that is also replaced during reassembly, is one
        need of kind `replaced` with all its reasons. Needs that are `known` from other jobs of the
        same request are used unchanged, including their reasons.

        Raises: NothingFits.
        """
        sources = [
            *((NeedKind.replaced, self._replaced_by(each, request)) for each in operations),
            *((NeedKind.renewed, self._renewed_by(node)) for node in labour.off if node.renews),
            (NeedKind.replaced, {(role, on or 0): (_TURNED_UP,) for role, on in besides}),
        ]
        places = set[_Place]().union(*(reasons for _, reasons in sources))
        fresh = {(role, on) for role, on in places if (role, on or None) not in known}
        told: dict[_Place, tuple[NeedKind, list[Why]]] = {}
        for kind, reasons in sources if fresh else ():
            for place in fresh.intersection(reasons):
                told.setdefault(place, (kind, []))[1].extend(reasons[place])
        needs = []
        for role, on in sorted(places):
            need = known.get((role, on or None))
            needs.append(need or self._of_role(shop, request, (role, on or None), *told[role, on]))
        for task in labour.tasks:
            if task.uses:
                needs += self._used(task, request.asked.terms.machines)
        return tuple(needs)

    def _of_role(
        self,
        shop: Shop,
        request: Request,
        place: RolePlace,
        kind: NeedKind,
        reasons: list[Why],
    ) -> Need:
        role, cylinder = place
        asked = request.asked
        floor = shop.quality_floor.get(role, Quality.alternate)
        fitted = self._fitments.fit(
            request.family.id,
            role,
            cylinder,
            serial=asked.serial,
            build_code=asked.build_code,
            floor=floor,
        )
        changes = tuple(each for each in asked.terms.floors if each.role == role)
        machines = asked.terms.machines

        def make() -> Need:
            return Need(
                role=fitted.role,
                cylinder=fitted.cylinder,
                item=fitted.item,
                quantity=_times(machines, fitted.quantity),
                unit=fitted.unit,
                kind=kind,
                floor=floor,
                acceptable=fitted.acceptable,
                options=fitted.options,
                why=(*reasons, fitted.why, *map(_floor_changed, changes)),
            )

        question = id(fitted), kind, floor, machines, changes, *map(id, reasons)
        return self._once(question, make)

    def _used(self, task: Task, machines: int) -> tuple[Need, ...]:
        """Return the consumables of a piece of work; each piece is in the labour only once, and so
        are its consumables.
        """
        question = id(task), machines
        known = self.used.get(question)
        if known is None:
            # the task is kept with its needs, so that no other has its identity
            known = task, tuple(self._used_by(task, machines))
            self.used.put(question, known)
        return known[1]

    def _used_by(self, task: Task, machines: int) -> Iterator[Need]:
        for use in _added_up(task.uses):

            def make(use: Use = use) -> Need:
                return Need(
                    role=task.name.partition("@")[0],
                    cylinder=task.cylinder,
                    item=use.item,
                    quantity=_times(machines, use.quantity),
                    unit=use.unit,
                    kind=NeedKind.used,
                    floor=Quality.alternate,
                    acceptable=(use.item,),
                    options=(use.item,),
                    why=(Why("used-by-work", {"work": task.name}),),
                )

            yield self._once((task.name, use, machines), make)

    def _once(self, question: Hashable, make: Callable[[], Need]) -> Need:
        need = self.made.get(question)
        if need is None:
            need = make()
            self.made.put(question, need)
        return need

    def _replaced_by(self, operation: Operation, request: Request) -> _Reasons:
        question = operation.key, request.family.cylinders
        reasons = self._replaced.get(question)
        if reasons is None:
            reasons = self._replaced[question] = _replaced(*question, operation.job)
        return reasons

    def _renewed_by(self, node: Instance) -> _Reasons:
        question = node.id, node.renews
        reasons = self._renewed.get(question)
        if reasons is None:
            why = Why("renewed-by-refit", {"component": node.id})
            reasons = self._renewed[question] = _grouped(node.renews, why)
        return reasons


def _replaced(key: OperationKey, cylinders: int, job: Job) -> _Reasons:
    cylinder = key[1] or None
    roles = [one for each in job.replaces for one in expand_role(each, cylinder, cylinders)]
    return _grouped(roles, Why("replaced-by-job", {"job": job.id, "cylinder": cylinder}))


def _grouped(roles: Iterable[RolePlace], why: Why) -> _Reasons:
    """Return a reason for each of some roles, as often as the role is named."""
    reasons: dict[_Place, list[Why]] = {}
    for role, on in roles:
        reasons.setdefault((role, on or 0), []).append(why)
    return reasons


def _floor_changed(floor: FloorChange) -> Why:
    facts: dict[str, Fact] = {
        "quality": floor.quality.value,
        "reason": floor.reason,
        "by": floor.by,
    }
    return Why("floor-changed", facts)


def _times(machines: int, quantity: Decimal) -> Decimal:
    return quantity if machines == 1 else quantity * machines


def _added_up(uses: Sequence[Use]) -> Sequence[Use]:
    """Return what one piece of work uses, by item, each once."""
    if len(uses) < 2:
        return uses
    by_item: dict[ItemId, Use] = {}
    for use in uses:
        before = by_item.get(use.item)
        if before is not None:
            quantity = _sum(before.quantity, use.quantity)
            use = structs.replace(use, quantity=quantity)
        by_item[use.item] = use
    return [use for _, use in sorted(by_item.items())]


def _sum(one: Decimal, other: Decimal) -> Decimal:
    amount = exact(one) + exact(other)
    return Decimal(amount.numerator) / amount.denominator
