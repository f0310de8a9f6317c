"""How long previews with courses and the range take that were never asked for before.

    python -m tests.bench.courses [EVERY]

Asks for four courses with what may turn up, for every diagnosis, family, chassis and cylinder (only
one of EVERY, if a number is given), each of another serial number and condition, in a random order.
Prints the processor time of whole answers for each shop: in a workshop that knows every engine, of
the same asked again, and in workshops that remember nothing.
"""

from __future__ import annotations

import gc
import random
import sys
import time
from collections.abc import Sequence
from datetime import date
from itertools import cycle, product
from pathlib import Path
from typing import get_args

from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import LOOSE, Catalogue, Diagnosis, Family, JobScope, Shop
from kitwright.quote import encode_quote
from kitwright.serving import calm_garbage, settle_garbage
from kitwright.stages.request import Debris, Rust
from kitwright.web.calls.service import Service
from kitwright.web.calls.wire import ConditionIn, CourseWanted, DiagnosisIn, JobIn, PreviewIn
from kitwright.workshop import Workshop

ROOT = Path(__file__).parents[2]
ON = date(2027, 3, 1)
CONDITIONS = [
    ConditionIn(rust=rust, debris=debris, previous_work=worked)
    for rust, debris, worked in product(Rust, Debris, (False, True))
]


def everything(catalogue: Catalogue) -> list[PreviewIn]:
    """Return a request for every diagnosis on every family, chassis or none, and cylinder."""
    chance = random.Random(20270301)
    found = [
        (family, code, cylinder, chassis)
        for family in catalogue.families.values()
        for code, diagnosis in catalogue.diagnoses.items()
        if _fits(catalogue, family, diagnosis)
        for cylinder in _cylinders(family, diagnosis)
        for chassis in _chassis(catalogue, family)
    ]
    chance.shuffle(found)
    serials = chance.sample(range(1_000_000, 4_000_000), len(found))
    return [
        PreviewIn(
            family=family.id,
            serial=serial,
            chassis=chassis,
            diagnoses=(DiagnosisIn(code=code, cylinder=cylinder),),
            courses=get_args(CourseWanted),
            contingencies=True,
            condition=condition,
            diagnostic_done=True,
        )
        for (family, code, cylinder, chassis), serial, condition in zip(
            found, serials, cycle(CONDITIONS), strict=False
        )
    ]


def _fits(catalogue: Catalogue, family: Family, diagnosis: Diagnosis) -> bool:
    scopes = diagnosis.scopes
    jobs = [*scopes.least, *scopes.recommended, *scopes.thorough]
    return all(job_fits(catalogue, family, catalogue.jobs[each.job]) for each in jobs)


def _cylinders(family: Family, diagnosis: Diagnosis) -> Sequence[int | None]:
    return (None,) if diagnosis.scope is JobScope.engine else range(1, family.cylinders + 1)


def _chassis(catalogue: Catalogue, family: Family) -> list[str]:
    carriers = [one.id for one in catalogue.chassis.values() if family.layout in one.layouts]
    return [LOOSE, *carriers]


def answered(service: Service, asked: PreviewIn) -> float:
    """Return the milliseconds of processor time of an answer."""
    begun = time.process_time()
    encode_quote(service.quote(asked))
    return (time.process_time() - begun) * 1e3


def spread(name: str, taken: Sequence[float], asked: Sequence[PreviewIn]) -> None:
    """Print how long some answers took."""
    slow = max(range(len(taken)), key=taken.__getitem__)
    taken = sorted(taken)
    p50, p95, p99 = (taken[len(taken) * percent // 100] for percent in (50, 95, 99))
    worst = asked[slow]
    code = worst.diagnoses[0].code
    print(
        f"  {name:<20} mean {sum(taken) / len(taken):>6.1f}   p50 {p50:>6.1f}   p95 {p95:>6.1f}   "
        f"p99 {p99:>6.1f}   greatest {taken[-1]:>6.1f} ({worst.family}, {code}, {worst.chassis})"
    )


def measure(catalogue: Catalogue, shop: Shop, asked: Sequence[PreviewIn]) -> None:
    """Print the figures of a shop."""

    def fresh() -> Service:
        return Service(Workshop(catalogue, shop), lambda: ON)

    service = fresh()
    for family in catalogue.families.values():
        for chassis in _chassis(catalogue, family):
            jobs = (JobIn(job="J-BREATHER"),)
            service.quote(PreviewIn(family=family.id, chassis=chassis, jobs=jobs))
    print(
        f"{shop.id}: {len(asked)} previews with courses and range, milliseconds of processor time"
    )
    for name in ("never seen", "asked again"):
        spread(name, [answered(service, each) for each in asked], asked)
    spread("nothing remembered", [answered(fresh(), each) for each in asked], asked)


def main() -> None:
    """Measure, and print."""
    catalogue = load_catalogue(ROOT / "catalog")
    asked = everything(catalogue)[:: int(sys.argv[1]) if len(sys.argv) > 1 else 1]
    # unused objects are looked for as in a running service
    settle_garbage()
    calm_garbage()
    gc.collect()
    for shop in catalogue.shops.values():
        measure(catalogue, shop, asked)


if __name__ == "__main__":
    main()
