"""Order costs: what the parts of agreed quotes cost the shop now, against what they were sold for.

A price that a customer agreed to does not follow a later cost. So the shop sees the loss before it
sends the orders.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence, Set
from fractions import Fraction

from msgspec import field

from kitwright.keeping.charges import charged_for
from kitwright.keeping.record import KeptQuote
from kitwright.keeping.store import Records
from kitwright.money import Money, digits, round_ratio, total
from kitwright.quote import Amount, Margin, amount_of
from kitwright.web.calls.ids import QUOTE, QuoteId, written
from kitwright.web.calls.order_making import Made, Need
from kitwright.web.calls.placing import goods_cost
from kitwright.web.calls.shown import Out


class OrderCostOut(Out, frozen=True, kw_only=True):
    """What the orders of a quote cost, without tax, with those placed before and the quote's share
    of fees and freight: `planned` when it was priced, and `landed` now.

    `left` is what remains of what was sold once parts and sublet work are paid; if it is below
    zero, `is_loss`.
    """

    quote: QuoteId
    planned: Amount
    landed: Amount
    left: Amount
    is_loss: bool = field(name="loss")


def costs_of(
    records: Records, made: Sequence[Made], needs: Sequence[Need], tolerance: Fraction
) -> Iterator[OrderCostOut]:
    """Yield what the orders of some quotes cost with those made now. A quote whose tax is not known
    is left out: nobody knows what it leaves. `tolerance` is as in `charged_for`.
    """
    now: dict[int, list[Money]] = defaultdict(list)
    for own in (own for one in made for own in one.joint.allotments):
        now[own.asker].append(own.net)
    new = {one.order.number for one in made}
    for asker, need in enumerate(needs):
        if need.agreed.margin is not None:
            # most quotes have no orders but these
            before = _before(records, need.quote, new, tolerance) if need.ordered else ()
            yield _cost(need.quote, need.agreed.margin, (*now[asker], *before))


def _before(
    records: Records, quote: KeptQuote, new: Set[int], tolerance: Fraction
) -> Iterator[Money]:
    """Yield what orders that are not new cost a quote: goods that did not go back, and its shares
    of freight and fees.
    """
    currency = quote.net.currency
    cost = goods_cost(records, quote.number, new) * 10 ** digits(currency)
    yield Money(round_ratio(cost.numerator, cost.denominator), currency)
    charged = charged_for(records, quote.number, tolerance, new)
    if charged is not None:
        yield charged


def _cost(quote: KeptQuote, margin: Margin, shares: Iterable[Money]) -> OrderCostOut:
    planned = margin.landed.money
    landed = total(shares, planned.currency)
    left = margin.left.money + planned - landed
    return OrderCostOut(
        quote=written(QUOTE, quote.number),
        planned=margin.landed,
        landed=amount_of(landed),
        left=amount_of(left),
        is_loss=left < Money(0, left.currency),
    )
