"""Where a quote's time goes, and how long the slowest take with nothing remembered.

    python -m tests.bench.stages

Prints microseconds for each stage of one quote; then the processor time of a quote that was never
asked for before, in a workshop that has answered many others, and of the same asked again; then,
over every job, family and chassis, the middle, the 99th percentile and the worst time of a whole
quote in a workshop that remembers
nothing.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterator
from datetime import date
from itertools import islice
from pathlib import Path
from typing import TypeVar

import msgspec
from tests.bench.requests import unseen_requests

from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import LOOSE, Catalogue, ChassisId, FamilyId, JobScope
from kitwright.flow import quote_repair
from kitwright.language.render import Speaker
from kitwright.money import Money
from kitwright.stages.kit import choose_kit
from kitwright.stages.ordering import split_orders
from kitwright.stages.price import Priced, find_advances, price_lines, tax_lines
from kitwright.stages.request import Asked, AskedDiagnosis, AskedJob, read_request
from kitwright.stages.work import Teardown, choose_jobs
from kitwright.telling import tell_quote
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.edge.body import decode
from kitwright.workshop import Workshop

ROOT = Path(__file__).parents[2]
T = TypeVar("T")
ON = date(2027, 3, 1)


def timed(name: str, work: Callable[[], T], times: int = 200) -> T:
    """Run some work often, print the median microseconds, return what came of it."""
    taken = []
    result = work()
    for _ in range(times):
        begun = time.perf_counter()
        result = work()
        taken.append(time.perf_counter() - begun)
    print(f"  {name:<28}{statistics.median(taken) * 1e6:>9.0f} us")
    return result


def stages(catalogue: Catalogue) -> None:
    """Print each stage's time for two head gaskets on a twin in a zero-turn."""
    shop = catalogue.shops[min(catalogue.shops)]
    workshop = Workshop(catalogue, shop)
    asked = Asked(
        family=FamilyId("TB-V68"),
        on=ON,
        serial=3_120_416,
        chassis=ChassisId("SK-ZT52"),
        diagnoses=tuple(
            AskedDiagnosis(code, 1) for code in catalogue.diagnoses if code == "HG-OUTSIDE"
        ),
        diagnostic_done=True,
    )
    print(f"one quote, stage by stage ({asked.family} in {asked.chassis})")
    request = timed("read_request", lambda: read_request(catalogue, shop, asked))
    jobs = timed("choose_jobs", lambda: choose_jobs(catalogue, request))
    family, chassis = request.family, request.chassis
    timed("Teardown (compiled once)", lambda: Teardown(catalogue, shop, family, chassis), 30)
    bench = workshop.bench(request)
    operations = jobs.operations
    condition, terms = asked.condition, asked.terms
    labour = timed("Bench.labour", lambda: bench.labour(operations, condition, {}))
    market = workshop.market
    needs = timed(
        "Needs.of",
        lambda: workshop.needs.of(shop, request, operations, labour),
    )
    kit = timed(
        "choose_kit",
        lambda: choose_kit(market, needs, terms, on=ON, needed_by=None),
    )
    orders = timed("split_orders", lambda: split_orders(catalogue, shop, kit, ON))
    priced = Priced(
        catalogue=catalogue,
        shop=shop,
        operations=operations,
        labour=labour,
        kit=kit,
        diagnostic_fee=None,
        goods=workshop.goods.lines(kit),
        orders=orders,
        before=Money(0, shop.currency),
        diagnostic_done=True,
        terms=request.asked.terms,
        area=request.tax_area,
        on=ON,
    )
    lines = timed("price_lines", lambda: price_lines(priced))
    advances = timed("find_advances", lambda: find_advances(shop, lines, kit))
    timed("tax_lines", lambda: tax_lines(shop, request, lines, advances))
    quote = timed("whole, remembered", lambda: quote_repair(workshop, asked))
    timed("whole, nothing remembered", lambda: quote_repair(Workshop(catalogue, shop), asked), 30)
    speaker = Speaker(catalogue, "en")
    body = timed("answer", lambda: tell_quote(quote, speaker, catalogue=catalogue), 50)
    timed("encode", lambda: msgspec.json.encode(body), 50)


def unseen(catalogue: Catalogue, count: int = 300) -> None:
    """Print the processor time of quotes of which no two are of the same work, once a workshop
    knows every engine, and of the same quotes asked again.
    """
    bodies = islice(unseen_requests(), 2 * count)
    asked = [decode(body, PreviewIn).asked(ON) for body in bodies]
    workshop = Workshop(catalogue, catalogue.shops[min(catalogue.shops)])
    for one in asked[:count]:
        quote_repair(workshop, one)
    print(f"{count} quotes, no two of the same work (middle of {count})")
    for name in ("never seen", "asked again"):
        taken = []
        for one in asked[count:]:
            begun = time.process_time()
            quote_repair(workshop, one)
            taken.append(time.process_time() - begun)
        mean = statistics.mean(taken)
        print(f"  {name:<28}{statistics.median(taken) * 1e3:>9.2f} ms, mean {mean * 1e3:.2f} ms")


def everything(catalogue: Catalogue) -> Iterator[Asked]:
    """Yield a request for every job on every family, chassis or none, and cylinder."""
    for family in catalogue.families.values():
        carriers = [one.id for one in catalogue.chassis.values() if family.layout in one.layouts]
        for job in catalogue.jobs.values():
            if not job_fits(catalogue, family, job):
                continue
            is_engine = job.scope is JobScope.engine
            for cylinder in (None,) if is_engine else range(1, family.cylinders + 1):
                for chassis in (LOOSE, *carriers):
                    yield Asked(
                        family=family.id,
                        on=ON,
                        serial=3_120_416,
                        chassis=chassis,
                        jobs=(AskedJob(job.id, cylinder),),
                    )


def cold(catalogue: Catalogue) -> None:
    """Print how long every quote takes in a workshop of its own."""
    shop = catalogue.shops[min(catalogue.shops)]
    taken = []
    for asked in everything(catalogue):
        workshop = Workshop(catalogue, shop)
        begun = time.perf_counter()
        quote_repair(workshop, asked)
        taken.append((time.perf_counter() - begun, asked))
    taken.sort(key=lambda each: each[0])
    late, worst = taken[int(len(taken) * 0.99)][0], taken[-1]
    print(f"every job, family and chassis, nothing remembered: {len(taken)} quotes")
    print(f"  p50 {taken[len(taken) // 2][0] * 1e3:.1f} ms, p99 {late * 1e3:.1f} ms, ", end="")
    job, chassis = worst[1].jobs[0].job, worst[1].chassis
    print(f"worst {worst[0] * 1e3:.1f} ms ({worst[1].family}, {job}, {chassis})")


def main() -> None:
    """Measure, and print."""
    catalogue = load_catalogue(ROOT / "catalog")
    stages(catalogue)
    unseen(catalogue)
    cold(catalogue)


if __name__ == "__main__":
    main()
