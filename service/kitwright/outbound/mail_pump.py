"""Mail pump: sends queued e-mails, one at a time, until told to stop."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Final, Protocol

from kitwright.outbound.mail import Fate, Mailer, MailOutcome, Outgoing
from kitwright.outbound.waking import PATIENCE_SECONDS, REST_SECONDS, Waking, seconds_until

_LOG = logging.getLogger(__name__)

_PAUSE_SECONDS: Final = 0.01
"""The pause if an e-mail became due since it was looked for."""


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


class MailPump(Waking):
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
        patience_seconds: float = PATIENCE_SECONDS,
        rest_seconds: float = REST_SECONDS,
    ) -> None:
        super().__init__(patience_seconds)
        self._outbox = outbox
        self._mailer = mailer
        self._clock = clock
        self._rest_seconds = rest_seconds
        self._unsettled: tuple[Outgoing, MailOutcome] | None = None

    async def send_due(self, stop: asyncio.Event) -> float:
        """Send due e-mails. Returns: seconds until the next check."""
        try:
            await self._settle()
            while not stop.is_set():
                now = self._clock()
                number = self._outbox.due(now)
                if number is None:
                    return seconds_until(self._outbox.soonest(), now, _PAUSE_SECONDS)
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
