"""The cover against independent oracles: enumeration, and a second solver."""

from __future__ import annotations

import random
import subprocess
import sys
from itertools import product

import pytest
from ortools.sat.python import cp_model

from kitwright.solve.cover import Pack, Uncoverable, least_cover

Packs = list[Pack[str, str]]


def random_instance(
    chance: random.Random, needs: int, packs: int, most: int
) -> tuple[dict[str, int], Packs]:
    """Return a cover problem in which every need can be covered."""
    wanted = {f"part-{number}": chance.randint(1, most) for number in range(needs)}
    found: Packs = [
        Pack(id=f"one-{name}", holds={name: 1}, cost=chance.randint(1, 90)) for name in wanted
    ]
    for number in range(packs):
        names = chance.sample(sorted(wanted), chance.randint(1, min(4, needs)))
        found.append(
            Pack(
                id=f"pack-{number:02d}",
                holds={name: chance.randint(1, most) for name in [*names, "other"]},
                cost=chance.randint(1, 200),
                limit=chance.choice([None, 1, 2]),
                group=chance.choice([None, None, "a", "b"]),
            )
        )
    return wanted, found


def groups_of(packs: Packs) -> dict[str, list[int]]:
    groups: dict[str, list[int]] = {}
    for place, pack in enumerate(packs):
        if pack.group is not None:
            groups.setdefault(pack.group, []).append(place)
    return groups


@pytest.mark.parametrize("seed", range(200))
def test_least_cover_is_the_best_of_all_combinations(seed: int) -> None:
    chance = random.Random(seed)
    wanted, packs = random_instance(chance, chance.randint(1, 3), chance.randint(1, 3), 2)
    most = [min(sum(wanted.values()), pack.limit or 99) for pack in packs]
    best: tuple[int, int] | None = None
    for copies in product(*(range(count + 1) for count in most)):
        held = dict.fromkeys(wanted, 0)
        for pack, count in zip(packs, copies, strict=True):
            for name, pieces in pack.holds.items():
                if name in held:
                    held[name] += pieces * count
        in_groups = (sum(copies[place] for place in places) for places in groups_of(packs).values())
        if (
            all(held[name] >= count for name, count in wanted.items())
            and max(in_groups, default=0) <= 1
        ):
            cost = sum(pack.cost * count for pack, count in zip(packs, copies, strict=True))
            best = min(best or (cost, sum(copies)), (cost, sum(copies)))

    cover = least_cover(wanted, packs)

    assert (cover.cost, sum(count for _, count in cover.packs)) == best


def second_opinion(wanted: dict[str, int], packs: Packs) -> tuple[int, int]:
    """Return the least cost, and the fewest packs at that cost, as CP-SAT finds them."""
    model = cp_model.CpModel()
    most = sum(wanted.values())
    copies = [model.new_int_var(0, min(most, pack.limit or most), pack.id) for pack in packs]
    for name, count in wanted.items():
        held = [pack.holds.get(name, 0) * one for pack, one in zip(packs, copies, strict=True)]
        model.add(sum(held) >= count)
    for places in groups_of(packs).values():
        model.add(sum(copies[place] for place in places) <= 1)
    costs = sum(pack.cost * one for pack, one in zip(packs, copies, strict=True))
    model.minimize(costs * (most * len(packs) + 1) + sum(copies))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    chosen = [solver.value(one) for one in copies]
    return sum(p.cost * count for p, count in zip(packs, chosen, strict=True)), sum(chosen)


@pytest.mark.parametrize("seed", range(150))
def test_least_cover_agrees_with_a_second_solver(seed: int) -> None:
    chance = random.Random(5000 + seed)
    wanted, packs = random_instance(chance, chance.randint(4, 12), chance.randint(4, 20), 4)

    cover = least_cover(wanted, packs)

    assert (cover.cost, sum(count for _, count in cover.packs)) == second_opinion(wanted, packs)


def test_least_cover_counts_what_is_left_over() -> None:
    packs: Packs = [Pack(id="set", holds={"gasket": 2, "seal": 4}, cost=10)]

    cover = least_cover({"gasket": 1}, packs)

    assert cover.packs == (("set", 1),)
    assert dict(cover.left_over) == {"gasket": 1, "seal": 4}


def test_least_cover_names_every_need_that_nothing_covers() -> None:
    packs: Packs = [Pack(id="one", holds={"gasket": 1}, cost=10, limit=2)]

    with pytest.raises(Uncoverable) as caught:
        least_cover({"gasket": 3, "seal": 1}, packs)

    short = [(each.need, each.wanted, each.available) for each in caught.value.needs]
    assert short == [("gasket", 3, 2), ("seal", 1, 0)]


def test_least_cover_takes_fewer_packs_at_the_same_cost() -> None:
    packs: Packs = [
        Pack(id="one", holds={"nut": 1}, cost=5),
        Pack(id="two", holds={"nut": 2}, cost=10),
    ]

    assert least_cover({"nut": 2}, packs).packs == (("two", 1),)


def test_least_cover_solves_an_everyday_kit_without_the_solver() -> None:
    program = (
        "import sys\n"
        "from kitwright.solve.cover import Pack, least_cover\n"
        "needs = {f'part-{n}': 1 + n % 2 for n in range(20)}\n"
        "packs = [Pack(id=n, holds={n: 1}, cost=100 + 7 * len(n)) for n in needs]\n"
        "packs += [Pack(id=f'set-{k}', holds={f'part-{n}': 2 for n in range(k, k + 8)}, cost=900)\n"
        "          for k in (0, 6)]\n"
        "least_cover(needs, packs)\n"
        "sys.exit('highspy' in sys.modules)\n"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
