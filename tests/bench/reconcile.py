"""Whether random quotes over random shops and tax areas add up, and how fast.

    python -m tests.bench.reconcile [QUOTES] [FIRST_SHOP]

Draws shops from seeds, each a number, asks each for sixteen quotes, and computes every quote again
from its printed figures (`tests/stages/recomputing.py`). Two processes share the shops. Prints how
many quotes reconciled, of which kinds, and how many a second; a quote that does not is named by
its seed, with what did not add up. 100,000 quotes where no number is given.
"""

from __future__ import annotations

import os
import sys
import time
import traceback
from collections import Counter
from multiprocessing import get_context
from random import Random

from tests.stages.drawn import draw_terms, draw_work
from tests.stages.drawn_shops import draw_workshop
from tests.stages.recomputing import reconcile

from kitwright.flow import quote_repair
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import LineKind

WORKS, TERMS = 2, 8
"""Pieces of work asked of a shop, and sets of terms for each."""
PER_SHOP = WORKS * TERMS
PROCESSES = 2


def check_shop(seed: int) -> tuple[int, Counter[str], list[str]]:
    """Return how many quotes of one drawn shop reconcile, of which kinds, and what did not."""
    random = Random(seed)
    workshop = draw_workshop(random)
    kinds: Counter[str] = Counter()
    wrong = []
    for _ in range(WORKS):
        work = draw_work(random, workshop)
        for turn in range(TERMS):
            try:
                quote = quote_repair(workshop, draw_terms(random, workshop, work))
                reconcile(quote)
            except Exception:  # noqa: BLE001
                wrong.append(f"shop {seed}, quote {turn}:\n{traceback.format_exc()}")
            else:
                kinds.update(kinds_of(quote))
    return PER_SHOP - len(wrong), kinds, wrong


def kinds_of(quote: Outcome) -> list[str]:
    """Return what a quote is an example of."""
    request, totals = quote.request, quote.repair.totals
    terms = request.asked.terms
    area = request.tax_area
    prices = "including tax" if quote.shop.selling_prices_include_tax else "excluding tax"
    found = [f"in {quote.shop.currency}", f"prices {prices}", quote.shop.parts_price.rule.value]
    if area is None:
        found.append("tax unknown")
    else:
        found.append(f"rounded by {area.rounding.by.value}, {area.rounding.mode.value}")
    claims = {
        "compounding": area is not None and any(each.compounds for each in area.components),
        "exempt": terms.exemption is not None,
        "in cash": terms.pays_cash and totals.payable is not None,
        "prepaid": bool(terms.prepaid),
        "discounts": totals.discount.minor < 0,
        "free lines": bool(terms.free_lines),
        "overrides": bool(terms.overrides),
        "customer parts": bool(terms.customer_parts),
        "floors changed": bool(terms.floors),
        "several machines": terms.machines > 1,
        "provisional": quote.is_provisional,
        "core deposits": any(line.kind is LineKind.core for line in quote.repair.lines),
        "gross below zero": totals.gross is not None and totals.gross.minor < 0,
        "deposit above gross": totals.gross is not None and totals.deposit > totals.gross,
    }
    return [*found, *(name for name, holds in claims.items() if holds)]


def main() -> int:
    quotes = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    shops = range(first, first - (-quotes // PER_SHOP))
    reconciled = 0
    kinds: Counter[str] = Counter()
    wrong: list[str] = []
    begun = time.perf_counter()
    with get_context("spawn").Pool(PROCESSES) as pool:
        for count, found, faults in pool.imap_unordered(check_shop, shops, chunksize=8):
            reconciled += count
            kinds += found
            wrong += faults
            for fault in faults[:1] if len(wrong) < 20 else ():
                print(fault, flush=True)
    took = time.perf_counter() - begun
    asked = len(shops) * PER_SHOP
    print(f"{reconciled} of {asked} quotes reconciled, shops {shops[0]} to {shops[-1]},")
    print(f"in {took:.0f} s, {asked / took:.0f} a second on {os.cpu_count()} processors")
    for name, count in sorted(kinds.items()):
        print(f"  {name:<34}{count:>8}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
