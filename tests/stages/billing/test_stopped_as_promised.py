"""The bill for stopped work comes to what the plan promised, at every step of many quotes."""

from decimal import Decimal
from typing import Any

import pytest
from tests.stages.work_plan.test_stop import ASKED
from tests.stages.workbench import HIRE_YARD, quote, starter

from kitwright.stages.billing import AgreedLine, Minutes, Most, bill_stopped
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import PricedLine
from kitwright.stages.request import Discount, Terms
from kitwright.stages.work_plan import find_stop, find_used, part_of
from kitwright.units import REC20

REDUCED: dict[str, Any] = {
    **ASKED["valve"],
    "terms": Terms(discounts=(Discount(reason="r", by="b", percent=Decimal(60)),)),
}


def agreed(line: PricedLine) -> AgreedLine:
    return AgreedLine(
        kind=line.kind.value,
        code=line.code,
        tax_kind=line.tax_kind.value,
        quantity=line.quantity,
        unit=REC20[line.unit],
        unit_price=line.unit_price,
        base_quantity=line.base_quantity,
        amount=line.amount,
        labour_class=line.labour_class,
    )


def billed(found: Outcome, before: int, *, in_boxes: bool) -> Any:
    """Return the bill of a quote that is stopped before a step."""
    shop, repair, request = starter().shops[HIRE_YARD], found.repair, found.request
    used = find_used(
        shop, found.plan, repair.lines, repair.kit.needs, before=before, in_boxes=in_boxes
    )
    assert request.tax_area is not None
    return bill_stopped(
        tuple(map(agreed, repair.lines)),
        {
            one.place + 1: part_of(repair.lines[one.place].quantity, one.share)
            for one in used.shares
        },
        [
            Minutes(labour_class=name, minutes=each, rate=Decimal(shop.labour.rates[name]))
            for name, each in used.minutes.items()
        ],
        most=Most(repair.price, includes_tax=True),
        area=request.tax_area,
        on=request.asked.on,
        exempt=request.exempt_kinds,
    )


@pytest.mark.parametrize("name", [*ASKED, "reduced"])
def test_bill_comes_to_what_the_plan_promised(name: str) -> None:
    found = quote(starter(), **(REDUCED if name == "reduced" else ASKED[name]))
    shop, repair = starter().shops[HIRE_YARD], found.repair

    for before in range(1, len(found.plan.steps) + 1):
        promised = find_stop(
            shop, found.request, found.plan, repair.lines, repair.kit.needs, before=before
        ).up_to(repair.price)
        for in_boxes, price in ((False, promised.refitted), (True, promised.in_boxes)):
            gross = billed(found, before, in_boxes=in_boxes).billed.taxed.gross
            # reduced to the quote's price, tax may be rounded to one cent less
            assert 0 <= price.minor - gross.minor <= (1 if price == repair.price else 0)
