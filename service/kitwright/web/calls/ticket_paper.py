"""Ticket paper: a ticket as a document, with its customer, its machine and its photographs."""

from __future__ import annotations

from kitwright.documents.ticket_words import TicketPaper, engine_of
from kitwright.keeping import tickets
from kitwright.keeping.photo import add_photo, check_room_of_ticket
from kitwright.keeping.record import Photo, Ticket
from kitwright.keeping.store import Records
from kitwright.web.calls.call import Call
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import TICKET
from kitwright.web.calls.papers import printed
from kitwright.web.calls.photos import SENT_AS, keep_picture, take_picture
from kitwright.web.calls.shown import ListOut
from kitwright.web.edge.negotiate import HTML, PDF
from kitwright.web.edge.reply import Reply


def paper_of_ticket(desk: Desk, records: Records, ticket: Ticket) -> TicketPaper:
    """Return a ticket with its customer and its machine."""
    customer = records.customers.get(ticket.customer)
    machine = records.machines.get(ticket.machine)
    # the store keeps no ticket without them
    assert customer is not None
    assert machine is not None
    return TicketPaper(
        ticket=ticket,
        customer=customer,
        machine=machine,
        engine=engine_of(desk.service.workshop.catalogue, machine),
        photos=len(records.photos.of_ticket(ticket.number)),
    )


@operation(
    "GET /v1/tickets/{id}/sheet",
    "getTicketSheet",
    "papers",
    "too-busy",
    forms=(HTML, PDF),
    keeps="reads",
    is_tagged=True,
)
async def sheet(call: Call, form: str) -> Reply[bytes]:
    """Get a ticket as a document for the customer: a page, or a PDF to be signed."""
    desk = call.desk

    def find(records: Records) -> TicketPaper:
        return paper_of_ticket(desk, records, call.record(TICKET, records.tickets.get))

    paper = desk.store.read(find)
    papers = desk.papers
    make = papers.ticket_page if form == HTML else papers.ticket_pdf
    return await printed(call, make, paper, form=form, name=paper.id)


@operation("GET /v1/tickets/{id}/photos", "listTicketPhotos", "photos")
def listed(records: Records, call: Call) -> Reply[ListOut[Photo]]:
    """List a ticket's photos, oldest first, each with the path of its file."""
    ticket = call.record(TICKET, records.tickets.get)
    return Reply(body=ListOut(items=records.photos.of_ticket(ticket.number)))


@operation(
    "POST /v1/tickets/{id}/photos",
    "addTicketPhoto",
    "photos",
    "act-refused",
    "too-busy",
    media=SENT_AS,
    is_tagged=True,
    status=201,
)
async def add(call: Call) -> Work[Photo]:
    """Add a photo of a machine as it was taken in.

    Like a photo of a quote, with the subject `take_in`. The ticket does not change.
    """

    def checked(records: Records) -> Ticket:
        ticket = call.record(TICKET, records.tickets.get)
        tickets.check_not_erased(ticket)
        check_room_of_ticket(records, ticket.number)
        return ticket

    ticket = call.desk.store.read(checked)
    taken = await take_picture(call)
    photo = Photo(
        number=0,
        quote=None,
        ticket=ticket.number,
        subject="take_in",
        code="take-in",
        cylinder=None,
        sha256=taken.sha256,
        media_type=taken.media_type,
        size=len(taken.data),
        made_at=call.stamp.at,
    )

    def keep(records: Records) -> Photo:
        tickets.check_not_erased(call.record(TICKET, records.tickets.get))
        return add_photo(records, call.stamp, photo)

    return await keep_picture(call, taken, keep)
