"""Workshop: a catalogue and one of its shops, with what is worth working out once for both."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import Final, Generic, TypeVar
from weakref import WeakKeyDictionary

from kitwright.catalogue.model import Catalogue, Shop
from kitwright.stages.access import AccessPlan, Teardown, plan_access
from kitwright.stages.finding import Findings
from kitwright.stages.job import Operation, OperationKey
from kitwright.stages.labour import (
    Labour,
    allot_labour,
    count_by_hand,
    minutes_by_hand,
    read_minutes,
    repeat,
)
from kitwright.stages.odds import Odds
from kitwright.stages.quote import Draft, Extra
from kitwright.stages.request import Request, alike
from kitwright.stages.selling import Prices
from kitwright.stages.supply import find_supply

T = TypeVar("T")

_MOST_CHANGES: Final = 8
"""Ways to change the lines of one draft whose extras are remembered: shops give the same few
discounts all day.
"""


class Memo(Generic[T]):
    """Answers by question, the oldest forgotten first; a question is worked out again when
    asked again.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._known: dict[Hashable, T] = {}

    def get(self, question: Hashable, work_out: Callable[[], T]) -> T:
        """Return the known answer, or the one worked out now."""
        known = self._known.pop(question, None)
        answer = work_out() if known is None else known
        self._known[question] = answer
        if len(self._known) > self._most:
            del self._known[next(iter(self._known))]
        return answer


class Workshop:
    """A catalogue and one of its shops, with what is worth working out once for both.

    Remembered are teardowns, plans and priced kits, never whole quotes. All of it follows from the
    catalogue: another revision is another workshop.
    """

    def __init__(self, catalogue: Catalogue, shop: Shop) -> None:
        self.catalogue = catalogue
        self.shop = shop
        self.supply = find_supply(catalogue, shop)
        self.prices = Prices(catalogue, shop, self.supply)
        self._starts = {
            family: sorted({0, *(row.serial_from for row in rows)})
            for family, rows in catalogue.fitments.items()
        }
        self._teardowns: Memo[Teardown] = Memo(256)
        self._labour: Memo[tuple[AccessPlan, Labour]] = Memo(4096)
        self._drafts: Memo[Draft] = Memo(2500)
        self._extras: WeakKeyDictionary[Draft, Memo[tuple[Extra, ...]]] = WeakKeyDictionary()
        self._odds: Memo[Odds] = Memo(64)

    def odds(self, findings: Findings) -> Odds:
        """Return what is known of faults of the engine, with the machine's background."""
        family, background = findings.family, findings.background
        return self._odds.get(
            (family.id, tuple(sorted(row.id for row in background))),
            lambda: Odds(self.catalogue, family, background),
        )

    def teardown(self, request: Request) -> Teardown:
        """Return the compiled teardown of the request's engine in its chassis."""
        family, chassis = request.family, request.chassis
        return self._teardowns.get(
            (family.id, chassis.id if chassis is not None else None),
            lambda: Teardown(self.catalogue, self.shop, family, chassis),
        )

    def labour(
        self, request: Request, operations: tuple[Operation, ...]
    ) -> tuple[AccessPlan, Labour]:
        """Return the access plan and the labour of some operations."""
        asked = request.asked
        overridden = read_minutes(operations, asked.terms)
        by_hand = minutes_by_hand(self.shop, asked.terms)
        question = (
            request.family.id,
            asked.chassis,
            tuple(operation.key for operation in operations),
            asked.condition,
            asked.terms.machines,
            tuple(overridden.items()),
        )
        plan, labour = self._labour.get(
            question, lambda: self._work_out_labour(request, operations, overridden)
        )
        return plan, count_by_hand(labour, by_hand)

    def _work_out_labour(
        self,
        request: Request,
        operations: tuple[Operation, ...],
        overridden: Mapping[OperationKey, int],
    ) -> tuple[AccessPlan, Labour]:
        asked = request.asked
        plan = plan_access(self.teardown(request), operations, asked.condition.rust)
        labour = allot_labour(
            self.catalogue,
            self.shop,
            request.family.cylinders,
            operations,
            plan,
            asked.condition,
            overridden,
        )
        return plan, repeat(labour, asked.terms.machines)

    def draft(self, request: Request, work_out: Callable[[], Draft]) -> Draft:
        """Return the quote of a request before the counter changes lines or parts of it.

        Requests that are alike share one draft; `work_out` makes the first.
        """
        return self._drafts.get(alike(request, self._starts[request.family.id]), work_out)

    def extras(
        self, draft: Draft, changes: Hashable, work_out: Callable[[], tuple[Extra, ...]]
    ) -> tuple[Extra, ...]:
        """Return the extras of a draft at what they cost more with some changes of its lines."""
        known = self._extras.get(draft)
        if known is None:
            known = self._extras[draft] = Memo(_MOST_CHANGES)
        return known.get(changes, work_out)
