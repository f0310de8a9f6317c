"""Ticket links: calls by which a customer reads a ticket and agrees to it, with no key."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, Final
from urllib.parse import parse_qs

import msgspec
from litestar import Request
from litestar.response.base import ASGIResponse

from kitwright.documents.page_actions import PageField
from kitwright.documents.page_words import wrong_told
from kitwright.documents.papers import Page
from kitwright.documents.ticket_words import TicketPaper, consent_told
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.link import NONCE_BYTES, Link, digest_of, make_token
from kitwright.keeping.record import Hand, Means, Ticket
from kitwright.keeping.store import Records
from kitwright.keeping.tickets import agree_to_ticket, check_not_erased
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.web.calls.call import Call, record_of
from kitwright.web.calls.handlers import answering, operation, operation_of, route
from kitwright.web.calls.ids import TICKET, TicketId, written
from kitwright.web.calls.link_in import check_standing, link_in
from kitwright.web.calls.link_making import LinkIn
from kitwright.web.calls.link_pages import beside
from kitwright.web.calls.shown import Out
from kitwright.web.calls.ticket_paper import paper_of_ticket
from kitwright.web.edge.body import receive
from kitwright.web.edge.negotiate import HTML, JSON, PDF, media_type
from kitwright.web.edge.problems import Refusal, fault_of
from kitwright.web.edge.reply import Reply, response
from kitwright.web.edge.shapes import Text, Wire

_DAYS: Final = 30
"""How long a link to a ticket is valid by default."""
_FORM: Final = "application/x-www-form-urlencoded"
_MOST_FORM: Final = 4_096
_SEE_OTHER: Final = 303
_FACTS: Final[dict[str, Any]] = {
    "variables": {"token": "The token in the link."},
    "scope": None,
    "is_limited": True,
}


class TicketLinkOut(Out, frozen=True, kw_only=True):
    """A link to a ticket. Anyone who has it can agree to the ticket, so send it only to the
    customer.
    """

    ticket: TicketId
    token: str
    path: str
    expires_at: datetime


class OfferedTicketOut(Out, frozen=True, kw_only=True):
    """A ticket as its customer sees it. `text` is the exact text that the customer agrees to, and
    `sha256` is of what the ticket says.
    """

    id: TicketId
    accessories: tuple[str, ...]
    complaint: str
    fee: Money
    most: Money | None
    old_parts: bool
    terms: tuple[str, ...]
    text: str
    sha256: str
    agreed_at: datetime | None
    expires_at: datetime


class TicketYesIn(Wire, frozen=True, kw_only=True):
    """A customer's agreement to a ticket."""

    who: Text


@operation("POST /v1/tickets/{id}/links", "createTicketLink", "tickets", "act-refused", status=201)
def make(records: Records, call: Call, body: LinkIn) -> Reply[TicketLinkOut]:
    """Create a signed link to a ticket, which expires after the `days`, by default 30."""
    desk, ticket = call.desk, call.record(TICKET, records.tickets.get)
    check_not_erased(ticket)
    expires = int((desk.now() + timedelta(days=body.days or _DAYS)).timestamp())
    name = written(TICKET, ticket.number)
    link = Link(
        number=name,
        revision=ticket.version,
        expires=expires,
        nonce=desk.draw(NONCE_BYTES),
        epoch=desk.gate.epoch,
        digest=digest_of(ticket.sha256),
    )
    token = make_token(desk.secret, link)
    return Reply(
        body=TicketLinkOut(
            ticket=name,
            token=token,
            path=f"/v1/links/tickets/{token}",
            expires_at=datetime.fromtimestamp(expires, UTC),
        )
    )


def _ticket_of(records: Records, call: Call) -> tuple[Link, Ticket]:
    """Return the link of a call's path, and its ticket.

    Raises: Refusal: unknown-record, link-expired, records-held.
    """
    link = link_in(call)
    ticket = record_of(TICKET, records.tickets.get, link.number)
    check_standing(records, link, ticket.sha256)
    if ticket.erased_at is not None:
        raise Refusal("link-expired", "what this link led to was erased with its customer's data")
    return link, ticket


@operation(
    "GET /v1/links/tickets/{token}",
    "getOfferedTicket",
    "links",
    "link-expired",
    "too-busy",
    forms=(JSON, HTML, PDF),
    keeps="reads",
    **_FACTS,
)
async def offered(call: Call, form: str) -> Reply[OfferedTicketOut]:
    """Get the ticket of a link.

    As JSON, as PDF, or as a page on which its customer can agree to it without a script.
    """
    if form == HTML:
        return _page(call)
    desk = call.desk
    if form == JSON:
        return desk.store.read(lambda records: _told(records, call, *_ticket_of(records, call)))
    paper = desk.store.read(lambda records: _paper(records, call))
    body = await desk.documents.run(desk.papers.ticket_pdf, paper)
    headers = {"Content-Disposition": f'inline; filename="{paper.id}.pdf"'}
    return Reply(body=body, form=PDF, headers=headers)


def _told(records: Records, call: Call, link: Link, ticket: Ticket) -> Reply[OfferedTicketOut]:
    paper = paper_of_ticket(call.desk, records, ticket)
    shop = call.desk.service.workshop.shop
    body = OfferedTicketOut(
        id=paper.id,
        accessories=ticket.accessories,
        complaint=ticket.complaint,
        fee=ticket.fee,
        most=ticket.most,
        old_parts=ticket.old_parts,
        terms=ticket.terms,
        text=consent_told(paper, Scribe(ticket.language), shop),
        sha256=ticket.sha256,
        agreed_at=ticket.agreed_at,
        expires_at=datetime.fromtimestamp(link.expires, UTC),
    )
    return Reply(body=body)


def agree(records: Records, call: Call, body: TicketYesIn) -> Reply[OfferedTicketOut]:
    """Agree to a ticket as its customer.

    Agreeing again with the same name has no effect. Needs only the link's token, not a key. The
    page sends its form here.
    """
    link, ticket = _ticket_of(records, call)
    stamp = call.desk.stamp(Hand.link, link.number, call.request_id)
    kept = agree_to_ticket(records, stamp, ticket, body.who, Means.link)
    return _told(records, call, link, kept)


_AGREE: Final = operation_of(
    agree,
    "POST /v1/links/tickets/{token}/agree",
    "agreeByLink",
    "links",
    forms=(JSON, HTML),
    problems=("act-refused", "link-expired"),
    **_FACTS,
)
_as_json: Final = answering(_AGREE, agree)


async def _agree(request: Request[Any, Any, Any]) -> ASGIResponse:
    """Answer an agreement, sent as JSON or by the page's form."""
    kind, _ = media_type(request.headers.get("content-type", ""))
    if kind != _FORM:
        return await _as_json(request)
    call = Call(_AGREE, request)
    reply = await _agreed(call, _name(await receive(request, _MOST_FORM)))
    return response(request, reply, _AGREE.status, varies=reply.status != _SEE_OTHER)


HANDLERS: Final = (route(_AGREE, _agree),)


async def _agreed(call: Call, name: str) -> Reply[Any]:
    """Return the answer to a form with a name: the page, with an error if the name is wrong."""
    try:
        body = msgspec.convert({"who": name}, TicketYesIn)
        await call.desk.store.write(lambda records: agree(records, call, body))
    except msgspec.ValidationError as error:
        return _page(call, fault_of(error).code, 422)
    except ActRefused:
        # somebody else did before: the page says who
        return _page(call, status=409)
    call.desk.wake()
    page = beside(call, call.variable("token"))
    return Reply(body=b"", status=_SEE_OTHER, headers={"Location": page}, form=HTML)


def _name(form: bytes) -> str:
    """Return the name in a form. Raises: Refusal: body-invalid."""
    try:
        fields = parse_qs(form.decode("ascii"), errors="strict", max_num_fields=5)
    except ValueError:
        raise Refusal(
            "body-invalid", "the form is not a list of name=value pairs in UTF-8"
        ) from None
    return " ".join(fields.get("who", ())).strip()


def _paper(records: Records, call: Call) -> TicketPaper:
    _, ticket = _ticket_of(records, call)
    return paper_of_ticket(call.desk, records, ticket)


def _page(call: Call, wrong: str = "", status: int = 200) -> Reply[Any]:
    """Return the page of a ticket; `wrong` is the code of the error in the name."""
    desk = call.desk
    paper = desk.store.read(lambda records: _paper(records, call))
    told = wrong_told(PageField.who, wrong, Scribe(paper.ticket.language)) if wrong else ""
    agree_url = beside(call, call.variable("token"), "agree")
    return _as_reply(desk.papers.ticket_page(paper, agree_url, told), status)


def _as_reply(page: Page, status: int) -> Reply[Any]:
    headers = {"Content-Security-Policy": page.policy}
    return Reply(body=page.body, status=status, form=HTML, headers=headers)
