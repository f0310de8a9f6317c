"""Quotes: what calls on kept quotes find, reckon and answer."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
from msgspec import UNSET, structs

from kitwright.catalogue.model import AreaId
from kitwright.keeping import life
from kitwright.keeping.acts import ACTS, possible_acts
from kitwright.keeping.record import Customer, KeptQuote, Machine, Revision, RevisionState
from kitwright.keeping.store import Records
from kitwright.keeping.sums import Reckoning, written_reckoning
from kitwright.quote import encode_quote
from kitwright.stages.ordering import NotOrderable
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls.call import Call
from kitwright.web.calls.desk import Desk, tag
from kitwright.web.calls.ids import (
    CUSTOMER,
    MACHINE,
    QUOTE,
    missing,
    read_id,
    written,
)
from kitwright.web.calls.placing import unordered
from kitwright.web.calls.quote_wire import (
    Contents,
    KeptQuoteOut,
    QuoteHeadOut,
    QuoteIn,
    kept_quote,
    quote_head,
)
from kitwright.web.calls.standing import standing
from kitwright.web.calls.unprintable import request_looked_at, unprintable_request
from kitwright.web.calls.wire import ExemptionIn
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply


class MachineDiffers(RequestFault):
    """A request for another engine than the machine's."""

    code = "machine-differs"

    def __init__(self, member: str, given: object, known: object) -> None:
        super().__init__(f"the machine's {member} is {known}, not {given}")
        self.member = member
        self.given = given
        self.known = known


class CustomerUnknown(RequestFault):
    """A customer or machine that is not kept, or was erased."""

    code = "no-such-record"

    def __init__(self, text: str) -> None:
        super().__init__(f"{text} is not kept here, or was erased")
        self.text = text


def quote_of(records: Records, number: int) -> KeptQuote:
    """Return a quote. Raises: Refusal: unknown-record."""
    quote = records.quotes.get(number)
    if quote is None:
        raise missing(QUOTE, written(QUOTE, number))
    return quote


def checked(records: Records, call: Call) -> KeptQuote:
    """Return the quote of a call's path, in the version that the caller has seen.

    Raises: Refusal: unknown-record, record-changed.
    """
    quote = quote_of(records, call.number("id", QUOTE))
    call.check(quote_tag(quote))
    return quote


def changed_since(quote: KeptQuote) -> Refusal:
    """Return the refusal of a call on something that was changed since it was read."""
    return Refusal(
        "record-changed",
        "the record was changed since it was read",
        headers={"ETag": quote_tag(quote)},
    )


def quote_tag(quote: KeptQuote) -> str:
    """Return the entity tag of a quote."""
    return tag("quote", quote.number, quote.version)


def head_at_end(records: Records, quote: KeptQuote) -> Revision:
    """Return the newest revision of a quote without its bodies, which are large."""
    return records.revisions.of_quote(quote.number)[quote.latest - 1]


def is_newer_draft(quote: KeptQuote, newest: Revision) -> bool:
    """Return whether a quote has a draft that it does not show yet."""
    return newest.state is RevisionState.draft and newest.number != quote.shown


def acts_of(
    desk: Desk, records: Records, quote: KeptQuote, newest: Revision, *, is_read: bool = False
) -> tuple[str, ...]:
    """Return the acts that would not be refused now; `is_read` if nothing is being written."""

    def is_supplied() -> bool:
        try:
            return not unordered(desk, records, quote, desk.now())
        except NotOrderable:
            return False

    may_start = quote.agreed is not None and quote.state in ACTS["start"]
    if may_start and is_read:
        # what was read is committed, and orders that are made change the version
        had = tuple(
            (one.holding.number, one.reserved + one.drawn)
            for one in records.shelf.shares(quote.number)
        )
        question = quote.number, quote.version, had, desk.service.revision
        may_start = desk.supplied.get(question, is_supplied)
    elif may_start:
        may_start = is_supplied()
    return possible_acts(quote, newest, desk.today(), is_supplied=may_start)


def head_of(
    desk: Desk, records: Records, quote: KeptQuote, *, is_read: bool = False
) -> QuoteHeadOut:
    """Return a quote without its figures in full."""
    newest = head_at_end(records, quote)
    acts = acts_of(desk, records, quote, newest, is_read=is_read)
    return quote_head(quote, acts, newest if is_newer_draft(quote, newest) else None)


def head_reply(desk: Desk, records: Records, quote: KeptQuote) -> Reply[QuoteHeadOut]:
    """Return the answer that has a quote without its figures in full."""
    return Reply(body=head_of(desk, records, quote), tag=quote_tag(quote))


def whole(
    desk: Desk,
    records: Records,
    quote: KeptQuote,
    shown: Contents,
    *,
    is_read: bool = False,
) -> Reply[KeptQuoteOut]:
    """Return a quote, to the last figure, with the contents of the revision that it shows."""
    newest = head_at_end(records, quote)
    acts = acts_of(desk, records, quote, newest, is_read=is_read)
    draft = None
    if is_newer_draft(quote, newest):
        draft = life.revision_of(records, quote, quote.latest)
        found = unprintable_request(desk.papers, draft.request, "draft")
        shown = structs.replace(shown, unprintable=(*shown.unprintable, *found))
    return Reply(body=kept_quote(quote, acts, shown, draft), tag=quote_tag(quote))


def contents(desk: Desk, records: Records, quote: KeptQuote) -> Contents:
    """Return the contents of the revision that a quote shows, with what was added to it."""
    revision = life.revision_of(records, quote, quote.shown)
    return Contents(
        request=revision.request,
        answer=encode_quote(standing(records, quote, revision)),
        unprintable=unprintable_request(desk.papers, revision.request),
    )


async def new_contents(desk: Desk, revision: Revision) -> Contents:
    """Return the contents of a new revision."""
    found = await request_looked_at(desk.papers, revision.request)
    return Contents(request=revision.request, answer=revision.answer, unprintable=found)


def created(desk: Desk, records: Records, quote: KeptQuote, shown: Contents) -> Reply[KeptQuoteOut]:
    """Return a quote that is new."""
    location = f"/v1/quotes/{written(QUOTE, quote.number)}"
    return structs.replace(whole(desk, records, quote, shown), headers={"Location": location})


def reckon(desk: Desk, asked: QuoteIn, quote: int | None = None) -> Revision:
    """Return the revision that a request comes to, once it is filled from its customer and machine.
    What a quote has of the shelf counts as free for itself.

    Raises: RequestRefused, and the errors of the stages.
    """
    customer, machine = desk.store.read(lambda records: _known(records, asked))
    filled = structs.replace(_filled(desk, asked, customer, machine), on=asked.on or desk.today())
    outcome = desk.service.work_out(filled, desk.stock(quote))
    totals = outcome.repair.totals
    return Revision(
        made_at=desk.now(),
        request=msgspec.json.encode(filled),
        answer=encode_quote(desk.service.tell(outcome, filled)),
        reckoning=_reckoning(outcome),
        catalogue_revision=desk.service.revision,
        tax_state="unknown" if totals.gross is None else "known",
        is_provisional=outcome.is_provisional,
        net=totals.lines + totals.discount if totals.net is None else totals.net,
        gross=totals.gross,
        valid_until=outcome.valid_until,
        customer=None if customer is None else customer.number,
        machine=None if machine is None else machine.number,
    )


def asked_of(revision: Revision) -> QuoteIn:
    """Return what a revision asked."""
    return msgspec.json.decode(revision.request, type=QuoteIn)


def of_today(desk: Desk, revision: Revision) -> QuoteIn:
    """Return what a revision asked, to be asked again today; on its own day where that is still to
    come.
    """
    asked, today = asked_of(revision), desk.today()
    return structs.replace(asked, on=max(asked.on or today, today))


def _reckoning(outcome: Outcome) -> bytes:
    """Return how a quote's lines come to its totals, to be kept; nothing where no tax is known."""
    request, terms = outcome.request, outcome.request.asked.terms
    if request.tax_area is None:
        return b""
    return written_reckoning(
        Reckoning(
            area=request.tax_area,
            on=request.asked.on,
            exempt=tuple(sorted(request.exempt_kinds)),
            cash_step=outcome.shop.cash_step if terms.pays_cash else None,
        )
    )


def _known(records: Records, asked: QuoteIn) -> tuple[Customer | None, Machine | None]:
    customer, machine, faults = _named(
        records,
        None if asked.customer is None else read_id(CUSTOMER, asked.customer),
        None if asked.machine is None else read_id(MACHINE, asked.machine),
    )
    if machine is not None:
        faults += _differing(asked, machine)
    if faults:
        raise RequestRefused(faults)
    return customer, machine


def check_named(records: Records, customer: int | None, machine: int | None) -> None:
    """Raise where a customer or a machine is not kept, or was erased, maybe a moment ago.

    Raises: RequestRefused.
    """
    _, _, faults = _named(records, customer, machine)
    if faults:
        raise RequestRefused(faults)


def _named(
    records: Records, customer: int | None, machine: int | None
) -> tuple[Customer | None, Machine | None, list[RequestFault]]:
    """Return a customer and a machine, None for what is not kept, and the faults of those."""
    faults: list[RequestFault] = []
    person = None if customer is None else records.customers.get(customer)
    if customer is not None and (person is None or person.erased_at is not None):
        person = None
        fault = CustomerUnknown(written(CUSTOMER, customer))
        fault.at("customer")
        faults.append(fault)
    engine = None if machine is None else records.machines.get(machine)
    if machine is not None and (engine is None or engine.erased_at is not None):
        engine = None
        fault = CustomerUnknown(written(MACHINE, machine))
        fault.at("machine")
        faults.append(fault)
    return person, engine, faults


def _differing(asked: QuoteIn, machine: Machine) -> Iterator[MachineDiffers]:
    for member in ("family", "serial", "build_code", "chassis"):
        given, known = getattr(asked, member), getattr(machine, member)
        if given is not None and known is not None and given != known:
            fault = MachineDiffers(member.replace("_", " "), given, known)
            fault.at(member)
            yield fault


def _filled(
    desk: Desk, asked: QuoteIn, customer: Customer | None, machine: Machine | None
) -> QuoteIn:
    """Return a request with what is known of its customer and machine."""
    found: dict[str, object] = {}
    if machine is not None:
        for member in ("serial", "build_code", "chassis"):
            if getattr(asked, member) is None:
                found[member] = getattr(machine, member)
    if customer is not None:
        if asked.language is None and customer.language is not None:
            found["language"] = customer.language
        certificate, until = customer.certificate_number, customer.certificate_until
        # one that has run out would be refused, and nobody asked for it here
        holds = until is not None and until >= (asked.on or desk.today())
        is_open = asked.exemption is None and _knows_exemptions(desk, asked)
        if is_open and certificate is not None and until is not None and holds:
            found["exemption"] = ExemptionIn(certificate_number=certificate, valid_until=until)
    return structs.replace(asked, **found) if found else asked


def _knows_exemptions(desk: Desk, asked: QuoteIn) -> bool:
    """Return whether the tax area of a request frees anybody: elsewhere a certificate says nothing,
    and a customer who has one is quoted like everybody.
    """
    workshop = desk.service.workshop
    given = asked.tax_area
    name = workshop.shop.tax_area if given is UNSET else given
    area = None if name is None else workshop.catalogue.tax_areas.get(AreaId(name))
    return area is not None and area.exemption is not None


def revision_in_path(records: Records, call: Call) -> Revision:
    """Return the revision that a call's path names. Raises: Refusal: unknown-record."""
    quote = quote_of(records, call.number("id", QUOTE))
    text = call.variable("revision")
    is_number = text.isascii() and text.isdigit() and len(text) < 10
    found = records.revisions.get(quote.number, int(text)) if is_number else None
    if found is None:
        raise Refusal(
            "unknown-record",
            f"no revision {text[:64]!r}: the newest of this quote is {quote.latest}",
        )
    return found
