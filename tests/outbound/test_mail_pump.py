"""The pump of mails over a store in memory and on disk, to a server that fails in every way."""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import TypeVar

import pytest
from msgspec import structs
from tests.outbound.mail_server import MailServer, mail_server
from tests.outbound.test_mail import mailer
from tests.store.memory import MemoryStore
from tests.store.small import DAY, HOUR, NOON, STAMP, keep_issued

from kitwright.keeping import mail as mails
from kitwright.keeping.mail import RETRY_DELAYS
from kitwright.keeping.record import Mail, MailState
from kitwright.keeping.store import Records, Store, StoreFull
from kitwright.mailing import StoredMails
from kitwright.outbound.mail import Fate, Mailer, MailOutcome, Outgoing
from kitwright.outbound.mail_pump import MailPump
from kitwright.store.engine import SqliteStore

T = TypeVar("T")
BODY = b"Subject: Quote\r\nMessage-ID: <%s>\r\n\r\nHello\r\n"


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now: datetime = NOON

    def __call__(self) -> datetime:
        return self.now


async def queue(store: Store, *names: str) -> None:
    """Queue mails of one quote."""

    def work(records: Records) -> None:
        quote = records.quotes.get(1) or keep_issued(records)
        for name in names:
            mails.queue_mail(
                records,
                STAMP,
                quote,
                revision=1,
                to=f"{name}@example.org",
                message_id=f"<{name}@shop.example>",
                body=BODY % f"{name}@shop.example".encode(),
            )

    await store.write(work)


def mail(store: Store, number: int = 1) -> Mail:
    found = store.read(lambda records: records.mails.get(number))
    assert found is not None
    return found


def kinds(store: Store) -> list[str]:
    return [one.kind for one in store.read(lambda records: records.events.after(0, 99))]


@asynccontextmanager
async def pumping(
    store: Store, sender: Mailer, clock: Clock, outbox: StoredMails | None = None
) -> AsyncIterator[MailPump]:
    """Run a pump; its rests are short."""
    box = outbox or StoredMails(store, lambda: STAMP, luck=lambda: 0.0)
    pump = MailPump(box, sender, clock=clock, rest_seconds=0.02, patience_seconds=0.2)
    stop = asyncio.Event()
    task = asyncio.create_task(pump.run(stop))
    try:
        yield pump
    finally:
        stop.set()
        await task


async def until(claim: Callable[[], bool]) -> None:
    """Wait until something holds."""
    async with asyncio.timeout(5):
        while not claim():
            await asyncio.sleep(0.005)


class Scripted:
    """A mailer whose attempts end as told, then well."""

    def __init__(self, *outcomes: MailOutcome | Exception) -> None:
        self.outcomes = list(outcomes)
        self.sent: list[tuple[str, int]] = []
        self.held: asyncio.Event | None = None

    async def send(self, mail: Outgoing) -> MailOutcome:
        self.sent.append((mail.message_id, mail.attempt))
        if self.held is not None:
            await self.held.wait()
        outcome = self.outcomes.pop(0) if self.outcomes else TAKEN
        if isinstance(outcome, Exception):
            raise outcome
        return outcome


TAKEN = MailOutcome(fate=Fate.sent, detail="taken")
AGAIN = MailOutcome(fate=Fate.again, detail="busy")
REFUSED = MailOutcome(fate=Fate.refused, detail="unknown: 550")


def met(
    trouble: Callable[[MailServer], None], *later: float
) -> tuple[MailServer, Mail, MemoryStore]:
    """Return a server, a mail and its store after attempts now and so many seconds later."""

    async def run() -> tuple[MailServer, Mail, MemoryStore]:
        store, clock = MemoryStore({}), Clock()
        await queue(store, "m1")
        async with mail_server() as server:
            trouble(server)
            async with pumping(store, mailer(server.port), clock) as pump:
                for begun, seconds in enumerate((0.0, *later), start=1):
                    clock.now += seconds * HOUR / 3600
                    pump.wake()
                    # settled: no next attempt stands at what was kept when this one began
                    await until(
                        lambda begun=begun: (
                            mail(store).attempts == begun  # type: ignore[misc]
                            and (mail(store).failure is not None or mail(store).sent_at is not None)
                        )
                    )
                    await asyncio.sleep(0.05)
        return server, mail(store), store

    return asyncio.run(run())


def test_mail_is_sent_once_and_told() -> None:
    server, kept, store = met(lambda _: None)

    assert (server.ids, server.recipients) == ({"<m1@shop.example>": 1}, ["m1@example.org"])
    assert (kept.state, kept.attempts, kept.next_at) == (MailState.sent, 1, None)
    assert kept.sent_at == STAMP.at
    assert kinds(store) == ["mail.queued", "mail.sent"]
    facts = [one.facts for one in store.read(lambda records: records.events.after(0, 9))]
    assert "example.org" not in str(facts)
    assert facts[1]["mail"] == 1


def test_greylisted_mail_is_sent_at_the_second_attempt() -> None:
    server, kept, _ = met(lambda server: server.at_rcpt.append("451 4.7.1 later"), 60)

    assert (server.ids, server.rcpts) == ({"<m1@shop.example>": 1}, 2)
    assert (kept.state, kept.attempts, kept.failure) == (MailState.sent, 2, None)


def test_refused_mail_is_never_tried_again() -> None:
    server, kept, store = met(lambda server: server.at_rcpt.append("550 5.1.1 unknown"))

    assert (server.taken, server.rcpts) == ([], 1)
    assert (kept.state, kept.next_at) == (MailState.failed, None)
    assert kept.failure == "the mail server refused the recipient: 550 5.1.1"
    assert kinds(store) == ["mail.queued", "mail.failed"]


def test_mail_that_breaks_off_arrives_once() -> None:
    server, kept, _ = met(lambda server: setattr(server, "drops_in_message", 1), 60)

    assert server.ids == {"<m1@shop.example>": 1}
    assert (kept.state, kept.attempts) == (MailState.sent, 2)


def test_mail_whose_answer_is_lost_comes_again_under_its_id() -> None:
    server, kept, _ = met(lambda server: setattr(server, "drops_after_message", 1), 60)

    assert server.ids == {"<m1@shop.example>": 2}
    assert server.taken[0] == server.taken[1]
    assert (kept.state, kept.attempts) == (MailState.sent, 2)


def test_mail_is_given_up_after_the_last_attempt() -> None:
    async def run() -> tuple[Scripted, Mail, list[datetime]]:
        store, clock, begun = MemoryStore({}), Clock(), list[datetime]()
        sender = Scripted(*[AGAIN] * 20)
        await queue(store, "m1")
        outbox = StoredMails(store, lambda: structs.replace(STAMP, at=clock.now), luck=lambda: 0.0)
        async with pumping(store, sender, clock, outbox) as pump:
            for number in range(1, len(RETRY_DELAYS) + 1):
                await until(lambda number=number: len(sender.sent) == number)  # type: ignore[misc]
                await asyncio.sleep(0.02)
                begun.append(clock.now)
                clock.now = mail(store).next_at or clock.now + 9 * DAY
                pump.wake()
            await asyncio.sleep(0.05)
        return sender, mail(store), begun

    sender, kept, begun = asyncio.run(run())

    assert [attempt for _, attempt in sender.sent] == list(range(1, len(RETRY_DELAYS) + 1))
    gaps = [after - before for before, after in pairwise(begun)]
    assert gaps == list(RETRY_DELAYS[1:])
    assert (kept.state, kept.next_at) == (MailState.failed, None)
    assert kept.failure == "given up after the last attempt: busy"


def test_one_that_fails_holds_up_no_other() -> None:
    async def run() -> tuple[Scripted, MemoryStore]:
        store, sender = MemoryStore({}), Scripted(AGAIN, REFUSED, OSError("bug"))
        await queue(store, "m1", "m2", "m3", "m4")
        async with pumping(store, sender, Clock()):
            await until(lambda: mail(store, 4).state is MailState.sent)
        return sender, store

    sender, store = asyncio.run(run())

    assert [name for name, _ in sender.sent] == [f"<m{n}@shop.example>" for n in range(1, 5)]
    assert [mail(store, n).state.value for n in range(1, 5)] == [
        "queued",
        "failed",
        "queued",
        "sent",
    ]
    assert mail(store, 3).failure == "not sent, because of an internal error"


class Stiff(MemoryStore):
    """A store that is full for some writes."""

    faults = 0

    async def write(self, work: Callable[[Records], T]) -> T:
        if self.faults:
            self.faults -= 1
            raise StoreFull("no room")
        return await super().write(work)


def test_nothing_is_sent_while_nothing_can_be_kept(caplog: pytest.LogCaptureFixture) -> None:
    async def run() -> Scripted:
        store, sender = Stiff({}), Scripted()
        await queue(store, "m1")
        store.faults = 3
        async with pumping(store, sender, Clock()):
            await until(lambda: store.faults == 0)
            assert sender.sent == []
            await until(lambda: mail(store).state is MailState.sent)
        return sender

    with caplog.at_level(logging.CRITICAL):
        assert asyncio.run(run()).sent == [("<m1@shop.example>", 1)]


def test_outcome_that_can_not_be_kept_is_not_forgotten(caplog: pytest.LogCaptureFixture) -> None:
    async def run() -> Scripted:
        store, sender, clock = Stiff({}), Scripted(), Clock()
        sender.held = asyncio.Event()
        await queue(store, "m1", "m2")
        async with pumping(store, sender, clock):
            await until(lambda: len(sender.sent) == 1)
            store.faults = 3
            # the next attempt of the first would be due long since
            clock.now += DAY
            sender.held.set()
            await until(lambda: mail(store, 2).state is MailState.sent)
            assert mail(store).state is MailState.sent
        return sender

    with caplog.at_level(logging.CRITICAL):
        sender = asyncio.run(run())
    assert sender.sent == [("<m1@shop.example>", 1), ("<m2@shop.example>", 1)]


def test_what_was_queued_is_sent_after_a_restart(tmp_path: Path) -> None:
    async def killed() -> None:
        with closing(SqliteStore.open(tmp_path)) as store:
            await queue(store, "m1", "m2")
            sender = Scripted()
            sender.held = asyncio.Event()
            box = StoredMails(store, lambda: STAMP)
            task = asyncio.create_task(
                MailPump(box, sender, clock=Clock(), patience_seconds=0).run(asyncio.Event())
            )
            await until(lambda: len(sender.sent) == 1)
            # in the middle of the first attempt, as a kill would
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            assert (mail(store).state, mail(store).attempts) == (MailState.queued, 1)

    async def anew() -> MailServer:
        with closing(SqliteStore.open(tmp_path)) as store:
            clock = Clock()
            async with (
                mail_server() as server,
                pumping(store, mailer(server.port), clock) as pump,
            ):
                await until(lambda: mail(store, 2).state is MailState.sent)
                assert mail(store).state is MailState.queued
                clock.now += RETRY_DELAYS[1]
                pump.wake()
                await until(lambda: mail(store).state is MailState.sent)
                assert mail(store).attempts == 2
            return server

    asyncio.run(killed())
    assert asyncio.run(anew()).ids == {"<m1@shop.example>": 1, "<m2@shop.example>": 1}


def test_pump_sends_what_comes_while_it_sleeps() -> None:
    async def run() -> Scripted:
        store, sender = MemoryStore({}), Scripted()
        async with pumping(store, sender, Clock()) as pump:
            await asyncio.sleep(0.02)
            await queue(store, "m1")
            await asyncio.to_thread(pump.wake)
            await until(lambda: mail(store).state is MailState.sent)
        pump.wake()
        return sender

    assert len(asyncio.run(run()).sent) == 1
