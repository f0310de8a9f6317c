"""Workshop: a catalogue and one of its shops, with a cache of results that depend on both."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import Final, TypeVar

from kitwright.catalogue.graph import Instance
from kitwright.catalogue.model import Catalogue, Record, Shop
from kitwright.memory import ELSEWHERE, MIB, Memory, Recent
from kitwright.stages.contingency import Prospect
from kitwright.stages.finding import Findings, Odds
from kitwright.stages.kit import Fitments, Kit, KitPart, Market, Need, Needs
from kitwright.stages.ordering import Earlier, PartsOrder
from kitwright.stages.outcome import Draft, Extra, Planned, Saving, Sooner
from kitwright.stages.price import Goods
from kitwright.stages.request import Request, alike
from kitwright.stages.supply import Prices, Source, find_supply
from kitwright.stages.work import (
    CATALOGUE,
    AccessPlan,
    Bench,
    Labour,
    Operation,
    OperationKey,
    Teardown,
    count_by_hand,
    minutes_by_hand,
    plan_access,
    read_minutes,
    repeat,
)
from kitwright.stages.work_plan import Rule, Rules, Visit, WorkPlan, plan_work

T = TypeVar("T")

_AT_HAND: Final = 16

MOST_COMPARED: Final = 48
"""Labour, kits and orders that are remembered for comparisons."""

Later = tuple[Kit, Earlier, tuple[PartsOrder, ...]]
"""A kit, what was ordered before, and what is still to be ordered."""

Choices = tuple[tuple[Extra, ...], tuple[Saving, ...], Sooner | None]

BUDGET: Final = 256 * MIB
"""The most bytes that are cached by default."""

_SHARED: Final = (Catalogue, Record, Instance, Source, Need, KitPart, Rule, Draft, Prospect)
"""Types that are not counted: a workshop holds them anyway, or they are cached separately."""


class Workshop:
    """A catalogue and one of its shops, with a cache of results that depend on both.

    Teardowns, drafts and results made from them are cached, but never complete quotes. They all
    follow from the catalogue, so another revision of it needs another workshop.

    Args:
        catalogue: the catalogue.
        shop: one of its shops.
        budget: the most bytes that may be cached in total; it has to exceed `ELSEWHERE`.
    """

    def __init__(self, catalogue: Catalogue, shop: Shop, budget: int = BUDGET) -> None:
        self.catalogue = catalogue
        self.shop = shop
        self.supply = find_supply(catalogue, shop)
        self.market = Market(catalogue, shop, self.supply)
        self.prices = Prices(catalogue, shop, self.supply)
        self.needs = Needs(Fitments(catalogue, self.prices))
        self.goods = Goods(catalogue, shop, self.prices)
        self._starts = {
            family: sorted({0, *(row.serial_from for row in rows)})
            for family, rows in catalogue.fitments.items()
        }
        self.estimates = CATALOGUE
        """The shop's own estimates; set before a request is worked out, like the stock."""
        self.memory = Memory(budget - ELSEWHERE, _SHARED)
        self.labours: Recent[Hashable, tuple[Bench, Labour]] = Recent(MOST_COMPARED)
        """The latest labour, by its bench, which is kept with it, condition and operations."""
        self.kits: Recent[Hashable, Kit] = Recent(MOST_COMPARED)
        """The latest kits of comparisons, by the identity of their needs."""
        self.later: Recent[Hashable, Later] = Recent(MOST_COMPARED)
        """What is still to be ordered of the latest kits."""
        self._at_hand: tuple[Hashable, Bench, int] | None = None
        """The latest bench, by what decides it, and how often it may be taken from here."""

    def odds(self, findings: Findings) -> Odds:
        """Return the network of the engine's faults, with the machine's background."""
        family, background = findings.family, findings.background
        return self.memory.get(
            ("odds", family.id, tuple(sorted(row.id for row in background))),
            lambda: Odds(self.catalogue, family, background),
            grows=True,
        )

    def bench(self, request: Request) -> Bench:
        """Return the bench of the request's engine in its chassis, with its compiled teardown."""
        family, chassis = request.family, request.chassis
        revision = self.estimates.revision
        question = "bench", revision, family.id, None if chassis is None else chassis.id
        at_hand = self._at_hand
        if at_hand is not None and at_hand[0] == question and at_hand[2]:
            self._at_hand = question, at_hand[1], at_hand[2] - 1
            return at_hand[1]
        bench = self.memory.get(
            question,
            lambda: Bench(
                self.shop,
                Teardown(
                    self.catalogue, self.shop, family, chassis, self.estimates.of_family(family.id)
                ),
            ),
            grows=True,
        )
        # the memory is asked again now and then, because it measures what grows
        self._at_hand = question, bench, _AT_HAND
        return bench

    def access(self, request: Request, operations: tuple[Operation, ...]) -> AccessPlan:
        """Return what comes off for some operations, with its minutes and reasons."""
        rust = request.asked.condition.rust
        return plan_access(self.bench(request).teardown, operations, rust)

    def labour(self, request: Request, operations: tuple[Operation, ...]) -> Labour:
        """Return the labour of some operations."""
        asked = request.asked
        overridden = read_minutes(operations, asked.terms)
        labour = self._labour(request, operations, overridden)
        by_hand = minutes_by_hand(self.shop, asked.terms)
        return count_by_hand(repeat(labour, asked.terms.machines), by_hand)

    def _labour(
        self,
        request: Request,
        operations: tuple[Operation, ...],
        overridden: Mapping[OperationKey, int],
    ) -> Labour:
        """Return the labour of some operations on one machine, remembered for other courses of the
        same request and for what may turn up.
        """
        bench, condition = self.bench(request), request.asked.condition
        if overridden:
            return bench.labour(operations, condition, overridden)
        question = id(bench), condition, *[each.key for each in operations]
        known = self.labours.get(question)
        if known is None:
            known = bench, bench.labour(operations, condition, overridden)
            self.labours.put(question, known)
        return known[1]

    def work_plan(
        self, request: Request, visit: Visit, sound: frozenset[int] = frozenset()
    ) -> WorkPlan:
        """Return the steps of a visit, in an order that can be followed. `sound` are the cylinders
        that are known to hold air.
        """
        family, chassis = request.family, request.chassis
        on = family.id, chassis.id if chassis is not None else None
        rules = self.memory.get(
            ("rules", *on), lambda: Rules(self.catalogue, self.shop, self.bench(request).teardown)
        )
        return plan_work(
            self.shop,
            rules,
            visit,
            request.asked.terms,
            sound,
            lambda steps, work_out: self.memory.get(("steps", on, steps), work_out),
        )

    def minutes_alone(self, request: Request, operation: Operation) -> int:
        """Return the minutes billed for an operation as the only one, before any override."""
        asked = request.asked
        alone = self.bench(request).minutes_alone(operation, asked.condition)
        return alone * asked.terms.machines

    def draft(self, request: Request, work_out: Callable[[], Draft]) -> Draft:
        """Return the quote of a request before the counter changes lines or parts of it.

        Requests that are alike share one draft, as long as the free stock and the shop's estimates
        are the same; `work_out` computes it at the first of them.
        """
        mark = self.market.stock.mark
        question = (
            "draft",
            mark,
            self.estimates.revision,
            alike(request, self._starts[request.family.id]),
        )
        return self.memory.get(question, work_out)

    def choices(self, draft: Draft, changes: Hashable, work_out: Callable[[], Choices]) -> Choices:
        """Return the extras, savings and soonest purchase of a draft, priced under some changes of
        lines.
        """
        return self.memory.get(("choices", draft, changes), work_out)

    def planned(
        self, draft: Draft, sound: frozenset[int], work_out: Callable[[], Planned]
    ) -> Planned:
        """Return the steps of a draft if some cylinders are known to hold air."""
        return self.memory.get(("planned", draft, sound), work_out)

    def told_plan(self, plan: WorkPlan, tell: Callable[[], T]) -> T:
        """Return what is told of a work plan; the bench has one language."""
        return self.memory.get(("told plan", plan.token), tell)
