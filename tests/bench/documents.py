"""How long documents take to make, with everything warm.

    python -m tests.bench.documents

Prints the middle and the 99th percentile of milliseconds for the page of a quote of every size.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

from tests.cases.counter import Json
from tests.documents.offers import ENVELOPE, OPEN, case, long, of_findings, read_back, shops

from kitwright.documents.quote_page import quote_page
from kitwright.language.scribe import Scribe

TIMES = 300


def timed(name: str, work: Callable[[], str]) -> None:
    """Run some work often and print how long it took."""
    made = work()
    taken = []
    for _ in range(TIMES):
        begun = time.perf_counter()
        work()
        taken.append((time.perf_counter() - begun) * 1e3)
    middle, worst = statistics.median(taken), statistics.quantiles(taken, n=100)[98]
    print(f"  {name:<34}{middle:>7.2f} ms{worst:>9.2f} ms{len(made.encode()) / 1024:>8.0f} KiB")


def pages() -> None:
    """Print the times of the quote's page."""
    print("the quote's page                      middle     99th       size")
    scribe = Scribe("en")
    chosen: dict[str, Json] = {
        "a breather": case("s50-walk-behind-breather"),
        "made of findings": of_findings(),
        "forty lines": long(),
    }
    for name, made in chosen.items():
        read, shop = read_back(made), shops()[made["shop"]["id"]]
        timed(
            f"{name}, {len(made['lines'])} lines",
            lambda read=read, shop=shop: quote_page(  # type: ignore[misc]
                read, ENVELOPE, scribe, shop=shop, actions=OPEN
            ),
        )


if __name__ == "__main__":
    pages()
