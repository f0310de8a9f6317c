"""Teardown graphs: layouts, chassis, work and its consumables."""

from __future__ import annotations

from kitwright.catalogue.model.words import (
    ChassisId,
    ComponentId,
    ElementId,
    FlagId,
    HazardId,
    ItemId,
    LabourClass,
    LayoutId,
    Per,
    Phase,
    Record,
    Seize,
    Side,
    TickId,
    TickKind,
    VisitWorkId,
    Where,
    WorkId,
    WorkKind,
)
from kitwright.units import Figure


class Use(Record, frozen=True, kw_only=True):
    """A consumable used by work: `quantity` of `item`, in the item's own `unit`."""

    item: ItemId
    quantity: Figure
    unit: str


class Work(Record, frozen=True, kw_only=True):
    """Bench work, done once per cylinder or per visit, however many jobs list its id.

    `needs_off` must be off while it is done; without it, work of the phase `apart` needs off what
    its jobs need off. `needs_on` must be on: before it comes off in the phases `arrival` and
    `opening` (there, as far as it need not be off), otherwise once it is back on. `after` names
    work that comes before. `fits` are the roles that it fits if a job replaces them.
    """

    id: WorkId
    minutes: int
    labour_class: LabourClass
    per: Per = Per.visit
    uses: tuple[Use, ...] = ()
    hazards: tuple[HazardId, ...] = ()
    kind: WorkKind = WorkKind.work
    phase: Phase = Phase.apart
    needs_off: tuple[str, ...] = ()
    needs_on: tuple[str, ...] = ()
    needs_free: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    part_of: str = ""
    fits: tuple[str, ...] = ()
    runs: bool = False


class RefitWork(Record, frozen=True, kw_only=True):
    """Bench work that is always part of refitting a component, once per instance removed.

    `minutes` is 0 if the refit minutes already include it. `needs_on`, `after` and `part_of` are as
    in `Work`. `is_joined` says that nothing comes between it and the refit: sealant would skin.
    """

    id: WorkId
    minutes: int
    labour_class: LabourClass
    is_joined: bool = False
    uses: tuple[Use, ...] = ()
    hazards: tuple[HazardId, ...] = ()
    kind: WorkKind = WorkKind.work
    needs_on: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    part_of: str = ""


class RenewsIf(Record, frozen=True, kw_only=True):
    """A role that a refit replaces only on families that carry `flag`."""

    role: str
    flag: FlagId


class OtherHold(Record, frozen=True, kw_only=True):
    """How the valves of a cylinder are held if it is not known to hold air."""

    remove_name: str
    refit_name: str
    tools: tuple[str, ...] = ()
    inspect: tuple[str, ...] = ()


class Element(Record, frozen=True, kw_only=True):
    """Fasteners or connections of one kind on a component. An awkward one takes the shop's
    `awkward_factor` as long.
    """

    kind: ElementId
    count: int = 1
    awkward: bool = False


class Component(Record, frozen=True, kw_only=True):
    """A node of a teardown graph: something to remove, or set up, before something else.

    Needs are component references: `x` engine-wide, `x@` on the same cylinder, `x@*` on every
    cylinder. `needs_any` holds OR groups: one member of each must be off. Roles in `renews` use the
    same marks. Either both minutes are given, or `elements`, whose times are the shop's. `inspect`
    is to be looked at as it comes off, `refit_inspect` to be seen to before it goes back on.
    """

    id: ComponentId
    remove_minutes: int | None = None
    refit_minutes: int | None = None
    elements: tuple[Element, ...] = ()
    per_cylinder: bool = False
    needs_all: tuple[str, ...] = ()
    needs_any: tuple[tuple[str, ...], ...] = ()
    renews: tuple[str, ...] = ()
    renews_if: tuple[RenewsIf, ...] = ()
    refit_work: tuple[RefitWork, ...] = ()
    cramped: bool = False
    seize: Seize = Seize.none
    labour_class: LabourClass = LabourClass("tech")
    fasteners: str = ""
    tools: tuple[str, ...] = ()
    inspect: tuple[str, ...] = ()
    refit_inspect: tuple[str, ...] = ()
    spec: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()
    hazards: tuple[HazardId, ...] = ()
    remove_name: str = ""
    refit_name: str = ""
    refills: bool = False
    place: Where = Where.either
    part_of: str = ""
    side: Side = Side.none
    is_first: bool = False
    refit_after: tuple[str, ...] = ()
    needs_on: tuple[str, ...] = ()
    needs_free: tuple[str, ...] = ()
    holds: str = ""
    unless_sound: OtherHold | None = None
    fits: tuple[str, ...] = ()
    decide_before: bool = False


class Alias(Record, frozen=True, kw_only=True):
    """A name in jobs that means a different component on each layout."""

    name: str
    component: ComponentId


class Layout(Record, frozen=True, kw_only=True):
    """How one kind of engine comes apart."""

    id: LayoutId
    component: tuple[Component, ...]
    alias: tuple[Alias, ...] = ()


class ChassisRule(Record, frozen=True, kw_only=True):
    """The components of a chassis that must be off before one component; `applies_to` is `x`, or
    `x@*` for every cylinder.
    """

    applies_to: str
    needs_all: tuple[str, ...] = ()
    needs_any: tuple[tuple[str, ...], ...] = ()


class Chassis(Record, frozen=True, kw_only=True):
    """The machine around the engine. Its component `engine_out` takes the engine out of the
    frame.
    """

    id: ChassisId
    name: str
    kind: str
    layouts: tuple[LayoutId, ...]
    cramped_factor: Figure
    component: tuple[Component, ...]
    rule: tuple[ChassisRule, ...] = ()


class VisitWork(Record, frozen=True, kw_only=True):
    """Work done once per visit, however many jobs ask for it; `access` lists what must be off for
    it.
    """

    id: VisitWorkId
    minutes: int
    labour_class: LabourClass
    name: str
    access: tuple[str, ...] = ()
    hazards: tuple[HazardId, ...] = ()
    uses: tuple[Use, ...] = ()
    kind: WorkKind = WorkKind.work
    phase: Phase = Phase.apart
    needs_off: tuple[str, ...] = ()
    needs_on: tuple[str, ...] = ()
    needs_free: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    runs: bool = False


class Tick(Record, frozen=True, kw_only=True):
    """A step that is not billed: a check, a wait, or handing over the machine.

    It is part of a plan that has any of the steps in `for_any`, or of every plan if that is empty.
    Steps are named `off x`, `on x`, or by the id of work. `reach` names components: the step comes
    after all that stands before them, and before everything else that comes off.
    `elapsed_minutes` is how long a wait takes, None if that is to be looked up. `machine_has` names
    components: only an engine in its chassis that has any of them needs the step, all do if it is
    empty. `manual` names values of the maker's manual. `each_cylinder` is what follows the name
    once for each cylinder: blanks for its readings. With `if_open`, `for_any` is work of the phase
    `opening`, and the step is in a plan in which something has to be off that this should have on.
    """

    id: TickId
    name: str
    kind: TickKind = TickKind.check
    for_any: tuple[str, ...] = ()
    machine_has: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    before: tuple[str, ...] = ()
    reach: tuple[str, ...] = ()
    elapsed_minutes: int | None = None
    manual: tuple[str, ...] = ()
    each_cylinder: str = ""
    if_open: bool = False
    hazards: tuple[HazardId, ...] = ()
