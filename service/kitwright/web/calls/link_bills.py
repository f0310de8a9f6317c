"""Link bills: the call by which a customer reads an invoice or a credit note."""

from __future__ import annotations

from collections.abc import Callable

from kitwright.keeping.store import Records
from kitwright.quote import Bill, encode_billing, read_bill
from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.link_closing import bill_named
from kitwright.web.calls.links import LINK_FACTS, by_link
from kitwright.web.calls.papers import printed
from kitwright.web.edge.negotiate import JSON, PDF, XML
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply


@operation(
    "GET /v1/links/{token}/bills/{number}",
    "getOfferBill",
    "links",
    "link-expired",
    "too-busy",
    forms=(PDF, JSON, XML),
    keeps="reads",
    is_tagged=True,
    **LINK_FACTS,
)
async def bill(call: Call, form: str) -> Reply[Bill]:
    """Get an invoice or a credit note as the customer.

    As a PDF, as JSON, or as a UBL 2.1 Invoice or CreditNote, all with the same amounts. Only those
    of the link's quote are shown, by a link to what was agreed. Needs only the link's token, not a
    key.
    """
    papers = call.desk.papers

    def find(records: Records) -> Bill:
        _, quote, revision = by_link(records, call)
        found = bill_named(records, quote, revision, call.variable("number"))
        if found is None:
            raise Refusal("unknown-record", "this link leads to no such invoice or credit note")
        return read_bill(found.body)

    made = call.desk.store.read(find)
    makers: dict[str, Callable[[Bill], bytes]] = {
        PDF: papers.bill_pdf,
        JSON: encode_billing,
        XML: papers.bill_xml,
    }
    return await printed(call, makers[form], made, form=form, name=made.number)
