"""A store in memory: the protocols in as few words as they take, to prove the contract neutral."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime
from typing import Any, TypeVar

from msgspec import structs

from kitwright.keeping.record import (
    Addition,
    Authorisation,
    Customer,
    DueDelivery,
    Event,
    Hook,
    KeptAnswer,
    KeptOrder,
    KeptQuote,
    KeyRecord,
    Machine,
    Mail,
    MailState,
    Photo,
    Revision,
    RevisionState,
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


class MemoryQuotes:
    def __init__(self, state: State) -> None:
        self._state = state

    def add(self, quote: KeptQuote) -> KeptQuote:
        self._check(quote)
        return self._state.number("quotes", quote)

    def _check(self, record: KeptQuote | Revision) -> None:
        self._state.need("customers", record.customer)
        self._state.need("machines", record.machine)

    def get(self, number: int) -> KeptQuote | None:
        return self._state.of("quotes").get(number)

    def put(self, quote: KeptQuote) -> None:
        self._check(quote)
        self._state.put("quotes", quote.number, quote)

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

    def overdue(self, today: date) -> tuple[KeptQuote, ...]:
        revisions = self._state.of("revisions")
        return tuple(
            quote
            for number, quote in sorted(self._state.of("quotes").items())
            if (offer := revisions.get((number, quote.offered))) is not None
            and offer.state is RevisionState.issued
            and offer.valid_until < today
        )

    def add_revision(self, revision: Revision) -> None:
        self._state.need("quotes", revision.quote)
        self._check(revision)
        self._state.add("revisions", (revision.quote, revision.number), revision)

    def put_revision(self, revision: Revision) -> None:
        self._check(revision)
        key = revision.quote, revision.number
        before: Revision | None = self._state.of("revisions").get(key)
        if before is not None and before.state is not RevisionState.draft:
            free: dict[str, object] = {"state": revision.state}
            if revision.is_erased:
                free |= {name: getattr(revision, name) for name in ("request", "answer", "shown")}
                free["is_erased"] = True
            allowed = structs.replace(before, **free)
            if allowed != revision or revision.state is RevisionState.draft:
                raise RevisionSealed("an issued revision never changes")
        self._state.put("revisions", key, revision)

    def mark_revision(
        self,
        quote: int,
        number: int,
        state: RevisionState,
        *,
        issued_at: datetime | None = None,
        sha256: str | None = None,
        shown: bytes | None = None,
    ) -> None:
        before = self.revision(quote, number)
        if before is None:
            raise RecordMissing(f"revision {number} of quote {quote}")
        self.put_revision(
            structs.replace(
                before,
                state=state,
                issued_at=issued_at or before.issued_at,
                sha256=sha256 or before.sha256,
                shown=before.shown if shown is None else shown,
            )
        )

    def revision(self, quote: int, number: int) -> Revision | None:
        return self._state.of("revisions").get((quote, number))

    def revisions(self, quote: int) -> tuple[Revision, ...]:
        return tuple(
            structs.replace(revision, request=b"", answer=b"", reckoning=b"", shown=b"")
            for (whose, _), revision in sorted(self._state.of("revisions").items())
            if whose == quote
        )

    def authorise(self, given: Authorisation) -> None:
        self._state.need("revisions", (given.quote, given.revision))
        self._state.add("authorisations", (given.quote, given.revision), given)

    def authorisations(self, quote: int) -> tuple[Authorisation, ...]:
        return self._of_quote("authorisations", quote)

    def _of_quote(self, name: str, quote: int) -> tuple[Any, ...]:
        found = sorted(self._state.of(name).items())
        return tuple(record for (whose, _), record in found if whose == quote)

    def put_authorisation(self, given: Authorisation) -> None:
        self._state.put("authorisations", (given.quote, given.revision), given)

    def add_addition(self, addition: Addition) -> Addition:
        self._state.need("quotes", addition.quote)
        number = len(self.additions(addition.quote)) + 1
        kept = structs.replace(addition, number=number)
        self._state.add("additions", (addition.quote, number), kept)
        return kept

    def additions(self, quote: int) -> tuple[Addition, ...]:
        return self._of_quote("additions", quote)

    def put_addition(self, addition: Addition) -> None:
        self._state.put("additions", (addition.quote, addition.number), addition)


class MemoryPeople:
    def __init__(self, state: State) -> None:
        self._state = state

    def add_customer(self, customer: Customer) -> Customer:
        return self._state.number("customers", customer)

    def customer(self, number: int) -> Customer | None:
        return self._state.of("customers").get(number)

    def put_customer(self, customer: Customer) -> None:
        self._state.put("customers", customer.number, customer)

    def customers(
        self, words: Sequence[str], before: int | None, most: int
    ) -> tuple[Customer, ...]:
        found = (
            customer
            for customer in self._state.newest("customers", before)
            if all(is_found(parts, customer.name) for parts in sought(words))
        )
        return tuple(found)[:most]

    def add_machine(self, machine: Machine) -> Machine:
        self._state.need("customers", machine.customer)
        return self._state.number("machines", machine)

    def machine(self, number: int) -> Machine | None:
        return self._state.of("machines").get(number)

    def put_machine(self, machine: Machine) -> None:
        self._state.need("customers", machine.customer)
        self._state.put("machines", machine.number, machine)

    def machines(self, customer: int | None, before: int | None, most: int) -> tuple[Machine, ...]:
        found = self._state.newest("machines", before)
        return tuple(one for one in found if customer in (None, one.customer))[:most]


class MemoryOrders:
    def __init__(self, state: State) -> None:
        self._state = state

    def add(self, order: KeptOrder) -> KeptOrder:
        self._state.need("revisions", (order.quote, order.revision))
        self._state.add("order places", (order.quote, order.revision, order.supplier), None)
        return self._state.number("orders", order)

    def get(self, number: int) -> KeptOrder | None:
        return self._state.of("orders").get(number)

    def put(self, order: KeptOrder) -> None:
        self._state.put("orders", order.number, order)

    def find(
        self, quote: int | None, supplier: str | None, before: int | None, most: int
    ) -> tuple[KeptOrder, ...]:
        found = self._state.newest("orders", before)
        return tuple(
            one for one in found if quote in (None, one.quote) and supplier in (None, one.supplier)
        )[:most]


class MemoryPhotos:
    def __init__(self, state: State) -> None:
        self._state = state

    def add(self, photo: Photo) -> Photo:
        self._state.need("quotes", photo.quote)
        return self._state.number("photos", photo)

    def get(self, number: int) -> Photo | None:
        return self._state.of("photos").get(number)

    def of_quote(self, quote: int) -> tuple[Photo, ...]:
        photos = sorted(self._state.of("photos").items())
        return tuple(photo for _, photo in photos if photo.quote == quote)

    def drop(self, number: int) -> None:
        self._state.change("photos").pop(number, None)

    def hashes(self) -> frozenset[str]:
        return frozenset(photo.sha256 for photo in self._state.of("photos").values())


class MemoryKeys:
    def __init__(self, state: State) -> None:
        self._state = state

    def add(self, key: KeyRecord) -> None:
        self._state.add("keys", key.id, key)

    def get(self, id: str) -> KeyRecord | None:  # noqa: A002 - the word of the protocol
        return self._state.of("keys").get(id)

    def put(self, key: KeyRecord) -> None:
        self._state.put("keys", key.id, key)

    def every(self) -> tuple[KeyRecord, ...]:
        return tuple(self._state.of("keys").values())

    def secret(self, name: str) -> bytes | None:
        return self._state.of("secrets").get(name)

    def add_secret(self, name: str, value: bytes) -> None:
        self._state.add("secrets", name, value)


class MemoryEvents:
    def __init__(self, state: State) -> None:
        self._state = state

    def add(self, event: Event, only: int | None = None) -> Event:
        kept = structs.replace(event, seq=self.last() + 1)
        self._state.add("events", kept.seq, kept)
        for hook in self.hooks():
            takes = hook.is_active and event.kind in (hook.kinds or (event.kind,))
            if takes if only is None else hook.number == only:
                self._state.add("waiting", (hook.number, kept.seq), (event.at, 1))
        return kept

    def after(self, seq: int, most: int) -> tuple[Event, ...]:
        return tuple(one for one in self._state.of("events").values() if one.seq > seq)[:most]

    def of_subject(self, subject: str) -> tuple[Event, ...]:
        return tuple(one for one in self._state.of("events").values() if one.subject == subject)

    def last(self) -> int:
        return len(self._state.of("events"))

    def add_hook(self, hook: Hook) -> Hook:
        return self._state.number("hooks", hook)

    def hook(self, number: int) -> Hook | None:
        return self._state.of("hooks").get(number)

    def put_hook(self, hook: Hook) -> None:
        self._state.put("hooks", hook.number, hook)

    def drop_hook(self, number: int) -> None:
        self._state.change("hooks").pop(number, None)
        waiting = self._state.change("waiting")
        for key in [key for key in waiting if key[0] == number]:
            del waiting[key]

    def hooks(self) -> tuple[Hook, ...]:
        return tuple(hook for _, hook in sorted(self._state.of("hooks").items()))

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

    def defer(self, hook: int, seq: int, next_at: datetime) -> None:
        waiting = self._state.change("waiting")
        if (hook, seq) in waiting:
            waiting[hook, seq] = next_at, waiting[hook, seq][1] + 1

    def settle(self, hook: int, seq: int) -> None:
        self._state.change("waiting").pop((hook, seq), None)


class MemoryMails:
    def __init__(self, state: State) -> None:
        self._state = state

    def add(self, mail: Mail) -> Mail:
        self._state.need("revisions", (mail.quote, mail.revision))
        self._state.add("message ids", mail.message_id, None)
        return self._state.number("mails", mail)

    def get(self, number: int) -> Mail | None:
        return self._state.of("mails").get(number)

    def put(self, mail: Mail) -> None:
        self._state.put("mails", mail.number, mail)

    def of_quote(self, quote: int) -> tuple[Mail, ...]:
        mails = sorted(self._state.of("mails").items())
        return tuple(mail for _, mail in mails if mail.quote == quote)

    def to(self, address: str) -> tuple[Mail, ...]:
        # the letters of bytes are those of ASCII
        wanted = address.encode().lower()
        mails = sorted(self._state.of("mails").items())
        return tuple(mail for _, mail in mails if mail.to.encode().lower() == wanted)

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

    def forget(self) -> None:
        self._state.change("answers").clear()


class MemoryRecords:
    def __init__(self, state: State) -> None:
        self.quotes = MemoryQuotes(state)
        self.people = MemoryPeople(state)
        self.orders = MemoryOrders(state)
        self.photos = MemoryPhotos(state)
        self.keys = MemoryKeys(state)
        self.events = MemoryEvents(state)
        self.mails = MemoryMails(state)
        self.answers = MemoryAnswers(state)


def records(state: State) -> Records:
    return MemoryRecords(state)


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
