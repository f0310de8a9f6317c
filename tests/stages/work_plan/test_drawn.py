"""Work plans of layouts drawn at random: what the independent checker says of each."""

from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from tests.stages.small import TECH, catalogue_of, machine, part_of, task
from tests.stages.small import family as small_family
from tests.stages.work_plan.visits import Planned, request_of
from tests.stages.workbench import HIRE_YARD

from kitwright.catalogue.model import (
    Addition,
    Catalogue,
    Chassis,
    Component,
    Contingency,
    ContingencyId,
    ContingencyKind,
    Cylinders,
    Job,
    JobId,
    JobScope,
    LabourClass,
    Per,
    Phase,
    RefitWork,
    Side,
    Tick,
    TickId,
    TickKind,
    Where,
    Work,
    WorkId,
    WorkKind,
)
from kitwright.stages.work import Operation
from kitwright.units import read_figure
from kitwright.workshop import Workshop

SENIOR = LabourClass("senior")
SIDES = [*Side]
TOOLS = [(), (), ("puller",), ("driver",), ("puller", "driver")]
thorough = settings(max_examples=max(10, settings().max_examples))


def _engine(chance: Random) -> list[Component]:
    """Return components of the engine: each may stand behind earlier ones, and there may be two
    ways to it.
    """
    found: list[Component] = []
    for number in range(chance.randint(1, 6)):
        earlier = [str(one.id) for one in found]
        needs = chance.sample(earlier, min(len(earlier), chance.randint(0, 2)))
        any_of = _any_of(chance, earlier, needs)
        later = chance.sample(earlier, min(len(earlier), chance.randint(0, 1)))
        found.append(
            structs.replace(
                part_of(
                    f"e{number}",
                    chance.randint(1, 9),
                    chance.randint(1, 9),
                    *needs,
                    any_of=any_of,
                    labour_class=chance.choice([TECH, SENIOR]),
                ),
                side=chance.choice(SIDES),
                tools=chance.choice(TOOLS),
                place=chance.choice([Where.either, Where.either, Where.machine])
                if not needs
                else Where.either,
                refit_after=tuple(one for one in later if number > 1 and not needs and not any_of),
                refit_work=_refit_work(chance, number),
            )
        )
    return found


def _any_of(chance: Random, earlier: list[str], needs: list[str]) -> tuple[tuple[str, ...], ...]:
    left = [one for one in earlier if one not in needs]
    if len(left) < 2 or chance.random() < 0.5:
        return ()
    return (tuple(chance.sample(left, 2)),)


def _refit_work(chance: Random, number: int) -> tuple[RefitWork, ...]:
    """Return cleaning, sealing a joint right before it is closed, both or neither."""
    found = []
    if chance.random() < 0.4:
        found.append(RefitWork(id=WorkId(f"clean{number}"), minutes=3, labour_class=TECH))
    if chance.random() < 0.4:
        found.append(
            RefitWork(
                id=WorkId(f"seal{number}"),
                minutes=chance.choice([0, 2]),
                labour_class=TECH,
                is_joined=True,
                after=(WorkId(f"clean{number}"),) if found and chance.random() < 0.5 else (),
            )
        )
    return tuple(found)


def _cylinder(chance: Random, engine: list[Component]) -> list[Component]:
    """Return components of each cylinder: a chain, within which something may be held."""
    found: list[Component] = []
    held = chance.random() < 0.6
    length = chance.randint(2, 4)
    hold = chance.randint(1, length - 1) if held else -1
    for number in range(length):
        needs = [f"{found[-1].id}@"] if found else []
        if not found and chance.random() < 0.5:
            needs.append(str(chance.choice(engine).id))
        component = part_of(
            f"c{number}", chance.randint(1, 9), chance.randint(1, 9), *needs, per_cylinder=True
        )
        if number == hold:
            component = structs.replace(component, holds="crank")
        elif number < hold:
            component = structs.replace(component, needs_free=("crank",))
        found.append(structs.replace(component, tools=chance.choice(TOOLS)))
    return found


def _jobs(chance: Random, engine: list[Component], cylinder: list[Component]) -> list[Job]:
    names = [str(one.id) for one in engine]
    found = []
    for number in range(chance.randint(1, 3)):
        is_own = chance.random() < 0.5
        access = [f"{chance.choice(cylinder).id}@"] if is_own else [chance.choice(names)]
        works = [
            Work(
                id=WorkId(f"w{number}{part}"),
                minutes=chance.randint(1, 20),
                labour_class=TECH,
                per=Per.cylinder if is_own else Per.visit,
                kind=chance.choice([*WorkKind]),
                after=(WorkId(f"w{number}{part - 1}"),) if part and chance.random() < 0.7 else (),
            )
            for part in range(chance.randint(0, 3))
        ]
        if chance.random() < 0.4:
            works.append(
                Work(
                    id=WorkId(f"run{number}"),
                    minutes=5,
                    labour_class=TECH,
                    kind=WorkKind.test,
                    phase=chance.choice([Phase.finish, Phase.arrival]),
                    runs=True,
                )
            )
        plain = task(f"J{number}", *access, work=tuple(works), cylinder=1 if is_own else None).job
        seen = [access[0], *(str(one.id) for one in works[:1] if one.phase is Phase.apart)]
        # what a find would add is another job, so that some finds are dearer than others
        adds = Addition(job=JobId(f"J{chance.randint(0, number)}"), cylinders=Cylinders.own)
        shown = Contingency(
            id=ContingencyId(f"k{number}"), probability=read_figure("0.1"), add=(adds,)
        )
        may_show = (shown,) if chance.random() < 0.6 else ()
        is_first = chance.random() < 0.2
        shown_by = structs.replace(plain, contingency=may_show, is_before_tests=is_first)
        found.append((shown_by, seen))
    _KINDS.clear()
    for job, seen in found:
        for one in job.contingency:
            _KINDS[one.id] = ContingencyKind(
                id=one.id, name="n", plain="p", seen_at=(chance.choice(seen),)
            )
    return [job for job, _ in found]


_KINDS: dict[ContingencyId, ContingencyKind] = {}


def _drawn(chance: Random) -> tuple[Catalogue, Chassis | None, list[Operation]]:
    engine = _engine(chance)
    cylinder = _cylinder(chance, engine)
    jobs = _jobs(chance, engine, cylinder)
    ticks = {
        TickId("first"): Tick(id=TickId("first"), name="t", before=("off *",)),
        TickId("last"): Tick(id=TickId("last"), name="t", kind=TickKind.hand_over),
    }
    small = small_family(cylinders=chance.randint(1, 2))
    catalogue = structs.replace(
        catalogue_of(*engine, *cylinder, of=small),
        jobs={JobId(job.id): job for job in jobs},
        contingencies=dict(_KINDS),
        visit_work={},
        ticks=ticks,
    )
    operations = [
        Operation(job=job, cylinder=on)
        for job in jobs
        for on in ((None,) if job.scope is JobScope.engine else range(1, small.cylinders + 1))
        if on in (None, 1) or chance.random() < 0.7
    ]
    chassis = None
    if chance.random() < 0.7:
        free = [str(one.id) for one in engine if not one.needs_all]
        out = part_of("engine_out", chance.choice([1, 1, 60]), 1, chance.choice(free))
        chassis = machine(
            structs.replace(part_of("battery", 1), is_first=chance.random() < 0.5), out
        )
    return catalogue, chassis, operations


@thorough
@given(st.randoms(use_true_random=False))
def test_work_plan_of_any_layout_holds_every_promise(chance: Random) -> None:
    catalogue, chassis, operations = _drawn(chance)
    family = catalogue.families[small_family().id]
    shop = catalogue.shops[HIRE_YARD]
    terms = structs.replace(shop.labour, increment_minutes=1, minimum_bench_minutes=0)
    workshop = Workshop(catalogue, structs.replace(shop, labour=terms))
    found = Planned(workshop, request_of(family, chassis, catalogue=catalogue), operations)

    assert found.wrong() == ()
    labour = found.visit.labour
    for each in found.visit.operations:
        assert labour.minutes_of(each.key) <= workshop.minutes_alone(found.request, each)
    assert all(
        bound <= count for bound, count in zip(found.plan.bound, found.plan.changes, strict=True)
    )
