"""How long belief takes on a problem the size of a twin's, nothing remembered.

    python -m tests.bench.belief [TIMES]

Prints milliseconds, the best, the middle and the worst: compiling a network of 28 faults and 60
variables with the belief after 12 observations; then what 20 groups of variables would tell, the
largest with 320 joint outcomes; both again with the network at hand; and loading numpy, which a
process pays once. On a busy machine only the best means anything.
"""

from __future__ import annotations

import random
import statistics
import sys
import time
from collections.abc import Callable

from kitwright.solve.belief import Network, Seen, Variable

FAULTS = 28
SIZES = (5, *[2] * 55, *[3] * 4)
GROUPS = ((0, 1, 2, 3, 4, 5, 6), *[(7 + 2 * at, 8 + 2 * at) for at in range(19)])
"""Variables by number; the first group has one of 5 levels and six of 2."""
SEEN = range(48, 60)


def compiled(seed: int = 20270301) -> Network[int, int]:
    """Compile a network that looks like a twin's: a variable shows few of the faults."""
    chance = random.Random(seed)

    def spread(levels: int, normal: float) -> tuple[float, ...]:
        rest = [chance.random() for _ in range(levels - 1)]
        return (normal, *[(1 - normal) * one / sum(rest) for one in rest])

    links = {}
    for variable, levels in enumerate(SIZES):
        shown_by = chance.sample(range(FAULTS), chance.choice((1, 2, 2, 3, 5)))
        if variable in GROUPS[0]:
            shown_by = chance.sample(range(9), 7 if levels == 5 else 3)
        for fault in sorted(shown_by):
            links[fault, variable] = spread(levels, chance.uniform(0.05, 0.7))
    return Network(
        {fault: chance.uniform(0.01, 0.09) for fault in range(FAULTS)},
        {at: Variable(spread(levels, 0.95)) for at, levels in enumerate(SIZES)},
        links,
        most_faults=3,
    )


def observations(seed: int = 7) -> list[Seen[int]]:
    chance = random.Random(seed)
    return [Seen(variable, int(chance.random() < 0.3)) for variable in SEEN]


def repairs(faults: tuple[int, ...]) -> frozenset[int]:
    """Return a label that some sets share: every fifth fault has the repair of its neighbour."""
    return frozenset(fault - (fault % 5 == 1) for fault in faults)


def timed(name: str, work: Callable[[], object], times: int) -> None:
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        taken.append((time.perf_counter() - begun) * 1e3)
    figures = (min(taken), statistics.median(taken), max(taken))
    print(f"  {name:<28}" + "".join(f"{figure:>8.2f}" for figure in figures) + " ms")


def main(times: int) -> None:
    begun = time.perf_counter()
    import numpy  # noqa: F401 - to load it is the point

    print(f"  loading numpy, once         {(time.perf_counter() - begun) * 1e3:>9.2f} ms")
    seen = observations()
    network = compiled()
    print(f"  best, middle and worst of {times}")
    timed("compile", compiled, times)
    timed("compile and posterior", lambda: compiled().posterior(seen), times)
    timed("posterior, again", lambda: network.posterior(seen), times)
    timed("12 x 28 factors", lambda: factors(network, seen), times)
    timed("compile and 20 groups", lambda: compiled().informations(seen, GROUPS, repairs), times)
    timed("20 groups, again", lambda: network.informations(seen, GROUPS, repairs), times)
    timed("the largest group", lambda: network.informations(seen, GROUPS[:1], repairs), times)


def factors(network: Network[int, int], seen: list[Seen[int]]) -> list[float]:
    posterior = network.posterior(seen)
    return [posterior.factor(fault, one.variable) for fault in network.faults for one in seen]


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
