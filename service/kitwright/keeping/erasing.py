"""Erasing: removes a customer's personal data in short steps, each of them durable.

The first transaction refuses or begins: from then on the customer is erased for everybody, and a
record of the erasure says what is still to be done. Each step does some of it and notes how far it
came. So a process that breaks off leaves nothing behind: whoever opens the records next goes on.

A damaged record can't be erased, because nothing tells what is in it. Everything else is, and the
erasure stays under way until it is begun again and finds no damage.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Container, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import datetime
from time import monotonic
from typing import Final, NamedTuple, TypeVar

from msgspec import Struct, structs

from kitwright.keeping.aftercare import Claim, KeptComeBack
from kitwright.keeping.dossier import EVERY, own_revisions, ownerless, photos_of
from kitwright.keeping.event import add_event, change_record, keep_change
from kitwright.keeping.mail import erase_mails, is_erased_mail
from kitwright.keeping.people import AlreadyErased, PeopleError
from kitwright.keeping.photo import drop_photo
from kitwright.keeping.record import (
    Addition,
    Authorisation,
    Customer,
    Erasure,
    ErasureStage,
    FromAfar,
    Handover,
    KeptQuote,
    KeptStatement,
    Machine,
    Mail,
    QuoteState,
    Revision,
    Stamp,
    Ticket,
)
from kitwright.keeping.store import OfQuote, RecordDamaged, Records, Store
from kitwright.quote import encode_billing, read_statement

ERASED: Final = "erased"
"""The text that replaces a name."""
_FREE: Final = "free"
"""The kind of the added lines, whose text is written manually."""
_ADDED: Final = "addition-"
"""The start of the code of a line that was added after the acceptance."""
_A_FEW: Final = 20
"""How many small records are erased before the clock is looked at again."""
_MOST_BUSY: Final = 100
"""How many quotes under way are looked at before an erasure is refused."""
_STEP_SECONDS: Final = 0.01
"""How long a step may go on; it may end a little later."""
_DAMAGED: Final = "damaged"
"""What is counted if a record that can't be read was left."""
_ADDRESS: Final = "address"
"""What is counted if the address is needed to find what was left."""
_NEED_ADDRESS: Final = frozenset({"mails", "revisions"})
"""Tables whose damaged records may hide e-mails to the address."""
_KEPT_COUNTS: Final = frozenset({"machines", "tickets", "revisions", "photos"})
"""Kinds of records that are not found again if an erasure is begun again."""
_EVERY_REVISION: Final = range(EVERY)
"""The numbers of all revisions of a quote."""
T = TypeVar("T", Machine, Mail, KeptQuote, Ticket)
R = TypeVar("R")
P = TypeVar("P", Addition, Authorisation, Claim, Handover, KeptComeBack, KeptStatement)
Redact = Callable[[Revision], Revision]
"""Removes personal data from a revision's bodies."""
HasTime = Callable[[], bool]
"""Whether a step may go on."""


class StillAtWork(PeopleError):
    """A customer for whom work is still under way can't be erased."""

    code = "still-at-work"

    def __init__(self, quotes: tuple[int, ...]) -> None:
        listed = ", ".join(f"Q{number}" for number in quotes)
        super().__init__(f"quotes still offered, agreed or in work must be ended first: {listed}")
        self.quotes = quotes


class DamageLeft(RecordDamaged):
    """Everything of a customer is erased but some damaged records.

    Args:
        damaged: what was found, at least one.
    """

    def __init__(self, customer: int, damaged: Iterable[RecordDamaged]) -> None:
        first, *more = damaged
        super().__init__(first.table, first.key)
        names = (f"{one.table} {' '.join(map(str, one.key))}" for one in (first, *more))
        self.args = (
            f"customer C{customer} is not completely erased: {', '.join(names)} can't be read, and "
            "stay as they are; everything else is erased. `kitwright doctor` lists every damaged "
            "record. Erase the customer again once they are repaired",
        )


def begin_erasure(
    records: Records, stamp: Stamp, customer: Customer, *, even_at_work: bool = False
) -> Erasure:
    """Return the erasure of a customer: the one that is under way, else a new one. With it, the
    customer's own record is erased, and names nobody any longer. One that left damaged records
    starts again from the beginning.

    `even_at_work` begins also while work is under way, because the customer was erased before, and
    a restore has undone that.

    Raises: AlreadyErased, if nothing is left to be erased; StillAtWork.
    """
    under_way = records.erasures.of_customer(customer.number)
    if under_way is not None:
        return begin_again(records, under_way)
    if customer.erased_at is not None:
        raise AlreadyErased(customer.number)
    busy = () if even_at_work else tuple(_busy(records, customer.number))
    if busy:
        raise StillAtWork(tuple(sorted(busy)))
    blank = _blank(customer.number, customer.version + 1, customer.made_at)
    records.customers.put(structs.replace(blank, erased_at=stamp.at))
    return records.erasures.add(
        Erasure(
            number=0,
            customer=customer.number,
            email=customer.email,
            at=stamp.at,
            today=stamp.today,
            hand=stamp.hand,
            by=stamp.by,
            request_id=stamp.request_id,
            stage=ErasureStage.machines,
            place=0,
            counts={},
        )
    )


def begin_again(records: Records, erasure: Erasure) -> Erasure:
    """Return an erasure that is under way: from the beginning if it left damaged records."""
    if erasure.stage is not ErasureStage.damaged:
        return erasure
    counts = {kind: number for kind, number in erasure.counts.items() if kind in _KEPT_COUNTS}
    again = structs.replace(erasure, stage=ErasureStage.machines, place=0, counts=counts)
    records.erasures.put(again)
    return again


def lost_customer(records: Records, number: int, at: datetime) -> Customer:
    """Return a customer whose record can't be read, as far as events tell of it, to be erased.

    The address is not known, so e-mails to it about quotes that are nobody's stay.
    """
    events = records.events.of_subject(f"customer:{number}")
    versions = (one.facts.get("version") for one in events)
    return _blank(
        number,
        max((one for one in versions if isinstance(one, int)), default=0),
        events[0].at if events else at,
    )


def _blank(number: int, version: int, made_at: datetime) -> Customer:
    """Return a customer of whom nothing is known."""
    return Customer(
        number=number,
        version=version,
        name=ERASED,
        email=None,
        telephone=None,
        address=None,
        language=None,
        certificate_number=None,
        certificate_until=None,
        note=None,
        made_at=made_at,
        erased_at=None,
    )


def _busy(records: Records, customer: int) -> Iterator[int]:
    """Yield the quotes of which a revision of a customer is offered, or agreed and not done, as far
    as they can be read.
    """
    for quote in _opened(records, customer):
        with suppress(RecordDamaged):
            own = own_revisions(records, records.revisions.of_quote(quote.number), customer)
            is_agreed = quote.agreed in own and quote.state is not QuoteState.done
            if quote.offered in own or is_agreed:
                yield quote.number


def _opened(records: Records, customer: int) -> Iterator[KeptQuote]:
    """Yield quotes of a customer with an offer or an agreement, but no damaged ones."""
    place: int | None = None
    for _ in range(_MOST_BUSY):
        try:
            found = records.quotes.of_customer(customer, place, 1, is_open=True)
        except RecordDamaged as damage:
            place = _number(damage, "quotes")
            continue
        if not found:
            return
        place = found[0].number
        yield found[0]


def _number(damage: RecordDamaged, table: str) -> int:
    """Return the number of a damaged record of a table. Raises: RecordDamaged, if of another."""
    number = damage.key[0] if damage.table == table and damage.key else None
    if not isinstance(number, int):
        raise damage
    # 0 stands for no place
    return number or -1


class Step(Struct, frozen=True):
    """How far an erasure has come, whether it is the last step, and the damaged records that were
    found and left.
    """

    erasure: Erasure
    is_last: bool
    damaged: tuple[RecordDamaged, ...] = ()


def erase_step(records: Records, number: int, *, redact: Redact, has_time: HasTime) -> Step | None:
    """Erase more of a customer, as long as `has_time` but at least a little; None if no such
    erasure is under way, or only damaged records are left of it.

    Every figure stays: quotes, revisions, limits, orders. Names, contact details, plates, serial
    numbers, words of consent, reasons, photographs and e-mails are erased. `redact` removes
    personal data from a revision's bodies.

    All stored answers to idempotent calls are deleted, because an answer does not say whose data it
    holds. A call of the last day that is sent again afterwards is therefore executed again, unless
    its `If-Match` refuses it.
    """
    erasure = records.erasures.get(number)
    if erasure is None or erasure.stage is ErasureStage.damaged:
        return None
    work = _Work(records, erasure, redact, has_time)
    stages = [stage for stage in ErasureStage if stage is not ErasureStage.damaged]
    at, place, is_first = stages.index(erasure.stage), erasure.place, True
    while at < len(stages) and (is_first or has_time()):
        is_first = False
        further = work.unit(stages[at], place)
        at, place = (at + 1, 0) if further is None else (at, further)
    is_last = at == len(stages)
    subject = f"customer:{erasure.customer}"
    if is_last:
        with work.despite_damage():
            _forget_requests(records, subject)
    is_done = is_last and _DAMAGED not in work.counts
    stage = ErasureStage.damaged if is_last else stages[at]
    email = erasure.email if not is_last or _ADDRESS in work.counts else None
    after = structs.replace(erasure, stage=stage, place=place, counts=work.counts, email=email)
    if is_done:
        records.erasures.drop(number)
        left = records.customers.get(erasure.customer)
        version = 0 if left is None else left.version
        add_event(records, work.stamp, "customer.erased", subject, {"version": version})
    else:
        records.erasures.put(after)
    return Step(after, is_last, tuple(work.damaged))


def erase_now(
    records: Records,
    stamp: Stamp,
    customer: Customer,
    *,
    redact: Redact,
    even_at_work: bool = False,
) -> Erasure:
    """Erase a customer in one transaction, however long it takes; return what was erased.

    Raises: AlreadyErased, StillAtWork.
    """
    erasure = begin_erasure(records, stamp, customer, even_at_work=even_at_work)
    return finish_now(records, erasure, redact=redact)


def finish_now(records: Records, erasure: Erasure, *, redact: Redact) -> Erasure:
    """Finish an erasure in one transaction, however long it takes; return what was erased. It stays
    under way if damaged records are left.
    """
    while step := erase_step(records, erasure.number, redact=redact, has_time=lambda: True):
        erasure = step.erasure
    return erasure


async def erase_in_steps(
    store: Store,
    erasure: Erasure,
    *,
    redact: Redact,
    rest: Callable[[], Awaitable[None]],
) -> Step:
    """Finish an erasure; return the last step, with every damaged record that was left.

    Args:
        rest: called between two steps, to let others write.

    Raises: StoreFull, StoreUnavailable; then it may be finished later.
    """

    def work(records: Records) -> Step | None:
        until = monotonic() + _STEP_SECONDS
        return erase_step(
            records, erasure.number, redact=redact, has_time=lambda: monotonic() < until
        )

    damaged = dict[tuple[str, tuple[object, ...]], RecordDamaged]()
    while step := await store.write(work):
        erasure = step.erasure
        damaged |= {(one.table, one.key): one for one in step.damaged}
        if step.is_last:
            break
        await rest()
    return Step(erasure, is_last=True, damaged=tuple(damaged.values()))


def _forget_requests(records: Records, subject: str) -> None:
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


class _Work:
    """The work of one step: a unit of a stage after the other."""

    def __init__(
        self, records: Records, erasure: Erasure, redact: Redact, has_time: HasTime
    ) -> None:
        self._records = records
        self._customer = erasure.customer
        self._email = erasure.email
        self._redact = redact
        self._has_time = has_time
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
        self.counts[_DAMAGED] = 1
        if damage.table in _NEED_ADDRESS:
            self.counts[_ADDRESS] = 1
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
            place = _number(damage, table)
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
        for machine in found:
            with self.despite_damage():
                self._machine(machine)
        return further or None

    def _tickets(self, place: int) -> int | None:
        tickets, customer = self._records.tickets, self._customer
        found, further = self._found(
            "tickets", lambda most: tickets.find(customer, None, place or None, most)
        )
        for ticket in found:
            with self.despite_damage():
                self._ticket(ticket)
        return further or None

    def _ticket(self, ticket: Ticket) -> None:
        records = self._records
        if ticket.erased_at is not None:
            return
        for photo in records.photos.of_ticket(ticket.number):
            drop_photo(records, self.stamp, photo)
            self._count("photos", 1)
            _forget_requests(records, f"photo:{photo.number}")
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
        _forget_requests(records, subject)

    def _machine(self, machine: Machine) -> None:
        if machine.erased_at is not None:
            return
        # family, build code and chassis describe a kind of engine, not a person
        at = self.stamp.at
        blank = structs.replace(
            machine, name=ERASED, serial=None, plate={}, hours=None, note=None, erased_at=at
        )
        machines = self._records.machines
        _forget_requests(self._records, f"machine:{machine.number}")
        change_record(self._records, self.stamp, "machine.erased", machines, machine, blank)
        self._count("machines", 1)

    def _quotes(self, place: int) -> int | None:
        quotes, customer = self._records.quotes, self._customer
        found, number = self._found(
            "quotes", lambda _: quotes.of_customer(customer, place or None, 1)
        )
        if not number:
            return None
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
        for consent in given:
            blank = structs.replace(
                consent,
                who=ERASED,
                contact=None,
                text=ERASED,
                from_afar=_unnamed(consent.from_afar),
            )
            is_changed |= _put(records.authorisations.put, consent, blank)
        additions = self._of_quote(records.additions, number)
        added = [one for one in additions if one.revision in numbers]
        for addition in added:
            unnamed = structs.replace(addition, description=ERASED)
            is_changed |= _put(records.additions.put, addition, unnamed)
        # each consent is to the revision that was agreed then
        newest = max((one.revision for one in consents), default=None)
        agreed = newest if quote is None else quote.agreed or quote.shown
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
            _forget_requests(records, f"quote:{number}")
        self._count("authorisations", len(given))
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
                unnamed = structs.replace(handover, collector=ERASED)
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


def without_names(kept: KeptStatement) -> KeptStatement:
    """Return a statement without serial number, certificate and text written at the counter.
    Amounts stay.
    """
    statement = read_statement(kept.body)
    exemption = statement.exemption
    lines = tuple(
        structs.replace(line, description=ERASED)
        if line.kind == _FREE or line.code.startswith(_ADDED)
        else line
        for line in statement.lines
    )
    engine = statement.engine
    left = structs.replace(
        statement,
        engine=None if engine is None else structs.replace(engine, serial=None, build_code=None),
        lines=lines,
        disposed=tuple(structs.replace(one, what=ERASED, where=None) for one in statement.disposed),
        exemption=None
        if exemption is None
        else structs.replace(exemption, certificate_number=ERASED),
    )
    return structs.replace(kept, is_erased=True, body=encode_billing(left))


def _names_nobody(records: Records, mail: Mail) -> bool:
    if mail.quote is None or mail.revision is None:
        # an order, to a supplier with that address
        return False
    revision = records.revisions.get(mail.quote, mail.revision)
    return revision is not None and revision.customer is None


def _unnamed(made: FromAfar | None) -> FromAfar | None:
    """Return what is known of a right to withdraw, without the name of who did."""
    if made is None or made.withdrawn_by is None:
        return made
    return structs.replace(made, withdrawn_by=ERASED)
