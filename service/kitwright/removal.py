"""Removal: finishes erasures that were broken off, and deletes files that nothing needs."""

from __future__ import annotations

import asyncio
import logging

from kitwright.outbound.waking import PATIENCE_SECONDS, REST_SECONDS, Waking
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.disposal import finish_everything

_LOG = logging.getLogger(__name__)
_PAUSE_SECONDS = 60.0


class Removal(Waking):
    """Does what an earlier process or a call left to be erased or deleted: at the start, and
    whenever it is woken.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__(PATIENCE_SECONDS)
        self._desk = desk

    async def send_due(self, stop: asyncio.Event) -> float:  # noqa: ARG002 - steps are short
        """Finish what is left. Returns: seconds until the next check."""
        try:
            return _PAUSE_SECONDS if await finish_everything(self._desk) else REST_SECONDS
        except Exception:  # noqa: BLE001 - it is logged, and must not end the rest
            _LOG.exception("what was erased is not deleted yet")
            return REST_SECONDS
