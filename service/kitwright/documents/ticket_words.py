"""Ticket words: the terms on which machines are taken in, and what is said of one of them."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, FamilyId, Shop
from kitwright.documents.frame import text_lines
from kitwright.documents.shop_words import text_of
from kitwright.keeping.record import Customer, Machine, Ticket
from kitwright.language.scribe import Scribe
from kitwright.units import decimal_text


class TicketPaper(Struct, frozen=True, kw_only=True):
    """A ticket with its customer and its machine, the name of the machine's engine, and how many
    photographs were taken.
    """

    ticket: Ticket
    customer: Customer
    machine: Machine
    engine: str
    photos: int

    @property
    def id(self) -> str:
        """The ticket's id (T5)."""
        return f"T{self.ticket.number}"


def engine_of(catalogue: Catalogue, machine: Machine) -> str:
    """Return the name of a machine's engine, its family if the catalogue no longer has it."""
    family = catalogue.families.get(FamilyId(machine.family))
    return machine.family if family is None else f"{family.name} ({family.id})"


def terms_told(shop: Shop, scribe: Scribe) -> Iterator[str]:
    """Yield the shop's terms for machines that are taken in, as sentences."""
    say, fees = scribe.say, shop.fees
    if fees.credited_percent:
        share = scribe.percent(decimal_text(fees.credited_percent))
        yield say(
            "If we repair the machine, we credit {share} of the price of finding the fault.",
            share=share,
        )
    if fees.storage is not None:
        storage = fees.storage
        yield scribe.say_many(
            "Storage is free for {count} day after we tell you that the machine is ready. Then it "
            "costs {price} a day.",
            "Storage is free for {count} days after we tell you that the machine is ready. Then it "
            "costs {price} a day.",
            storage.grace_days,
            price=scribe.money(str(storage.per_day), shop.currency),
        )
        if storage.most is not None:
            most = scribe.money(str(storage.most), shop.currency)
            yield say("Storage comes to no more than {most}.", most=most)
        if not shop.selling_prices_include_tax:
            yield say("What storage costs is before tax.")
        notice = text_of(shop, storage.notice, scribe)
        yield say("Machines that are not collected: {terms}.", terms=notice)
    if fees.pickup is not None:
        yield say(
            "If we fetch or bring the machine, each trip costs {base}, and {each} for each "
            "kilometre.",
            base=scribe.money(str(fees.pickup.base), shop.currency),
            each=scribe.money(str(fees.pickup.per_km), shop.currency),
        )
    warranty = text_of(shop, shop.quote.warranty.customer_supplied_parts, scribe)
    yield say("Our warranty on parts that you bring: {terms}.", terms=warranty)
    yield say("Your rights by law stay as they are.")


def old_parts_told(ticket: Ticket, scribe: Scribe) -> str:
    """Return what happens with parts that are replaced."""
    if ticket.old_parts:
        return scribe.say("You want the old parts back.")
    return scribe.say("We keep the old parts.")


def fee_told(ticket: Ticket, scribe: Scribe, shop: Shop) -> str:
    """Return what finding the fault costs, and the most that it may cost."""
    say, fee = scribe.say, scribe.amount(ticket.fee)
    with_tax = shop.selling_prices_include_tax
    told = (
        say("Finding the fault costs {fee}, whether you have the machine repaired or not.", fee=fee)
        if with_tax
        else say(
            "Finding the fault costs {fee} before tax, whether you have the machine repaired or "
            "not.",
            fee=fee,
        )
    )
    most = scribe.amount(ticket.most or ticket.fee)
    limit = say("It will not cost more than {most} unless you agree.", most=most)
    return f"{told} {limit}"


def consent_told(paper: TicketPaper, scribe: Scribe, shop: Shop) -> str:
    """Return the text that a customer agrees to."""
    ordered = scribe.say(
        "I leave this machine with {shop} to find its fault, on the terms of ticket {ticket}.",
        shop=shop.name,
        ticket=paper.id,
    )
    return f"{ordered} {fee_told(paper.ticket, scribe, shop)}"


def rows_of(paper: TicketPaper, scribe: Scribe) -> list[tuple[str, str]]:
    """Return names and values that say whose machine it is, and which."""
    say, ticket, machine = scribe.say, paper.ticket, paper.machine
    hours = machine.hours
    rows = [
        (say("Customer"), paper.customer.name),
        (say("Brought by"), ticket.brought_by or ""),
        (say("Taken in on"), scribe.day(ticket.day)),
        (say("Machine"), machine.name),
        (say("Engine"), paper.engine),
        (say("Serial number"), "" if machine.serial is None else str(machine.serial)),
        (say("Build code"), machine.build_code or ""),
        *machine.plate.items(),
        (say("Operating hours"), scribe.number(hours) if hours else ""),
        (say("Photographs"), str(paper.photos) if paper.photos else ""),
    ]
    return [(name, value) for name, value in rows if value]


def agreed_told(ticket: Ticket, scribe: Scribe, zone: str) -> str:
    """Return that a ticket was agreed to, when and by whom; empty if it was not."""
    if ticket.agreed_at is None:
        return ""
    moment = scribe.moment(ticket.agreed_at, zone)
    return scribe.say("Agreed to on {moment}: {who}.", moment=moment, who=ticket.agreed_by or "")


def complaint_lines(ticket: Ticket) -> list[str]:
    """Return what the customer reported, line by line."""
    return text_lines(ticket.complaint)
