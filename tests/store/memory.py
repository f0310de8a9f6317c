"""A store in memory: the protocols in as few words as they take, to prove the contract neutral."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from typing import Any, Generic, TypeVar

from msgspec import structs
from tests.store.memory_shelf import MemoryShelf

from kitwright.keeping.aftercare import Claim, ClaimState, KeptComeBack, Notice
from kitwright.keeping.generation import Belonging, Generation
from kitwright.keeping.record import (
    Addition,
    Allocation,
    ClockEntry,
    Customer,
    Disposal,
    DueDelivery,
    Erasure,
    EstimateEntry,
    Event,
    Hook,
    KeptAnswer,
    KeptBill,
    KeptCatalogue,
    KeptOrder,
    KeptQuote,
    KeyRecord,
    Machine,
    Mail,
    MailState,
    OrderEntry,
    OrderState,
    Payment,
    Photo,
    QuoteState,
    Retention,
    Revision,
    RevisionState,
    Ticket,
    Waiting,
)
from kitwright.keeping.store import (
    QuoteFilter,
    RecordConflict,
    RecordMissing,
    Records,
    RevisionSealed,
    StoreUnavailable,
)
from kitwright.keeping.words import sought, words_of

T = TypeVar("T")
R = TypeVar("R", bound=Any)
Table = dict[Any, Any]


class State:
    """Tables, each a dict by key; a copy shares the records, which never change."""

    def __init__(self, tables: dict[str, Table] | None = None, *, is_open: bool = True) -> None:
        self._tables = {name: dict(table) for name, table in (tables or {}).items()}
        self._is_open = is_open

    def copy(self, *, is_open: bool) -> State:
        return State(self._tables, is_open=is_open)

    def of(self, name: str) -> Table:
        return self._tables.setdefault(name, {})

    def change(self, name: str) -> Table:
        if not self._is_open:
            raise StoreUnavailable("a reader changes nothing")
        return self.of(name)

    def add(self, name: str, key: Any, record: Any) -> None:
        if key in self.of(name):
            raise RecordConflict(f"{name} {key} is kept already")
        self.change(name)[key] = record

    def number(self, name: str, record: R) -> R:
        """Return a record with the next number, never one that was given before."""
        last = self.change("last").get(name, 0) + 1
        self.change("last")[name] = last
        kept: R = structs.replace(record, number=last)
        self.add(name, last, kept)
        return kept

    def put(self, name: str, key: Any, record: Any) -> None:
        if key not in self.of(name):
            raise RecordMissing(f"{name} {key}")
        self.change(name)[key] = record

    def need(self, name: str, key: Any) -> None:
        if key is not None and key not in self.of(name):
            raise RecordConflict(f"there is no {name} {key}")

    def newest(self, name: str, before: int | None) -> list[Any]:
        return [
            record
            for number, record in sorted(self.of(name).items(), reverse=True)
            if before is None or number < before
        ]


def is_found(parts: Sequence[str], text: str) -> bool:
    *whole, last = parts
    words = words_of(text)
    return any(
        list(words[start : start + len(whole)]) == whole
        and words[start + len(whole)].startswith(last)
        for start in range(len(words) - len(whole))
    )


class Kept(Generic[R]):
    """Records under a name, each with a key of some members, and what each of them needs."""

    def __init__(
        self,
        state: State,
        name: str,
        *key: str,
        needs: Callable[[R], tuple[tuple[str, Any], ...]] = lambda _: (),
    ) -> None:
        self._state = state
        self._name = name
        self._key = key
        self._needs = needs

    def add(self, record: R) -> R:
        self._check(record)
        if not self._key:
            return self._state.number(self._name, record)
        self._state.add(self._name, self._key_of(record), record)
        return record

    def _check(self, record: R) -> None:
        for name, key in self._needs(record):
            self._state.need(name, key)

    def _key_of(self, record: R) -> Any:
        key = tuple(getattr(record, member) for member in self._key or ("number",))
        return key if len(key) > 1 else key[0]

    def get(self, *key: int | str) -> R | None:
        return self._state.of(self._name).get(key if len(key) > 1 else key[0])

    def put(self, record: R) -> None:
        key = self._key_of(record)
        if key in self._state.of(self._name):
            self._check(record)
        self._state.put(self._name, key, record)

    def drop(self, number: int) -> None:
        self._state.change(self._name).pop(number, None)

    def every(self) -> tuple[R, ...]:
        return self.sorted()

    def sorted(self) -> tuple[R, ...]:
        return tuple(record for _, record in sorted(self._state.of(self._name).items()))

    def of_quote(self, quote: int) -> tuple[R, ...]:
        return tuple(record for record in self.sorted() if record.quote == quote)

    def sound_of_quote(self, quote: int) -> tuple[R, ...]:
        return self.of_quote(quote)


def named(record: Any) -> tuple[tuple[str, Any], ...]:
    return ("customers", record.customer), ("machines", record.machine)


def of_revision(record: Any) -> tuple[tuple[str, Any], ...]:
    if record.quote is None:
        return ()
    return (("revisions", (record.quote, record.revision)),)


def of_order(record: Any) -> tuple[tuple[str, Any], ...]:
    return () if record.order is None else (("orders", record.order),)


class MemoryQuotes(Kept[KeptQuote]):
    def find(self, wanted: QuoteFilter) -> tuple[KeptQuote, ...]:
        words = sought(wanted.words)
        found = (
            quote
            for quote in self._state.newest("quotes", wanted.before)
            if quote.state in (wanted.states or (quote.state,))
            and wanted.customer in (None, quote.customer)
            and wanted.machine in (None, quote.machine)
            and (wanted.made_from or date.min) <= quote.made_on <= (wanted.made_to or date.max)
            and all(any(is_found(parts, text) for text in self._texts(quote)) for parts in words)
            and not (words and quote.number in self._state.of("hidden"))
        )
        return tuple(found)[: wanted.most]

    def _texts(self, quote: KeptQuote) -> list[str]:
        customer = self._state.of("customers").get(quote.customer)
        machine = self._state.of("machines").get(quote.machine)
        texts = [] if quote.serial is None else [str(quote.serial)]
        if customer is not None:
            texts.append(customer.name)
        if machine is not None:
            texts += [machine.name, "" if machine.serial is None else str(machine.serial)]
        return texts

    def of_fleet(self, fleet: int) -> tuple[KeptQuote, ...]:
        quotes = self._state.of("quotes")
        return tuple(quotes[number] for number in sorted(quotes) if quotes[number].fleet == fleet)

    def of_ticket(self, ticket: int) -> tuple[KeptQuote, ...]:
        quotes = self._state.of("quotes")
        return tuple(quotes[number] for number in sorted(quotes) if quotes[number].ticket == ticket)

    def naming(self, customer: int | None, machine: int | None) -> tuple[KeptQuote, ...]:
        named = {("customer", customer), ("machine", machine)} - {
            ("customer", None),
            ("machine", None),
        }
        numbers = {
            one.quote
            for one in self._state.of("revisions").values()
            if named & {("customer", one.customer), ("machine", one.machine)}
        }
        return tuple(one for one in self._state.newest("quotes", None) if one.number in numbers)

    def of_customer(
        self, customer: int, before: int | None, most: int, *, is_open: bool = False
    ) -> tuple[KeptQuote, ...]:
        machines = self._state.of("machines").values()
        named = {("customer", customer)}
        named |= {("machine", one.number) for one in machines if one.customer == customer}
        numbers = {
            one.quote
            for one in self._state.of("revisions").values()
            if named & {("customer", one.customer), ("machine", one.machine)}
        }
        return tuple(
            one
            for one in self._state.newest("quotes", before)
            if one.number in numbers
            and (
                not is_open
                or one.offered is not None
                or (one.agreed is not None and one.state is not QuoteState.done)
            )
        )[:most]

    def index(self, quote: KeptQuote) -> None:
        self._state.change("hidden").pop(quote.number, None)

    def hide(self, number: int) -> None:
        self._state.change("hidden")[number] = True

    def early(self, today: date) -> tuple[KeptQuote, ...]:
        return tuple(
            quote
            for _, quote in sorted(self._state.of("quotes").items())
            if quote.state is QuoteState.expired and quote.valid_until >= today
        )

    def overdue(self, today: date) -> tuple[KeptQuote, ...]:
        revisions = self._state.of("revisions")
        return tuple(
            quote
            for number, quote in sorted(self._state.of("quotes").items())
            if (offer := revisions.get((number, quote.offered))) is not None
            and offer.state is RevisionState.issued
            and offer.valid_until < today
        )


class MemoryRevisions(Kept[Revision]):
    def put(self, record: Revision) -> None:
        before = self.get(record.quote, record.number)
        if before is not None and before.state is not RevisionState.draft:
            free: dict[str, object] = {"state": record.state, "reason": record.reason}
            if record.is_erased:
                free |= {name: getattr(record, name) for name in ("request", "answer", "shown")}
                free["is_erased"] = True
            allowed = structs.replace(before, **free)
            if allowed != record or record.state is RevisionState.draft:
                raise RevisionSealed("an issued revision never changes")
        super().put(record)

    def mark(
        self, quote: int, number: int, state: RevisionState, reason: str | None = None
    ) -> None:
        before = self.get(quote, number)
        if before is None:
            raise RecordMissing(f"revision {number} of quote {quote}")
        self.put(structs.replace(before, state=state, reason=reason))

    def of_quote(self, quote: int) -> tuple[Revision, ...]:
        return tuple(
            structs.replace(revision, request=b"", answer=b"", reckoning=b"", shown=b"")
            for revision in super().of_quote(quote)
        )


class MemoryAdditions(Kept[Addition]):
    def add(self, record: Addition) -> Addition:
        return super().add(structs.replace(record, number=len(self.of_quote(record.quote)) + 1))


class MemoryCustomers(Kept[Customer]):
    def find(self, words: Sequence[str], before: int | None, most: int) -> tuple[Customer, ...]:
        found = (
            customer
            for customer in self._state.newest("customers", before)
            if all(is_found(parts, customer.name) for parts in sought(words))
        )
        return tuple(found)[:most]

    def tidy_search(self, *, is_first: bool) -> bool:
        return not is_first


class MemoryMachines(Kept[Machine]):
    def find(self, customer: int | None, before: int | None, most: int) -> tuple[Machine, ...]:
        found = self._state.newest("machines", before)
        return tuple(one for one in found if customer in (None, one.customer))[:most]


class MemoryTickets(Kept[Ticket]):
    def find(
        self, customer: int | None, machine: int | None, before: int | None, most: int
    ) -> tuple[Ticket, ...]:
        found = self._state.newest("tickets", before)
        return tuple(
            one
            for one in found
            if customer in (None, one.customer) and machine in (None, one.machine)
        )[:most]


class MemoryOrders(Kept[KeptOrder]):
    def find(
        self,
        quote: int | None,
        supplier: str | None,
        before: int | None,
        most: int,
        state: OrderState | None = None,
    ) -> tuple[KeptOrder, ...]:
        allocated = self._state.of("allocations")
        return tuple(
            one
            for one in self._state.newest("orders", before)
            if (quote is None or (one.number, quote) in allocated)
            and supplier in (None, one.supplier)
            and state in (None, one.state)
        )[:most]


class MemoryAllocations(Kept[Allocation]):
    def of_order(self, order: int) -> tuple[Allocation, ...]:
        found = self._state.of("allocations").values()
        return tuple(one for one in found if one.order == order)


class MemoryEntries(Kept[OrderEntry]):
    def add(self, record: OrderEntry) -> OrderEntry:
        return super().add(structs.replace(record, number=len(self.of_order(record.order)) + 1))

    def of_order(self, order: int) -> tuple[OrderEntry, ...]:
        return tuple(one for one in self.sorted() if one.order == order)


class MemoryPayments(Kept[Payment]):
    def add(self, record: Payment) -> Payment:
        return super().add(structs.replace(record, number=len(self.of_quote(record.quote)) + 1))


class MemoryBills(Kept[KeptBill]):
    def add(self, record: KeptBill) -> KeptBill:
        places = self.places(record.series)
        is_next = record.place == self.last(record.series) + 1
        if record.place in places or not (is_next or record.entered_at):
            raise RecordConflict("the numbers of a series have no gaps")
        return super().add(record)

    def places(self, series: str) -> tuple[int, ...]:
        return tuple(sorted(one.place for one in self.sorted() if one.series == series))

    def last(self, series: str) -> int:
        return max((one.place for one in self.sorted() if one.series == series), default=0)

    def of_quote(self, quote: int) -> tuple[KeptBill, ...]:
        return tuple(one for one in self.sorted() if one.quote == quote)

    def quotes_billed(self, customer: int) -> tuple[int, ...]:
        return tuple(sorted({one.quote for one in self.sorted() if one.buyer == customer}))

    def named(self, series: str, place: int) -> KeptBill | None:
        found = (one for one in self.sorted() if (one.series, one.place) == (series, place))
        return next(found, None)

    def find(self, before: int | None, most: int) -> tuple[KeptBill, ...]:
        return tuple(self._state.newest(self._name, before)[:most])

    def series(self) -> tuple[tuple[str, int], ...]:
        return tuple({one.series: self.last(one.series) for one in self.sorted()}.items())


class MemoryClock(Kept[ClockEntry]):
    def add(self, record: ClockEntry) -> ClockEntry:
        return super().add(structs.replace(record, number=len(self.of_quote(record.quote)) + 1))

    def of_day(self, day: date) -> tuple[ClockEntry, ...]:
        return tuple(one for one in self.sorted() if one.day == day)


class MemoryComeBacks(Kept[KeptComeBack]):
    def of_visit(self, visit: int) -> tuple[KeptComeBack, ...]:
        return tuple(one for one in self.sorted() if one.visit == visit)


class MemoryClaims(Kept[Claim]):
    def find(
        self, quote: int | None, state: ClaimState | None, before: int | None, most: int
    ) -> tuple[Claim, ...]:
        found = [
            one
            for one in reversed(self.sorted())
            if quote in (None, one.quote)
            and state in (None, one.state)
            and (before is None or one.number < before)
        ]
        return tuple(found[:most])


class MemoryNotices(Kept[Notice]):
    def add(self, record: Notice) -> Notice:
        return super().add(structs.replace(record, number=len(self.of_quote(record.quote)) + 1))


class MemoryEstimates(Kept[EstimateEntry]):
    def last(self) -> int:
        return max((one.number for one in self.sorted()), default=0)

    def every(self) -> tuple[EstimateEntry, ...]:
        return self.sorted()


class MemoryCatalogues(Kept[KeptCatalogue]):
    def drop_unused(self) -> None:
        ongoing = {
            (quote.number, quote.state is not QuoteState.done)
            for quote in self._state.of("quotes").values()
        }
        used = {
            revision.catalogue_revision
            for revision in self._state.of("revisions").values()
            if revision.state is RevisionState.issued
            or (revision.state is RevisionState.accepted and (revision.quote, True) in ongoing)
        }
        for revision in set(self._state.of("catalogues")) - used:
            del self._state.change("catalogues")[revision]


class MemoryPhotos(Kept[Photo]):
    def of_ticket(self, ticket: int) -> tuple[Photo, ...]:
        return tuple(photo for photo in self.sorted() if photo.ticket == ticket)

    def hashes(self) -> frozenset[str]:
        return frozenset(photo.sha256 for photo in self.sorted())


class MemoryKeys(Kept[KeyRecord]):
    def every(self) -> tuple[KeyRecord, ...]:
        return tuple(self._state.of("keys").values())

    def usable(self) -> tuple[KeyRecord, ...]:
        return self.every()

    def secret(self, name: str) -> bytes | None:
        return self._state.of("secrets").get(name)

    def add_secret(self, name: str, value: bytes) -> None:
        self._state.add("secrets", name, value)


class MemoryHooks(Kept[Hook]):
    def drop(self, number: int) -> None:
        super().drop(number)
        waiting = self._state.change("waiting")
        for key in [key for key in waiting if key[0] == number]:
            del waiting[key]


class MemoryEvents:
    def __init__(self, state: State) -> None:
        self._state = state

    def add(self, event: Event, only: int | None = None) -> Event:
        last = self._state.change("last").get("events", 0) + 1
        self._state.change("last")["events"] = last
        kept = structs.replace(event, seq=last)
        self._state.add("events", kept.seq, kept)
        for hook in self._state.of("hooks").values():
            takes = hook.is_active and event.kind in (hook.kinds or (event.kind,))
            if takes if only is None else hook.number == only:
                self._state.add("waiting", (hook.number, kept.seq), (event.at, 1))
        return kept

    def put(self, record: Event) -> None:
        before = structs.replace(self._state.of("events")[record.seq], request_id="")
        if structs.replace(record, request_id="") != before:
            raise RecordConflict("an event never changes")
        self._state.put("events", record.seq, record)

    def after(self, seq: int, most: int) -> tuple[Event, ...]:
        return tuple(one for one in self._state.of("events").values() if one.seq > seq)[:most]

    def of_subject(self, subject: str) -> tuple[Event, ...]:
        return tuple(one for one in self._state.of("events").values() if one.subject == subject)

    def last(self) -> int:
        return max(self._state.of("events"), default=0)

    def deliveries(self) -> tuple[tuple[int, int], ...]:
        return tuple(sorted(self._state.of("waiting"), key=lambda one: (one[1], one[0])))

    def _waiting(self) -> list[tuple[datetime, int, int, int]]:
        """Return when, event, hook and attempt of what waits for active hooks, in that order."""
        return sorted(
            (at, seq, hook, attempt)
            for (hook, seq), (at, attempt) in self._state.of("waiting").items()
            if self._state.of("hooks")[hook].is_active
        )

    def due(self, now: datetime, most: int) -> tuple[DueDelivery, ...]:
        events, hooks = self._state.of("events"), self._state.of("hooks")
        first: dict[int, tuple[datetime, int, int, int]] = {}
        for one in self._waiting():
            hook = one[2]
            if one[0] <= now and (hook not in first or one[1] < first[hook][1]):
                first[hook] = one
        due = sorted(first.values())
        return tuple(
            DueDelivery(hook=hooks[hook], event=events[seq], attempt=attempt)
            for _, seq, hook, attempt in due[:most]
        )

    def soonest(self) -> datetime | None:
        waiting = self._waiting()
        return waiting[0][0] if waiting else None

    def waiting(self) -> Waiting:
        first = min((seq for _, seq, _, _ in self._waiting()), default=None)
        since = None if first is None else self._state.of("events")[first].at
        return Waiting(len(self._waiting()), since)

    def defer(self, hook: int, seq: int, next_at: datetime) -> None:
        waiting = self._state.change("waiting")
        if (hook, seq) in waiting:
            waiting[hook, seq] = next_at, waiting[hook, seq][1] + 1

    def settle(self, hook: int, seq: int) -> None:
        self._state.change("waiting").pop((hook, seq), None)


class MemoryMails(Kept[Mail]):
    def add(self, record: Mail) -> Mail:
        self._state.add("message ids", record.message_id, None)
        return super().add(record)

    def to(self, address: str, after: int, most: int) -> tuple[Mail, ...]:
        # the letters of bytes are those of ASCII
        wanted = address.encode().lower()
        mails = sorted(self._state.of("mails").items())
        found = (mail for _, mail in mails if mail.to.encode().lower() == wanted)
        return tuple(mail for mail in found if mail.number > after)[:most]

    def queued_of(self, quote: int) -> tuple[Mail, ...]:
        return tuple(one for one in self.of_quote(quote) if one.state is MailState.queued)

    def of_order(self, order: int) -> tuple[Mail, ...]:
        return tuple(mail for mail in self.sorted() if mail.order == order)

    def _waiting(self) -> list[tuple[datetime, int]]:
        return sorted(
            (mail.next_at, number)
            for number, mail in self._state.of("mails").items()
            if mail.state is MailState.queued and mail.next_at is not None
        )

    def due(self, now: datetime, most: int) -> tuple[Mail, ...]:
        come = [number for at, number in self._waiting() if at <= now][:most]
        return tuple(self._state.of("mails")[number] for number in come)

    def soonest(self) -> datetime | None:
        waiting = self._waiting()
        return waiting[0][0] if waiting else None

    def waiting(self) -> Waiting:
        queued = [one.made_at for one in self.sorted() if one.state is MailState.queued]
        return Waiting(len(queued), min(queued, default=None))


class MemoryTrial:
    def __init__(self, state: State) -> None:
        self._state = state

    def write(self) -> int:
        self._state.change("trial")[0] = number = self.read() + 1
        return number

    def read(self) -> int:
        return int(self._state.of("trial").get(0, 0))


class MemoryAnswers:
    def __init__(self, state: State) -> None:
        self._state = state

    def get(self, key: str, idempotency_key: str, now: datetime) -> KeptAnswer | None:
        answer: KeptAnswer | None = self._state.of("answers").get((key, idempotency_key))
        return answer if answer is not None and answer.expires_at > now else None

    def add(self, answer: KeptAnswer, now: datetime) -> None:
        answers = self._state.change("answers")
        for key in [key for key, kept in answers.items() if kept.expires_at <= now]:
            del answers[key]
        self._state.add("answers", (answer.key, answer.idempotency_key), answer)

    def forget(self, most: int) -> int:
        answers = self._state.change("answers")
        gone = list(answers)[:most]
        for key in gone:
            del answers[key]
        return len(gone)


class MemoryErasures(Kept[Erasure]):
    def of_customer(self, customer: int) -> Erasure | None:
        return next((one for one in self.sorted() if one.customer == customer), None)


class MemoryRetentions(Kept[Retention]):
    def of_customer(self, customer: int) -> tuple[Retention, ...]:
        return tuple(one for one in self.sorted() if one.customer == customer)

    def every(self) -> tuple[Retention, ...]:
        return tuple(self.sorted())


class MemoryDisposals(Kept[Disposal]):
    def next(self, after: int, most: int) -> tuple[Disposal, ...]:
        return tuple(one for one in self.sorted() if one.number > after)[:most]


COUNTED = (
    *("customers", "machines", "quotes", "orders", "photos", "hooks", "mails", "events"),
    "tickets",
    *("holdings", "moves"),
)
FIRST = Generation(
    number=1,
    epoch="00000000aa",
    after=0,
    begun_at=datetime(2027, 1, 1, tzinfo=UTC),
    released_at=datetime(2027, 1, 1, tzinfo=UTC),
)


class MemoryGenerations:
    def __init__(self, state: State) -> None:
        self._state = state

    def every(self) -> tuple[Generation, ...]:
        later = sorted(self._state.of("generations").items())
        return (
            (FIRST, *(one for _, one in later))
            if 1 not in dict(later)
            else tuple(one for _, one in later)
        )

    def current(self) -> Generation:
        return self.every()[-1]

    def begin(self, generation: Generation, left_out: int) -> Generation:
        after = max(self._state.of("events"), default=0)
        begun = structs.replace(generation, number=self.current().number + 1, after=after)
        self._state.add("generations", begun.number, begun)
        for name in COUNTED:
            last = self._state.of("last").get(name, 0)
            self._state.change("last")[name] = last + left_out
        return begun

    def put(self, record: Generation) -> None:
        if record.number not in [one.number for one in self.every()]:
            raise RecordMissing(f"generation {record.number}")
        self._state.change("generations")[record.number] = record

    def belonging(self) -> Belonging:
        found: Belonging = self._state.of("folder").get("belonging", Belonging())
        return found

    def belong(self, to: Belonging) -> None:
        self._state.change("folder")["belonging"] = to


def records(state: State) -> Records:
    def of_a_quote(record: Any) -> tuple[tuple[str, Any], ...]:
        return (("quotes", record.quote),)

    return Records(
        quotes=MemoryQuotes(
            state,
            "quotes",
            needs=lambda one: (*named(one), ("quotes", one.fleet), ("tickets", one.ticket)),
        ),
        revisions=MemoryRevisions(
            state,
            "revisions",
            "quote",
            "number",
            needs=lambda revision: (*of_a_quote(revision), *named(revision)),
        ),
        authorisations=Kept(state, "authorisations", "quote", "revision", needs=of_revision),
        additions=MemoryAdditions(state, "additions", "quote", "number", needs=of_a_quote),
        statements=Kept(state, "statements", "quote", needs=of_a_quote),
        payments=MemoryPayments(state, "payments", "quote", "number", needs=of_a_quote),
        handovers=Kept(state, "handovers", "quote", needs=of_a_quote),
        bills=MemoryBills(state, "bills", needs=of_a_quote),
        clock_entries=MemoryClock(state, "clock entries", "quote", "number", needs=of_a_quote),
        come_backs=MemoryComeBacks(
            state,
            "come backs",
            "quote",
            needs=lambda one: (*of_a_quote(one), ("quotes", one.visit)),
        ),
        claims=MemoryClaims(
            state,
            "claims",
            needs=lambda one: (*of_a_quote(one), ("quotes", one.visit), *of_order(one)),
        ),
        notices=MemoryNotices(state, "notices", "quote", "number", needs=of_a_quote),
        estimates=MemoryEstimates(state, "estimates"),
        catalogues=MemoryCatalogues(state, "catalogues", "revision"),
        customers=MemoryCustomers(state, "customers"),
        machines=MemoryMachines(
            state, "machines", needs=lambda machine: (("customers", machine.customer),)
        ),
        tickets=MemoryTickets(state, "tickets", needs=named),
        orders=MemoryOrders(state, "orders", needs=of_revision),
        allocations=MemoryAllocations(
            state,
            "allocations",
            "order",
            "quote",
            needs=lambda one: (*of_order(one), *of_revision(one)),
        ),
        order_entries=MemoryEntries(state, "order entries", "order", "number", needs=of_order),
        photos=MemoryPhotos(
            state,
            "photos",
            needs=lambda one: (("quotes", one.quote), ("tickets", one.ticket)),
        ),
        keys=MemoryKeys(state, "keys", "id"),
        events=MemoryEvents(state),
        hooks=MemoryHooks(state, "hooks"),
        mails=MemoryMails(state, "mails", needs=lambda one: (*of_order(one), *of_revision(one))),
        answers=MemoryAnswers(state),
        generations=MemoryGenerations(state),
        trial=MemoryTrial(state),
        erasures=MemoryErasures(
            state, "erasures", needs=lambda erasure: (("customers", erasure.customer),)
        ),
        retentions=MemoryRetentions(
            state,
            "retentions",
            needs=lambda one: (("customers", one.customer), *of_a_quote(one)),
        ),
        disposals=MemoryDisposals(state, "disposals"),
        shelf=MemoryShelf(state),
    )


class MemoryStore:
    """Keeps whatever was kept in a place, which outlives it."""

    def __init__(self, place: dict[str, State]) -> None:
        self._place = place
        place.setdefault("now", State())

    def read(self, work: Callable[[Records], T]) -> T:
        return work(records(self._place["now"].copy(is_open=False)))

    async def write(self, work: Callable[[Records], T]) -> T:
        after = self._place["now"].copy(is_open=True)
        try:
            result = work(records(after))
        except SystemExit as end:
            raise RuntimeError("a piece of work ends no program") from end
        self._place["now"] = after
        return result
