"""Paper: collects the data for documents of a stored revision."""

from __future__ import annotations

from kitwright.keeping.life import revision_of
from kitwright.keeping.record import Authorisation, KeptQuote
from kitwright.keeping.store import Records
from kitwright.quote import Envelope, Paper
from kitwright.web.calls.ids import QUOTE, written
from kitwright.web.calls.standing import standing


def paper_of(records: Records, quote: KeptQuote, number: int) -> Paper:
    """Return a revision with its quote, customer and machine. Raises: NoSuchRevision."""
    revision = revision_of(records, quote, number)
    # the revision's own customer, who may no longer be the quote's
    whom, what = revision.customer, revision.machine
    customer = None if whom is None else records.customers.get(whom)
    machine = None if what is None else records.machines.get(what)
    given = {one.revision: one for one in records.authorisations.of_quote(quote.number)}
    agreed: Authorisation | None = given.get(number)
    envelope = Envelope(
        quote_id=written(QUOTE, quote.number),
        revision=number,
        state=revision.state.value,
        issued_at=revision.issued_at,
        sha256=revision.sha256,
        customer_name=None if customer is None else customer.name,
        customer_address=None if customer is None else customer.address,
        customer_email=None if customer is None else customer.email,
        machine_name=None if machine is None else machine.name,
        machine_hours=None if machine is None else machine.hours,
        agreed_at=None if agreed is None else agreed.at,
        agreed_by=None if agreed is None else agreed.who,
        limit=None if agreed is None else agreed.limit,
        limit_includes_tax=agreed is None or agreed.includes_tax,
    )
    return Paper(quote=standing(records, quote, revision), envelope=envelope)
