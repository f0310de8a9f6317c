"""Waking: the loop of both pumps, which sends what is due and sleeps until more is."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from datetime import datetime
from typing import Final

PATIENCE_SECONDS: Final = 5.0
"""Time limit for sending in progress when told to stop; whatever is cut off is due again."""
REST_SECONDS: Final = 30.0
"""The pause after an error of our own: what failed is still due, and would be retried at once and
without end.
"""
_LONGEST_SLEEP_SECONDS: Final = 60.0


class Waking:
    """A loop that sends what is due until it is told to stop.

    Args:
        patience_seconds: time limit for sending in progress when told to stop.
    """

    def __init__(self, patience_seconds: float) -> None:
        self._patience_seconds = patience_seconds
        self._woken = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None

    def wake(self) -> None:
        """Look for what is due now, after it was added or made due; may be called from any
        thread.
        """
        if self._loop is None:
            self._woken.set()
            return
        # closed: the service is stopping, and what is due waits for the next start
        with suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._woken.set)

    async def run(self, stop: asyncio.Event) -> None:
        """Send until `stop` is set; then wait `patience_seconds` for sending in progress, and cut
        it off.
        """
        self._loop = asyncio.get_running_loop()
        sending = asyncio.create_task(self.send_until(stop))
        stopping = asyncio.create_task(stop.wait())
        try:
            await asyncio.wait((sending, stopping), return_when=asyncio.FIRST_COMPLETED)
            self._woken.set()
            await asyncio.wait((sending,), timeout=self._patience_seconds)
        finally:
            for task in (sending, stopping):
                task.cancel()
            await asyncio.gather(sending, stopping, return_exceptions=True)

    async def send_until(self, stop: asyncio.Event) -> None:
        """Send, and sleep, in turn until `stop` is set."""
        while not stop.is_set():
            self._woken.clear()
            seconds = await self.send_due(stop)
            if stop.is_set():
                return
            with suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await self._woken.wait()

    async def send_due(self, stop: asyncio.Event) -> float:
        """Send what is due, or begin to. Returns: seconds until the next check."""
        raise NotImplementedError


def seconds_until(soonest: datetime | None, now: datetime, pause: float) -> float:
    """Return the seconds to sleep until the next is due; `pause` if something should have been
    sent.
    """
    if soonest is None:
        return _LONGEST_SLEEP_SECONDS
    left = (soonest - now).total_seconds()
    return min(left, _LONGEST_SLEEP_SECONDS) if left > 0 else pause
