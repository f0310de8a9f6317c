"""How long an assessment of a twin with 12 findings takes, nothing remembered.

    python -m tests.bench.assessment [TIMES]

Prints milliseconds, the middle and the worst of TIMES, then the middle of the processor's own time,
which a busy machine does not stretch: reading the findings with their gates and
ranking the faults in a fresh workshop; the same with the next tests; both again in a workshop that
has compiled its network. numpy is loaded beforehand: a process pays for it once.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

from tests.diagnosis.rows import Row, asked

from kitwright.catalogue.load import load_catalogue
from kitwright.flow import assess
from kitwright.stages.finding import diagnose, read_findings
from kitwright.stages.request import AskedAssessment
from kitwright.workshop import Workshop

ROOT = Path(__file__).parents[2]
TWELVE = Row(
    id="twelve",
    family="TB-V68",
    given={
        "plug_oil@1": "yes",
        "plug_oil@2": "no",
        "air_dipstick@1": "yes",
        "air_dipstick@2": "no",
        "air_exhaust@1": "no",
        "air_intake@1": "no",
        "oil_level_over": "no",
        "oil_fuel_smell": "no",
        "oil_airbox": "yes",
        "fins_blocked": "yes",
    },
    readings={
        "supply_psi@1": ("90",),
        "cylinder_psi@1": ("66",),
        "supply_psi@2": ("90",),
        "cylinder_psi@2": ("85",),
    },
)
"""Ten findings by name and two leak-down readings."""


def ranked(workshop: Workshop, told: AskedAssessment) -> None:
    findings = read_findings(workshop.catalogue, told)
    diagnose(workshop.catalogue, workshop.shop, workshop.odds(findings), findings)


def timed(name: str, work: Callable[[], object], times: int) -> None:
    taken, used = [], []
    for _ in range(times):
        begun, clock = time.perf_counter(), time.process_time()
        work()
        taken.append((time.perf_counter() - begun) * 1e3)
        used.append((time.process_time() - clock) * 1e3)
    middle = statistics.median(taken)
    print(f"  {name:<40}{middle:>8.2f}{max(taken):>8.2f}{statistics.median(used):>8.2f} ms")


def main(times: int) -> None:
    catalogue = load_catalogue(ROOT / "catalog")
    shop = catalogue.shops[min(catalogue.shops)]
    told = asked(TWELVE)
    # what comes before a workshop is asked: indexes of supply and prices, and numpy
    cold = [Workshop(catalogue, shop) for _ in range(2 * times)]
    assess(Workshop(catalogue, shop), told)
    print(f"  middle and worst of {times}")
    timed("assessment, nothing remembered", lambda: ranked(cold.pop(), told), times)
    timed("with next tests, nothing remembered", lambda: assess(cold.pop(), told), times)
    warm = Workshop(catalogue, shop)
    assess(warm, told)
    timed("assessment, network at hand", lambda: ranked(warm, told), times)
    timed("with next tests, network at hand", lambda: assess(warm, told), times)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
