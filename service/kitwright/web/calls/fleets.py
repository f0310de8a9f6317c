"""Fleets: the quotes of machines that were asked for together, and their sums."""

from __future__ import annotations

from collections.abc import Iterable

from kitwright.keeping.record import SETTLED, KeptQuote, Revision
from kitwright.keeping.store import Records
from kitwright.money import total
from kitwright.quote import Amount, Count, amount_of
from kitwright.web.calls.call import Call
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import FLEET, FleetId, missing, read_id, written
from kitwright.web.calls.quotes import QuoteHeadOut, head_of
from kitwright.web.calls.shown import Out
from kitwright.web.edge.reply import Reply


class FleetSumOut(Out, frozen=True, kw_only=True):
    """The sum of some quotes of a fleet, one for each machine; null if the tax of one of them is
    not known.
    """

    machines: Count
    net: Amount | None
    gross: Amount | None


class FleetOut(Out, frozen=True, kw_only=True):
    """Quotes of machines that were asked for together, in the order of the request.

    `together` is the sum of those that stand: neither declined nor expired nor withdrawn, and not
    finished or stopped, because a statement says what these come to. `agreed` is that of those
    agreed to.
    """

    id: FleetId
    quotes: tuple[QuoteHeadOut, ...]
    together: FleetSumOut
    agreed: FleetSumOut


@operation("GET /v1/fleets/{id}", "getFleet", "quotes")
def get(records: Records, call: Call) -> Reply[FleetOut]:
    """Get the quotes of a fleet, and what they come to together.

    A fleet is made by quoting several `units` in one call. Each of its quotes is issued, revised
    and accepted by itself; their parts can be ordered together.
    """
    return Reply(body=fleet_out(call.desk, records, _number(records, call), is_read=True))


def _number(records: Records, call: Call) -> int:
    """Return the number of the fleet in a call's path. Raises: Refusal: unknown-record."""
    text = call.variable("id")
    number = read_id(FLEET, text)
    first = records.quotes.get(number)
    if first is None or first.fleet != number:
        raise missing(FLEET, text)
    return number


def fleet_out(desk: Desk, records: Records, fleet: int, *, is_read: bool = False) -> FleetOut:
    """Return a fleet; `is_read` if nothing is being written."""
    quotes = records.quotes.of_fleet(fleet)
    return FleetOut(
        id=written(FLEET, fleet),
        quotes=tuple(head_of(desk, records, one, is_read=is_read) for one in quotes),
        together=fleet_sum(desk, (one for one in quotes if one.state not in SETTLED)),
        agreed=fleet_sum(desk, (one for one in quotes if one.agreed is not None)),
    )


def fleet_sum(desk: Desk, quotes: Iterable[KeptQuote | Revision]) -> FleetSumOut:
    """Return the sum of some quotes or revisions, one for each machine."""
    summed = tuple(quotes)
    gross = [one.gross for one in summed if one.gross is not None]
    is_known = len(gross) == len(summed)
    net = total((one.net for one in summed), desk.currency)
    return FleetSumOut(
        machines=len(summed),
        net=amount_of(net) if is_known else None,
        gross=amount_of(total(gross, desk.currency)) if is_known else None,
    )
