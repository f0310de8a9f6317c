"""Erasure work: what is erased of a customer, unit by unit."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import Final, NamedTuple, TypeVar

from msgspec import structs

from kitwright.keeping.aftercare import Claim, KeptComeBack
from kitwright.keeping.dossier import EVERY, own_revisions, ownerless, photos_of
from kitwright.keeping.erasing import number_of
from kitwright.keeping.erasure_words import ERASED, without_name, without_names, without_reason
from kitwright.keeping.event import add_event, change_record, keep_change
from kitwright.keeping.mail import erase_mails, is_erased_mail
from kitwright.keeping.photo import drop_photo
from kitwright.keeping.record import (
    Addition,
    Authorisation,
    Erasure,
    ErasureStage,
    Handover,
    KeptQuote,
    KeptStatement,
    Machine,
    Mail,
    RetentionWhy,
    Revision,
    Stamp,
    Ticket,
)
from kitwright.keeping.retaining import held_quotes, retain
from kitwright.keeping.store import OfQuote, RecordDamaged, Records

_A_FEW: Final = 20
"""How many small records are erased before the clock is looked at again."""
DAMAGED: Final = "damaged"
"""What is counted if a record that can't be read was left."""
ADDRESS: Final = "address"
"""What is counted if the address is needed to find what was left."""
_NEED_ADDRESS: Final = frozenset({"mails", "revisions"})
"""Tables whose damaged records may hide e-mails to the address."""
_EVERY_REVISION: Final = range(EVERY)
"""The numbers of all revisions of a quote."""
T = TypeVar("T", Machine, Mail, KeptQuote, Ticket)
R = TypeVar("R")
P = TypeVar("P", Addition, Authorisation, Claim, Handover, KeptComeBack, KeptStatement)
Redact = Callable[[Revision], Revision]
"""Removes personal data from a revision's bodies."""
HasTime = Callable[[], bool]
"""Whether a step may go on."""


def forget_requests(records: Records, subject: str) -> None:
    """Remove the ids of requests, which callers choose, from the events of a subject."""
    for event in records.events.of_subject(subject):
        if event.request_id:
            records.events.put(structs.replace(event, request_id=""))


class _Mine(NamedTuple):
    """What is a customer's of a quote: all sound revisions of the quote as far as they tell when
    photographs were taken, those that are the customer's, and the numbers of the latter. If all
    sound ones are, the damaged ones are too.
    """

    heads: tuple[Revision, ...]
    revisions: Mapping[int, Revision]
    numbers: Container[int]


class Work:
    """The work of one step: a unit of a stage after the other."""

    def __init__(
        self, records: Records, erasure: Erasure, redact: Redact, has_time: HasTime
    ) -> None:
        self._records = records
        self._customer = erasure.customer
        self._email = erasure.email
        self._redact = redact
        self._has_time = has_time
        self._held = held_quotes(records, erasure.customer)
        self.counts = dict(erasure.counts)
        self.damaged: list[RecordDamaged] = []
        # the id of a request is chosen by its caller
        self.stamp = Stamp(at=erasure.at, today=erasure.today, hand=erasure.hand, by=erasure.by)

    def unit(self, stage: ErasureStage, place: int) -> int | None:
        """Do a little of a stage from a place on; return the next place, None at its end."""
        match stage:
            case ErasureStage.machines:
                return self._machines(place)
            case ErasureStage.tickets:
                return self._tickets(place)
            case ErasureStage.quotes:
                return self._quotes(place)
            case ErasureStage.mails:
                return self._mails(place)
            case ErasureStage.answers:
                return None if self._records.answers.forget(_A_FEW) < _A_FEW else place
            case ErasureStage.search:
                is_tidy = self._records.customers.tidy_search(is_first=place == 0)
                return None if is_tidy else 1
            case ErasureStage.damaged:
                return None

    @contextmanager
    def despite_damage(self) -> Iterator[None]:
        """Note a damaged record, and leave what needs it as it is."""
        try:
            yield
        except RecordDamaged as damage:
            self._leave(damage)

    def _leave(self, damage: RecordDamaged) -> None:
        self.counts[DAMAGED] = 1
        if damage.table in _NEED_ADDRESS:
            self.counts[ADDRESS] = 1
        self.damaged.append(damage)

    def _found(self, table: str, read: Callable[[int], tuple[T, ...]]) -> tuple[tuple[T, ...], int]:
        """Return the next records that `read` returns, given how many, and the place after them; no
        record if the next is damaged, and the place 0 if there is none.
        """
        with suppress(RecordDamaged):
            found = read(_A_FEW)
            return found, found[-1].number if found else 0
        try:
            found = read(1)
        except RecordDamaged as damage:
            place = number_of(damage, table)
            self._leave(damage)
            return (), place
        return found, found[-1].number if found else 0

    def _of_quote(self, table: OfQuote[R], number: int) -> tuple[R, ...]:
        """Return the records of a quote that are not damaged."""
        try:
            return table.of_quote(number)
        except RecordDamaged as damage:
            self._leave(damage)
            return table.sound_of_quote(number)

    def _count(self, kind: str, number: int) -> None:
        self.counts[kind] = self.counts.get(kind, 0) + number

    def _machines(self, place: int) -> int | None:
        machines, customer = self._records.machines, self._customer
        found, further = self._found(
            "machines", lambda most: machines.find(customer, place or None, most)
        )
        held = self._held_of("machine")
        for machine in found:
            with self.despite_damage():
                if machine.number not in held:
                    self._machine(machine)
        return further or None

    def _held_of(self, member: str) -> frozenset[int]:
        """Return the machines or the tickets of quotes that stay."""
        quotes = map(self._records.quotes.get, self._held)
        return frozenset(getattr(one, member) for one in quotes if one is not None)

    def _tickets(self, place: int) -> int | None:
        tickets, customer = self._records.tickets, self._customer
        found, further = self._found(
            "tickets", lambda most: tickets.find(customer, None, place or None, most)
        )
        held = self._held_of("ticket")
        for ticket in found:
            with self.despite_damage():
                if ticket.number not in held:
                    self._ticket(ticket)
        return further or None

    def _ticket(self, ticket: Ticket) -> None:
        records = self._records
        if ticket.erased_at is not None:
            return
        for photo in records.photos.of_ticket(ticket.number):
            drop_photo(records, self.stamp, photo)
            self._count("photos", 1)
            forget_requests(records, f"photo:{photo.number}")
        blank = structs.replace(
            ticket,
            version=ticket.version + 1,
            brought_by=None,
            accessories=(),
            complaint=ERASED,
            agreed_by=None if ticket.agreed_by is None else ERASED,
            erased_at=self.stamp.at,
        )
        records.tickets.put(blank)
        self._count("tickets", 1)
        subject = f"ticket:{ticket.number}"
        add_event(records, self.stamp, "ticket.erased", subject, {"version": blank.version})
        forget_requests(records, subject)

    def _machine(self, machine: Machine) -> None:
        if machine.erased_at is not None:
            return
        # family, build code and chassis describe a kind of engine, not a person
        at = self.stamp.at
        blank = structs.replace(
            machine, name=ERASED, serial=None, plate={}, hours=None, note=None, erased_at=at
        )
        machines = self._records.machines
        forget_requests(self._records, f"machine:{machine.number}")
        change_record(self._records, self.stamp, "machine.erased", machines, machine, blank)
        self._count("machines", 1)

    def _quotes(self, place: int) -> int | None:
        quotes, customer = self._records.quotes, self._customer
        found, number = self._found(
            "quotes", lambda _: quotes.of_customer(customer, place or None, 1)
        )
        if not number:
            return None
        if number in self._held:
            return number
        with self.despite_damage():
            if not self._quote(number, next(iter(found), None)):
                return place
        return number

    def _quote(self, number: int, quote: KeptQuote | None) -> bool:
        """Erase what belongs to a quote, which is None if its own record is damaged; return whether
        all of it is erased.
        """
        left = len(self.damaged)
        heads = self._of_quote(self._records.revisions, number)
        is_whole = len(self.damaged) == left
        own = own_revisions(self._records, heads, self._customer)
        to_erase = [one for one in own.values() if not one.is_erased]
        if not self._revisions(to_erase):
            return False
        # a quote of one customer has no revision of another
        is_theirs = quote is not None and quote.customer == self._customer
        is_all = not is_whole and is_theirs and len(own) == len(heads)
        if own or is_all:
            mine = _Mine(
                heads if is_whole or is_all else (), own, _EVERY_REVISION if is_all else own
            )
            self._rest_of_quote(number, quote, mine, is_changed=bool(to_erase))
        shown = None if quote is None else self._records.quotes.get(number)
        if shown is None:
            self._records.quotes.hide(number)
        else:
            self._records.quotes.index(shown)
        return True

    def _revisions(self, heads: Iterable[Revision]) -> bool:
        """Erase revisions as long as there is time; return whether all are erased."""
        is_first = True
        for head in heads:
            if not is_first and not self._has_time():
                return False
            with self.despite_damage():
                whole = self._records.revisions.get(head.quote, head.number)
                if whole is not None:
                    left = structs.replace(self._redact(whole), is_erased=True, reason=None)
                    self._records.revisions.put(left)
                    self._count("revisions", 1)
                is_first = False
        return True

    def _rest_of_quote(
        self, number: int, quote: KeptQuote | None, mine: _Mine, *, is_changed: bool
    ) -> None:
        """Erase what belongs to a customer's revisions of a quote. The quote's event is added when
        something `is_changed`, but at least once.
        """
        records, numbers = self._records, mine.numbers
        consents = self._of_quote(records.authorisations, number)
        given = [one for one in consents if one.revision in numbers]
        # each consent is to the revision that was agreed then
        newest = max((one.revision for one in consents), default=None)
        agreed = newest if quote is None else quote.agreed or quote.shown
        is_billed = agreed in numbers and bool(self._of_quote(records.bills, number))
        if is_billed:
            retain(records, self.stamp, self._customer, number, RetentionWhy.invoices)
        for consent in () if is_billed else given:
            blank = without_name(consent)
            is_changed |= _put(records.authorisations.put, consent, blank)
        additions = self._of_quote(records.additions, number)
        added = [one for one in additions if one.revision in numbers]
        for addition in added:
            unnamed = structs.replace(addition, description=ERASED)
            is_changed |= _put(records.additions.put, addition, unnamed)
        if agreed is not None and agreed in numbers:
            is_changed |= self._account(number)
        if quote is not None and quote.latest in numbers:
            is_changed |= self._aftercare(number)
        # a machine of nobody goes with the last revisions that name it
        with self.despite_damage():
            for machine in tuple(ownerless(records, self._customer, mine.revisions.values())):
                self._machine(machine)
        found = self._of_quote(records.photos, number) if mine.heads else ()
        photos = tuple(photos_of(found, mine.heads, numbers))
        every = (one for one in self._of_quote(records.mails, number) if one.revision in numbers)
        mails = [one for one in every if not is_erased_mail(one)]
        if quote is not None:
            self._tell(quote, numbers, is_changed=is_changed or bool(photos or mails))
        for photo in photos:
            with self.despite_damage():
                drop_photo(records, self.stamp, photo)
        for mail in mails:
            with self.despite_damage():
                erase_mails(records, self.stamp, [mail])
        with self.despite_damage():
            forget_requests(records, f"quote:{number}")
        self._count("authorisations", 0 if is_billed else len(given))
        self._count("additions", len(added))
        self._count("photos", len(photos))
        self._count("quotes", 1)

    def _tell(self, quote: KeptQuote, numbers: Container[int], *, is_changed: bool) -> None:
        """Make the next version of a quote with its event, unless this erasure did and nothing has
        changed since.
        """
        records = self._records
        # the serial number is that of the revision shown, which may be for another customer
        serial = None if quote.shown in numbers else quote.serial
        with self.despite_damage():
            events = records.events.of_subject(f"quote:{quote.number}")
            is_told = any(one.kind == "quote.erased" and one.at == self.stamp.at for one in events)
            if is_changed or not is_told or serial != quote.serial:
                keep_change(records, self.stamp, "quote.erased", quote, serial=serial)

    def _account(self, quote: int) -> bool:
        """Erase personal data of a statement, and the name of who collected the machine; return
        whether there was any.
        """
        records, is_changed = self._records, False
        with self.despite_damage():
            handover = records.handovers.get(quote)
            if handover is not None:
                unnamed = structs.replace(
                    handover, collector=ERASED, storage=without_reason(handover.storage)
                )
                is_changed |= _put(records.handovers.put, handover, unnamed)
        with self.despite_damage():
            kept = records.statements.get(quote)
            if kept is not None and not kept.is_erased:
                is_changed |= _put(records.statements.put, kept, without_names(kept))
        return is_changed

    def _aftercare(self, quote: int) -> bool:
        """Erase what was written of why a machine came back, and of a part that failed; return
        whether there was any.
        """
        records, is_changed = self._records, False
        with self.despite_damage():
            back = records.come_backs.get(quote)
            if back is not None and back.reason is not None:
                unsaid = structs.replace(back, reason=ERASED, who=ERASED)
                is_changed |= _put(records.come_backs.put, back, unsaid)
        for claim in self._of_quote(records.claims, quote):
            blank = structs.replace(
                claim, what=ERASED, reason=None if claim.reason is None else ERASED
            )
            is_changed |= _put(records.claims.put, claim, blank)
        return is_changed

    def _mails(self, place: int) -> int | None:
        email, mails = self._email, self._records.mails
        if email is None:
            return None
        found, further = self._found("mails", lambda most: mails.to(email, place, most))
        for mail in found:
            with self.despite_damage():
                if _names_nobody(self._records, mail):
                    erase_mails(self._records, self.stamp, [mail])
        return further or None


def _put(put: Callable[[P], None], before: P, after: P) -> bool:
    """Store what an erasure leaves of a record; return whether that changes it."""
    if after == before:
        return False
    put(after)
    return True


def _names_nobody(records: Records, mail: Mail) -> bool:
    if mail.quote is None or mail.revision is None:
        # an order, to a supplier with that address
        return False
    revision = records.revisions.get(mail.quote, mail.revision)
    return revision is not None and revision.customer is None
