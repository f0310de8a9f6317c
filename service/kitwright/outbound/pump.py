"""Pump: sends due events, each webhook's in their order, until told to stop."""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final, Protocol

from msgspec import Struct

from kitwright.outbound.post import Outcome
from kitwright.outbound.signature import headers, retry_at
from kitwright.outbound.waking import PATIENCE_SECONDS, REST_SECONDS, Waking, seconds_until

_LOG = logging.getLogger(__name__)

_PAUSE_SECONDS: Final = 1.0
"""The pause if something is due but can't be sent now: its webhook is busy or paused, or all posts
are busy.
"""

_WIDE: Final = 64
"""Deliveries to request per concurrent post, if the first few belong to busy webhooks."""


class Delivery(Struct, frozen=True, kw_only=True):
    """The delivery of an event to a webhook.

    `id` is the same for every attempt; `attempt` counts from 1. `secrets` are the valid secrets,
    the newest first. `body` is the JSON to send.
    """

    hook: str
    id: str
    url: str
    secrets: tuple[str, ...]
    body: bytes
    attempt: int


class Outbox(Protocol):
    """Holds deliveries until they are settled."""

    def due(self, now: datetime, most: int) -> Sequence[Delivery]:
        """Return at most `most` due deliveries, in the order of sending.

        Several may belong to one webhook, of which only the first is sent now; deliveries in
        progress may be included. Best is one for each webhook, so that a slow webhook does not
        crowd out the others.
        """

    async def settle(self, delivery: Delivery, outcome: Outcome, next_at: datetime | None) -> None:
        """Record the outcome of an attempt: it is due again at `next_at`, or never if None."""

    def soonest(self) -> datetime | None:
        """Return when the next delivery is due, past or future; None if none is waiting."""


class Poster(Protocol):
    """Posts messages; failures of a target are returned as outcomes, not raised."""

    async def post(self, url: str, headers: Mapping[str, str], body: bytes) -> Outcome:
        """Post a message and return the outcome."""


class Pump(Waking):
    """Sends due deliveries: several at once, but one at a time for each webhook.

    A failed delivery is due again by the standard's schedule, and given up after its last attempt.
    It may arrive twice if its arrival could not be recorded.

    Args:
        at_once: the most posts at the same time.
        clock: returns the current time, in UTC.
        luck: returns a random number from 0 to below 1, which spreads retries.
        patience_seconds: time limit for posts in progress when told to stop.
    """

    def __init__(
        self,
        outbox: Outbox,
        poster: Poster,
        *,
        at_once: int = 8,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        luck: Callable[[], float] = random.random,
        patience_seconds: float = PATIENCE_SECONDS,
    ) -> None:
        super().__init__(patience_seconds)
        self._outbox = outbox
        self._poster = poster
        self._at_once = at_once
        self._clock = clock
        self._luck = luck
        self._busy: set[str] = set()
        self._resting: dict[str, datetime] = {}

    async def send_until(self, stop: asyncio.Event) -> None:
        """Send, and sleep, in turn until `stop` is set; then wait for posts in progress."""
        async with asyncio.TaskGroup() as self._posts:
            await super().send_until(stop)

    async def send_due(self, _: asyncio.Event) -> float:
        """Start the deliveries that can be sent now. Returns: seconds until the next check."""
        try:
            now = self._clock()
            self._resting = {hook: end for hook, end in self._resting.items() if end > now}
            # Deliveries in progress may be returned again; as many as can start must still fit.
            for most in (2 * self._at_once, _WIDE * self._at_once):
                due = self._outbox.due(now, most)
                self._start(due)
                if len(due) < most or len(self._busy) >= self._at_once:
                    break
            return seconds_until(self._outbox.soonest(), now, _PAUSE_SECONDS)
        except Exception:  # noqa: BLE001 - it is logged, and must not end the rest
            _LOG.exception("the outbox can't be read")
            return REST_SECONDS

    def _start(self, due: Sequence[Delivery]) -> None:
        for delivery in due:
            if len(self._busy) >= self._at_once:
                return
            hook = delivery.hook
            if hook not in self._busy and hook not in self._resting:
                self._busy.add(hook)
                self._posts.create_task(self._deliver(delivery))

    async def _deliver(self, delivery: Delivery) -> None:
        try:
            outcome = await self._attempt(delivery)
            await self._outbox.settle(delivery, outcome, self._next_at(delivery, outcome))
        except Exception:  # noqa: BLE001 - it is logged, and must not end the rest
            _LOG.exception("can't settle delivery %s to hook %s", delivery.id, delivery.hook)
            self._resting[delivery.hook] = self._clock() + timedelta(seconds=REST_SECONDS)
        finally:
            self._busy.discard(delivery.hook)
            self._woken.set()

    async def _attempt(self, delivery: Delivery) -> Outcome:
        try:
            signed = headers(
                delivery.secrets,
                message_id=delivery.id,
                at=self._clock(),
                body=delivery.body,
            )
            signed["content-type"] = "application/json"
            return await self._poster.post(delivery.url, signed, delivery.body)
        except Exception:  # noqa: BLE001 - it is logged, and must not end the rest
            _LOG.exception("delivery %s to hook %s crashed", delivery.id, delivery.hook)
            return _unsent("not sent, because of an internal error")

    def _next_at(self, delivery: Delivery, outcome: Outcome) -> datetime | None:
        if outcome.is_delivered or outcome.is_gone:
            return None
        return retry_at(delivery.attempt, self._clock(), self._luck())


def _unsent(detail: str) -> Outcome:
    return Outcome(status=None, is_delivered=False, is_gone=False, detail=detail)
