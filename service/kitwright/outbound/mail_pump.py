"""Mail pump: sends queued e-mails, one at a time, until told to stop."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from typing import Final, Protocol

from kitwright.outbound.mail import Fate, Mailer, MailOutcome, Outgoing

_LOG = logging.getLogger(__name__)

_PATIENCE_SECONDS: Final = 5.0
"""Time limit for an e-mail in progress when told to stop; if cut off, it is due again."""
_REST_SECONDS: Final = 30.0
"""The pause after an error of the outbox."""
_LONGEST_SLEEP_SECONDS: Final = 60.0
_SHORTEST_SLEEP_SECONDS: Final = 0.01


class MailOutbox(Protocol):
    """Holds e-mails until they are settled."""

    def due(self, now: datetime) -> int | None:
        """Return the number of the e-mail that has been due the longest, None if none is due."""

    async def begin(self, number: int, now: datetime) -> Outgoing | None:
        """Record an attempt as begun and return the e-mail, None if it is no longer waiting."""

    async def settle(self, mail: Outgoing, outcome: MailOutcome) -> None:
        """Record the outcome of an attempt."""

    def soonest(self) -> datetime | None:
        """Return when the next e-mail is due, past or future; None if none is waiting."""


class MailPump:
    """Sends due e-mails.

    Each attempt is recorded as begun before the e-mail is sent. While an outcome can't be recorded,
    nothing more is sent; the outcome stays in memory until it is recorded.

    Args:
        clock: returns the current time, in UTC.
        patience_seconds: time limit for an e-mail in progress when told to stop.
        rest_seconds: the pause after an error of the outbox.
    """

    def __init__(
        self,
        outbox: MailOutbox,
        mailer: Mailer,
        *,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        patience_seconds: float = _PATIENCE_SECONDS,
        rest_seconds: float = _REST_SECONDS,
    ) -> None:
        self._outbox = outbox
        self._mailer = mailer
        self._clock = clock
        self._patience_seconds = patience_seconds
        self._rest_seconds = rest_seconds
        self._woken = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._unsettled: tuple[Outgoing, MailOutcome] | None = None

    def wake(self) -> None:
        """Look for due e-mails now; may be called from any thread."""
        if self._loop is None:
            self._woken.set()
            return
        # closed: the service is stopping, and due e-mails wait for the next start
        with suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._woken.set)

    async def run(self, stop: asyncio.Event) -> None:
        """Send until `stop` is set; then wait `patience_seconds` for the e-mail in progress, and
        cut it off.
        """
        self._loop = asyncio.get_running_loop()
        sending = asyncio.create_task(self._send_until(stop))
        stopping = asyncio.create_task(stop.wait())
        try:
            await asyncio.wait((sending, stopping), return_when=asyncio.FIRST_COMPLETED)
            self._woken.set()
            await asyncio.wait((sending,), timeout=self._patience_seconds)
        finally:
            for task in (sending, stopping):
                task.cancel()
            await asyncio.gather(sending, stopping, return_exceptions=True)

    async def _send_until(self, stop: asyncio.Event) -> None:
        while not stop.is_set():
            self._woken.clear()
            seconds = await self._send_due(stop)
            if stop.is_set():
                return
            with suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await self._woken.wait()

    async def _send_due(self, stop: asyncio.Event) -> float:
        """Send due e-mails. Returns: seconds until the next check."""
        try:
            await self._settle()
            while not stop.is_set():
                now = self._clock()
                number = self._outbox.due(now)
                if number is None:
                    return _seconds_until(self._outbox.soonest(), now)
                mail = await self._outbox.begin(number, now)
                if mail is not None:
                    self._unsettled = mail, await self._attempt(mail)
                    await self._settle()
        except Exception:  # noqa: BLE001 - it is logged, and must not end the rest
            _LOG.exception("the outbox of e-mails can't be read")
        return self._rest_seconds

    async def _settle(self) -> None:
        if self._unsettled is not None:
            await self._outbox.settle(*self._unsettled)
            self._unsettled = None

    async def _attempt(self, mail: Outgoing) -> MailOutcome:
        try:
            return await self._mailer.send(mail)
        except Exception:  # noqa: BLE001 - it is logged, and must not end the rest
            _LOG.exception("mail %s crashed", mail.number)
            return MailOutcome(fate=Fate.again, detail="not sent, because of an internal error")


def _seconds_until(soonest: datetime | None, now: datetime) -> float:
    if soonest is None:
        return _LONGEST_SLEEP_SECONDS
    left = (soonest - now).total_seconds()
    return min(max(left, _SHORTEST_SLEEP_SECONDS), _LONGEST_SLEEP_SECONDS)
