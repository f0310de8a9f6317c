"""Work plan: all steps of a visit in an order that one technician can follow.

Every billed minute is in a step, every need is used at one, and whatever comes off goes back on.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from fractions import Fraction

from msgspec import structs

from kitwright.catalogue.model import Shop
from kitwright.stages.kit import Need, NeedKind
from kitwright.stages.request import MinutesOverride, Terms
from kitwright.stages.why import Why, place
from kitwright.stages.work import Labour
from kitwright.stages.work_plan.arrange import Arranged, arrange
from kitwright.stages.work_plan.draft import draft_steps
from kitwright.stages.work_plan.rules import Rules
from kitwright.stages.work_plan.step import Adjustment, Step, Visit, WorkPlan

Remember = Callable[[Hashable, Callable[[], Arranged]], Arranged]
"""Returns what is known of a question, or what the function works out."""


def plan_work(
    shop: Shop,
    rules: Rules,
    visit: Visit,
    terms: Terms,
    sound: frozenset[int] = frozenset(),
    remember: Remember = lambda _, work_out: work_out(),
) -> WorkPlan:
    """Return the work plan of a visit. `sound` are the cylinders that are known to hold air.
    `remember` returns the order that was found for some steps before, or works it out.

    Raises: Circle, Clash, if the catalogue's rules contradict one another: `check-catalog` finds
    that.
    """
    drafts = draft_steps(shop, rules, visit, terms, sound)
    question = (
        tuple(drafts),
        tuple(operation.key for operation in visit.operations),
        frozenset(draft.cylinder for draft in drafts.values() if draft.other_hold is not None),
    )
    arranged = remember(question, lambda: arrange(rules, drafts, visit.operations))
    used = _used(rules, arranged.order.items, visit.needs)
    steps = tuple(
        Step(
            **structs.asdict(drafts[name]),
            place=arranged.places[name],
            side=rules.rule_of(name).side,
            uses=tuple(used.get(name, ())),
            reveals=arranged.reveals.get(name, ()),
            why=arranged.why[name],
            rule=rules.rules.get(name),
        )
        for name in arranged.order.items
    )
    return WorkPlan(
        steps=steps,
        adjustments=tuple(_adjustments(visit.labour, terms)),
        changes=arranged.order.changes,
        bound=arranged.order.bound,
        machines=terms.machines,
    )


def _used(rules: Rules, order: Sequence[str], needs: Sequence[Need]) -> dict[str, list[Need]]:
    """Return, by step, the needs that are fitted or used up there; each at one step."""
    fitted: dict[tuple[str, int | None], str] = {}
    last = next((name for name in reversed(order) if rules.rule_of(name).commits), order[-1])
    for name in order:
        for role in rules.fits(name):
            fitted[role] = name
    found: dict[str, list[Need]] = {}
    for need in needs:
        if need.kind is NeedKind.used:
            name = place(need.role, need.cylinder)
        else:
            # the catalogue's checks find roles that no step fits
            name = fitted.get((need.role, need.cylinder), last)
        found.setdefault(name, []).append(need)
    return found


def _adjustments(labour: Labour, terms: Terms) -> Iterator[Adjustment]:
    is_changed = any(isinstance(each, MinutesOverride) for each in terms.overrides)
    code = "minutes-set-by-hand" if is_changed else "rounded-up"
    for each in labour.classes:
        if each.billed != each.exact:
            yield Adjustment(each.labour_class, each.billed - each.exact, Why(code))
    minimum = sum(each.minutes for each in labour.bench_minimum)
    if minimum:
        labour_class = labour.bench_minimum[0].labour_class
        yield Adjustment(labour_class, Fraction(minimum), Why("bench-minimum-added"))
