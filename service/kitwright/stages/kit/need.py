"""Need: the roles and consumables that jobs and refitting require, each once, with its reasons."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from enum import StrEnum
from types import MappingProxyType

from msgspec import Struct, structs

from kitwright.catalogue.graph import expand
from kitwright.catalogue.model import (
    ItemId,
    Quality,
    RoleId,
    Shop,
)
from kitwright.stages.kit.fitment import Fitments, Fitted
from kitwright.stages.request import Request, Terms
from kitwright.stages.why import Fact, Why
from kitwright.stages.work import AccessPlan, Labour, Operation
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


NeedKey = tuple[NeedKind, str, int | None]
"""The key of a need: `used` and a piece of work, or `replaced` and a role, with the cylinder."""


def needs_by_key(needs: Iterable[Need]) -> dict[NeedKey, Need]:
    """Return needs of a request by their keys, for `list_needs`."""
    return {
        (
            need.kind if need.kind is NeedKind.used else NeedKind.replaced,
            need.role,
            need.cylinder,
        ): need
        for need in needs
    }


def list_needs(
    fitments: Fitments,
    shop: Shop,
    request: Request,
    operations: Sequence[Operation],
    plan: AccessPlan,
    labour: Labour,
    besides: Iterable[RolePlace] = (),
    known: Mapping[NeedKey, Need] = MappingProxyType({}),
) -> tuple[Need, ...]:
    """Return the needs of the visit for all machines: roles first, by role and cylinder, then
    consumables. `besides` are roles to replace in addition to those of jobs and reassembly.

    A role instance that a job replaces, and that is also replaced during reassembly, is one need of
    kind `replaced` with all its reasons. Needs that are `known` from other jobs of the same request
    are used unchanged, including their reasons.

    Raises: NothingFits.
    """
    roles: dict[tuple[RoleId, int], tuple[NeedKind, list[Why]]] = {}
    turned_up = ((role, cylinder, Why("turned-up")) for role, cylinder in besides)
    for kind, source in (
        (NeedKind.replaced, _replaced(operations, request.family.cylinders)),
        (NeedKind.renewed, _renewed(plan)),
        (NeedKind.replaced, turned_up),
    ):
        for role, cylinder, why in source:
            _, reasons = roles.setdefault((role, cylinder or 0), (kind, []))
            reasons.append(why)
    asked = request.asked
    machines = asked.terms.machines
    needs = []
    for (role, on), (kind, reasons) in sorted(roles.items()):
        need = known.get((NeedKind.replaced, role, on or None))
        if need is None:
            floor = shop.quality_floor.get(role, Quality.alternate)
            fitted = fitments.fit(
                request.family.id,
                role,
                on or None,
                serial=asked.serial,
                build_code=asked.build_code,
                floor=floor,
            )
            need = _times(machines, _role_need(floor, asked.terms, fitted, kind, reasons))
        needs.append(need)
    for used in _used(labour):
        need = _times(machines, used)
        before = known.get((NeedKind.used, need.role, need.cylinder))
        needs.append(before if before == need else need)
    return tuple(needs)


def _times(machines: int, need: Need) -> Need:
    if machines == 1:
        return need
    return structs.replace(need, quantity=need.quantity * machines)


def _replaced(
    operations: Sequence[Operation], cylinders: int
) -> Iterator[tuple[RoleId, int | None, Why]]:
    for operation in operations:
        why = Why("replaced-by-job", {"job": operation.job.id, "cylinder": operation.cylinder})
        for reference in operation.job.replaces:
            for instance in expand(reference, operation.cylinder, cylinders):
                role, _, cylinder = instance.partition("@")
                yield RoleId(role), int(cylinder) if cylinder else None, why


def _renewed(plan: AccessPlan) -> Iterator[tuple[RoleId, int | None, Why]]:
    for removal in plan.removals:
        why = Why("renewed-by-refit", {"component": removal.instance.id})
        for role, cylinder in removal.instance.renews:
            yield role, cylinder, why


def _role_need(
    floor: Quality, terms: Terms, fitted: Fitted, kind: NeedKind, reasons: list[Why]
) -> Need:
    return Need(
        role=fitted.role,
        cylinder=fitted.cylinder,
        item=fitted.item,
        quantity=fitted.quantity,
        unit=fitted.unit,
        kind=kind,
        floor=floor,
        acceptable=fitted.acceptable,
        options=fitted.options,
        why=(*reasons, fitted.why, *_floor_changed(terms, fitted.role)),
    )


def _floor_changed(terms: Terms, role: RoleId) -> Iterator[Why]:
    for floor in terms.floors:
        if floor.role == role:
            facts: dict[str, Fact] = {
                "quality": floor.quality.value,
                "reason": floor.reason,
                "by": floor.by,
            }
            yield Why("floor-changed", facts)


def _used(labour: Labour) -> Iterator[Need]:
    """Yield the consumables of each piece of work; each piece is in the labour only once, and so
    are its consumables.
    """
    for task in labour.tasks:
        amounts: dict[ItemId, tuple[Decimal, str]] = {}
        for use in task.uses:
            amount: Decimal = use.quantity
            if use.item in amounts:
                amount = _sum(amounts[use.item][0], amount)
            amounts[use.item] = (amount, use.unit)
        for item, (quantity, unit) in sorted(amounts.items()):
            yield Need(
                role=task.name.partition("@")[0],
                cylinder=task.cylinder,
                item=item,
                quantity=quantity,
                unit=unit,
                kind=NeedKind.used,
                floor=Quality.alternate,
                acceptable=(item,),
                options=(item,),
                why=(Why("used-by-work", {"work": task.name}),),
            )


def _sum(one: Decimal, other: Decimal) -> Decimal:
    amount = exact(one) + exact(other)
    return Decimal(amount.numerator) / amount.denominator
