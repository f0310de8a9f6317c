"""How long a printed document takes once the press is warm.

    python -m tests.bench.prints

Prints the middle and the least milliseconds of 40 runs for each document, wall time and processor
time, each run with another revision, so that nothing is remembered whole; and what the first of a
process takes.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

from msgspec import structs
from tests.documents.printed import CONTACT, ENVELOPE, SCRIBE, buyer, full_quote, made

from kitwright.documents.bench_sheet import bench_sheet_pdf
from kitwright.documents.order_sheet import order_sheet_pdf
from kitwright.documents.pick_list import pick_list_pdf
from kitwright.documents.quote_pdf import quote_pdf
from kitwright.quote import Envelope

RUNS = 40


def timed(name: str, make: Callable[[Envelope], bytes]) -> None:
    """Print the first time, and the middle and least of the later ones."""
    wall, processor = [], []
    for revision in range(1, RUNS + 2):
        envelope = structs.replace(ENVELOPE, revision=revision)
        begun, worked = time.perf_counter(), time.process_time()
        make(envelope)
        wall.append((time.perf_counter() - begun) * 1000)
        processor.append((time.process_time() - worked) * 1000)
    first, *later = wall
    print(
        f"  {name:<14}{first:>9.1f}{statistics.median(later):>9.1f}{min(later):>9.1f}"
        f"{statistics.median(processor[1:]):>12.1f}"
    )


def main() -> None:
    """Time every document of a revision with something in every section."""
    quote = full_quote()
    order = max(quote.orders, key=lambda one: len(one.lines))
    print(f"  {'milliseconds':<14}{'first':>9}{'middle':>9}{'least':>9}{'processor':>12}")
    timed("quote", lambda one: quote_pdf(quote, one, SCRIBE, contact=CONTACT))
    timed(
        "bench sheet",
        lambda one: bench_sheet_pdf(quote, one, contact=CONTACT),
    )
    timed("pick list", lambda one: pick_list_pdf(quote, one, SCRIBE, contact=CONTACT))
    timed(
        "order sheet",
        lambda _: order_sheet_pdf(made(order), buyer(quote), SCRIBE),
    )


if __name__ == "__main__":
    main()
