"""The pump, with an outbox in memory, a clock that stands until moved, and posts that end when
told.
"""

import asyncio
import json
import logging
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from standardwebhooks.webhooks import Webhook
from tests.outbound.receiver import answered, receiving

from kitwright.outbound.post import Outcome
from kitwright.outbound.post import Poster as RealPoster
from kitwright.outbound.pump import Delivery, Pump
from kitwright.outbound.signature import RETRY_DELAYS, make_secret

START = datetime(2026, 3, 1, 12, tzinfo=UTC)
SECRETS = (make_secret(), make_secret())

DELIVERED = Outcome(status=200, is_delivered=True, is_gone=False, detail="answered 200")
FAILED = Outcome(status=500, is_delivered=False, is_gone=False, detail="answered 500")
GONE = Outcome(status=410, is_delivered=False, is_gone=True, detail="answered 410")


def delivery(hook: str, number: int, secrets: tuple[str, ...] = SECRETS) -> Delivery:
    return Delivery(
        hook=hook,
        id=f"{hook}-{number}",
        url=f"https://{hook}.example/",
        secrets=secrets,
        body=json.dumps({"n": number}).encode(),
        attempt=1,
    )


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> datetime:
        return self.now


class Box:
    """An outbox that gives everything that is due, in the order of time, then of coming."""

    def __init__(self, *waiting: Delivery) -> None:
        self.waiting: dict[str, tuple[datetime, Delivery]] = {}
        self.settled: list[tuple[str, int, Outcome, datetime | None]] = []
        self.asked: list[int] = []
        self.faults = 0
        self.unread = 0
        for one in waiting:
            self.add(one)

    def add(self, one: Delivery) -> None:
        self.waiting[one.id] = (START, one)

    def due(self, now: datetime, most: int) -> Sequence[Delivery]:
        self.asked.append(most)
        if self.unread:
            self.unread -= 1
            raise OSError("locked")
        come = [pair for pair in self.waiting.values() if pair[0] <= now]
        return [one for _, one in sorted(come, key=lambda pair: pair[0])][:most]

    async def settle(self, one: Delivery, outcome: Outcome, next_at: datetime | None) -> None:
        await asyncio.sleep(0)
        if self.faults:
            self.faults -= 1
            raise OSError("disk full")
        self.settled.append((one.id, one.attempt, outcome, next_at))
        if outcome.is_gone:
            self.waiting = {
                name: pair for name, pair in self.waiting.items() if pair[1].hook != one.hook
            }
        elif next_at is None:
            del self.waiting[one.id]
        else:
            again = Delivery(
                hook=one.hook,
                id=one.id,
                url=one.url,
                secrets=one.secrets,
                body=one.body,
                attempt=one.attempt + 1,
            )
            self.waiting[one.id] = (next_at, again)

    def soonest(self) -> datetime | None:
        return min((time for time, _ in self.waiting.values()), default=None)


class Hooks:
    """Posts end with what was set for their URL, or wait until they are let go."""

    def __init__(self, outcome: Outcome = DELIVERED, *, is_held: bool = False) -> None:
        self.outcome = outcome
        self.outcomes: dict[str, Outcome | Exception] = {}
        self.is_held = is_held
        self.started: list[str] = []
        self.ended: list[str] = []
        self.under_way: list[str] = []
        self.most_at_once = 0
        self.held: dict[str, asyncio.Event] = {}
        self.signed: list[tuple[Mapping[str, str], bytes]] = []

    async def post(self, url: str, headers: Mapping[str, str], body: bytes) -> Outcome:
        message = headers["webhook-id"]
        assert url not in self.under_way, "two at once to one hook"
        self.started.append(message)
        self.signed.append((headers, body))
        self.under_way.append(url)
        self.most_at_once = max(self.most_at_once, len(self.under_way))
        try:
            if self.is_held:
                await self.held.setdefault(message, asyncio.Event()).wait()
            await asyncio.sleep(0)
        finally:
            self.under_way.remove(url)
        self.ended.append(message)
        outcome = self.outcomes.get(message, self.outcome)
        if isinstance(outcome, Exception):
            raise outcome
        return outcome

    def let_go(self, message: str) -> None:
        self.held[message].set()


@asynccontextmanager
async def pumping(pump: Pump) -> AsyncIterator[asyncio.Event]:
    """Run a pump meanwhile, then stop it, which must not take long."""
    stop = asyncio.Event()
    task = asyncio.create_task(pump.run(stop))
    try:
        yield stop
    finally:
        stop.set()
        await asyncio.wait_for(task, 2)


async def until(claim: Callable[[], bool]) -> None:
    """Wait until something is so; fails when it is not within two seconds."""
    async with asyncio.timeout(2):
        while not claim():
            await asyncio.sleep(0.001)


async def settle_down() -> None:
    """Let everything run that can run without time going by."""
    for _ in range(20):
        await asyncio.sleep(0)


def test_run_sends_each_hooks_deliveries_in_order() -> None:
    async def work() -> None:
        box = Box(*(delivery(hook, number) for number in range(5) for hook in "abc"))
        hooks = Hooks()
        async with pumping(Pump(box, hooks, clock=Clock())):
            await until(lambda: not box.waiting)

        for hook in "abc":
            sent = [message for message in hooks.ended if message.startswith(hook)]
            assert sent == [f"{hook}-{number}" for number in range(5)]
        assert hooks.started[:3] == ["a-0", "b-0", "c-0"]
        assert all(next_at is None for *_, next_at in box.settled)

    asyncio.run(work())


def test_run_sends_several_at_once_but_one_to_a_hook() -> None:
    async def work() -> None:
        waiting = [delivery(hook, number) for hook in "abcdefghijk" for number in range(2)]
        box, hooks = Box(*waiting), Hooks(is_held=True)
        async with pumping(Pump(box, hooks, clock=Clock())):
            await until(lambda: len(hooks.under_way) == 8)
            await settle_down()
            assert hooks.started == [f"{hook}-0" for hook in "abcdefgh"]
            hooks.let_go("c-0")
            await until(lambda: len(hooks.started) == 9)
            hooks.is_held = False
            for message in tuple(hooks.held):
                hooks.let_go(message)
            await until(lambda: not box.waiting)

        assert hooks.most_at_once == 8

    asyncio.run(work())


def test_run_lets_no_slow_hook_with_many_crowd_out_another() -> None:
    async def work() -> None:
        many = [delivery("slow", number) for number in range(60)]
        box, hooks = Box(*many, delivery("other", 0)), Hooks(is_held=True)
        async with pumping(Pump(box, hooks, clock=Clock(), at_once=2, patience_seconds=0)):
            await until(lambda: hooks.started == ["slow-0", "other-0"])

    asyncio.run(work())


def test_run_signs_each_attempt_at_its_own_time_with_all_secrets() -> None:
    async def work() -> None:
        clock, box, hooks = Clock(), Box(delivery("a", 7)), Hooks(FAILED)
        pump = Pump(box, hooks, clock=clock, luck=lambda: 0.0)
        async with pumping(pump):
            await until(lambda: len(box.settled) == 1)
            clock.now += timedelta(seconds=5)
            pump.wake()
            await until(lambda: len(box.settled) == 2)

        times = [int(headers["webhook-timestamp"]) for headers, _ in hooks.signed]
        assert times == [int(START.timestamp()), int(START.timestamp()) + 5]
        for (headers, body), time in zip(hooks.signed, times, strict=True):
            assert headers["webhook-id"] == "a-7"
            assert headers["content-type"] == "application/json"
            assert body == b'{"n": 7}'
            at = datetime.fromtimestamp(time, UTC)
            signed = [Webhook(secret).sign("a-7", at, body.decode()) for secret in SECRETS]
            assert headers["webhook-signature"].split() == signed

    asyncio.run(work())


def test_run_retries_by_the_schedule_and_gives_up_after_the_last() -> None:
    async def work() -> None:
        clock, box, hooks = Clock(), Box(delivery("a", 0)), Hooks(FAILED)
        pump = Pump(box, hooks, clock=clock, luck=lambda: 0.0)
        async with pumping(pump):
            for delay in RETRY_DELAYS:
                before = len(box.settled)
                clock.now += delay - timedelta(seconds=1 if delay else 0)
                pump.wake()
                await settle_down()
                assert len(box.settled) == (before if delay else before + 1)
                clock.now += timedelta(seconds=1 if delay else 0)
                pump.wake()
                await until(lambda before=before: len(box.settled) == before + 1)  # type: ignore[misc]
            clock.now += timedelta(days=30)
            pump.wake()
            await settle_down()

        assert [attempt for _, attempt, *_ in box.settled] == list(range(1, 11))
        times = [START, *(next_at for *_, next_at in box.settled[:-1] if next_at)]
        waits = [after - before for before, after in pairwise(times)]
        assert waits == list(RETRY_DELAYS[1:])
        assert box.settled[-1][3] is None
        assert not box.waiting

    asyncio.run(work())


def test_run_sends_the_next_of_a_hook_after_one_failed() -> None:
    async def work() -> None:
        box, hooks = Box(delivery("a", 0), delivery("a", 1)), Hooks()
        hooks.outcomes["a-0"] = FAILED
        async with pumping(Pump(box, hooks, clock=Clock())):
            await until(lambda: len(box.settled) == 2)

        assert list(box.waiting) == ["a-0"]

    asyncio.run(work())


def test_run_settles_a_hook_that_is_gone_for_good() -> None:
    async def work() -> None:
        box, hooks = Box(delivery("a", 0), delivery("a", 1), delivery("b", 0)), Hooks()
        hooks.outcomes["a-0"] = GONE
        async with pumping(Pump(box, hooks, clock=Clock())):
            await until(lambda: not box.waiting)
            await settle_down()

        assert sorted(hooks.started) == ["a-0", "b-0"]
        assert ("a-0", 1, GONE, None) in box.settled

    asyncio.run(work())


def test_wake_sends_a_new_delivery_at_once() -> None:
    async def work() -> None:
        box, hooks = Box(), Hooks()
        pump = Pump(box, hooks, clock=Clock())
        async with pumping(pump):
            await settle_down()
            box.add(delivery("a", 0))
            await settle_down()
            assert not hooks.started
            pump.wake()
            await settle_down()
            assert hooks.started == ["a-0"]
            box.add(delivery("a", 1))
            await asyncio.to_thread(pump.wake)
            await until(lambda: hooks.started == ["a-0", "a-1"])

    asyncio.run(work())


def test_wake_may_be_called_before_and_after_run() -> None:
    box, hooks = Box(delivery("a", 0)), Hooks()
    pump = Pump(box, hooks, clock=Clock())
    pump.wake()

    async def work() -> None:
        async with pumping(pump):
            await until(lambda: not box.waiting)

    asyncio.run(work())
    pump.wake()


def test_run_sends_by_itself_when_the_time_comes() -> None:
    async def work() -> None:
        soon = datetime.now(UTC) + timedelta(seconds=0.15)
        box, hooks = Box(), Hooks()
        box.waiting["a-0"] = (soon, delivery("a", 0))
        async with pumping(Pump(box, hooks)):
            await until(lambda: bool(hooks.started))
            assert datetime.now(UTC) >= soon

    asyncio.run(work())


def test_run_outlives_a_post_that_crashes(caplog: pytest.LogCaptureFixture) -> None:
    async def work() -> None:
        box, hooks = Box(delivery("a", 0), delivery("a", 1), delivery("b", 0)), Hooks()
        hooks.outcomes["a-0"] = ZeroDivisionError("whoops")
        async with pumping(Pump(box, hooks, clock=Clock(), luck=lambda: 0.0)):
            await until(lambda: len(box.settled) == 3)

        (crashed,) = [entry for entry in box.settled if entry[0] == "a-0"]
        assert crashed[2].detail == "not sent, because of an internal error"
        assert crashed[3] == START + timedelta(seconds=5)

    with caplog.at_level(logging.ERROR):
        asyncio.run(work())

    assert "delivery a-0 to hook a crashed" in caplog.text
    assert "whoops" in caplog.text
    assert not any(secret in caplog.text for secret in SECRETS)


def test_run_reschedules_what_it_cannot_sign() -> None:
    async def work() -> None:
        box, hooks = Box(delivery("a", 0, ("whsec_short",)), delivery("b", 0)), Hooks()
        async with pumping(Pump(box, hooks, clock=Clock(), luck=lambda: 0.0)):
            await until(lambda: len(box.settled) == 2)

        (unsigned,) = [entry for entry in box.settled if entry[0] == "a-0"]
        assert unsigned[2].detail == "not sent, because of an internal error"
        assert unsigned[3] == START + timedelta(seconds=5)
        assert hooks.started == ["b-0"]

    asyncio.run(work())


def test_run_does_not_flood_a_hook_whose_delivery_cannot_be_settled(
    caplog: pytest.LogCaptureFixture,
) -> None:
    async def work() -> None:
        clock, box, hooks = Clock(), Box(delivery("a", 0), delivery("b", 0)), Hooks()
        box.faults = 1
        pump = Pump(box, hooks, clock=clock)
        async with pumping(pump):
            await until(lambda: len(box.settled) == 1)
            for _ in range(5):
                pump.wake()
                await settle_down()
            assert hooks.started == ["a-0", "b-0"]
            clock.now += timedelta(seconds=30)
            pump.wake()
            await until(lambda: not box.waiting)

        assert hooks.started == ["a-0", "b-0", "a-0"]

    asyncio.run(work())

    assert "can't settle delivery a-0 to hook a" in caplog.text


def test_run_outlives_an_outbox_that_cannot_be_read(caplog: pytest.LogCaptureFixture) -> None:
    async def work() -> None:
        box, hooks = Box(delivery("a", 0)), Hooks()
        box.unread = 1
        pump = Pump(box, hooks, clock=Clock())
        async with pumping(pump):
            await settle_down()
            assert not hooks.started
            pump.wake()
            await until(lambda: not box.waiting)

    asyncio.run(work())

    assert "the outbox can't be read" in caplog.text


def test_run_does_not_spin_while_it_has_to_wait() -> None:
    async def work() -> None:
        box, hooks = Box(delivery("a", 0), delivery("a", 1)), Hooks(is_held=True)
        async with pumping(Pump(box, hooks, clock=Clock(), patience_seconds=0)):
            await until(lambda: bool(hooks.started))
            await asyncio.sleep(0.2)
            assert len(box.asked) < 5

    asyncio.run(work())


@pytest.mark.parametrize("is_patient", [True, False])
def test_run_waits_a_little_for_what_is_under_way_when_told_to_stop(is_patient: bool) -> None:
    async def work() -> None:
        box, hooks = Box(delivery("a", 0), delivery("a", 1)), Hooks(is_held=True)
        pump = Pump(box, hooks, clock=Clock(), patience_seconds=5 if is_patient else 0.01)
        async with pumping(pump) as stop:
            await until(lambda: bool(hooks.started))
            stop.set()
            await settle_down()
            if is_patient:
                hooks.let_go("a-0")

        assert hooks.started == ["a-0"]
        assert not hooks.under_way
        assert list(box.waiting) == (["a-1"] if is_patient else ["a-0", "a-1"])

    asyncio.run(work())


def test_run_leaves_nothing_behind_when_it_is_cancelled() -> None:
    async def work() -> None:
        box, hooks = Box(delivery("a", 0)), Hooks(is_held=True)
        task = asyncio.create_task(Pump(box, hooks, clock=Clock()).run(asyncio.Event()))
        await until(lambda: bool(hooks.started))
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

        assert asyncio.all_tasks() == {asyncio.current_task()}
        assert list(box.waiting) == ["a-0"]

    asyncio.run(work())


def test_run_posts_what_a_receiver_can_prove() -> None:
    async def work() -> None:
        async with receiving(answered("204 No Content")) as receiver:
            one = delivery("a", 0)
            box = Box()
            box.waiting[one.id] = (
                START,
                Delivery(
                    hook="a",
                    id=one.id,
                    url=receiver.url,
                    secrets=SECRETS,
                    body=one.body,
                    attempt=1,
                ),
            )
            async with RealPoster(allow_private=True) as poster, pumping(Pump(box, poster)):
                await until(lambda: not box.waiting)

        ((head, body),) = receiver.requests
        received = dict(line.split(": ", 1) for line in head.strip().split("\r\n")[1:])
        Webhook(SECRETS[1]).verify(body, received)

    asyncio.run(work())
