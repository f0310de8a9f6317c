"""Pool: threads for one kind of slow work, with a bounded queue, so that kinds don't wait for each
other and nobody waits without end.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from threading import Lock
from typing import Any, Final, ParamSpec, TypeVar

from kitwright.web.edge.problems import Refusal

P = ParamSpec("P")
T = TypeVar("T")
RETRY_SECONDS: Final = 2
"""How long a caller is asked to wait if the queue is full."""


class Pool:
    """Threads for work of one kind.

    Args:
        kind: what the work is about, in the plural.
        threads: how much is done at the same time.
        most: how much may be under way and waiting.
    """

    def __init__(self, kind: str, *, threads: int, most: int) -> None:
        self._kind = kind
        self._most = most
        self._threads = ThreadPoolExecutor(threads, thread_name_prefix=kind)
        self._taken = 0
        self._lock = Lock()

    async def run(self, work: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Return the result of work done in a thread of the pool. Raises: Refusal: too-busy."""
        with self._lock:
            if self._taken >= self._most:
                raise Refusal(
                    "too-busy",
                    f"too many {self._kind} are being made at the moment",
                    headers={"Retry-After": str(RETRY_SECONDS)},
                )
            self._taken += 1
        future = self._threads.submit(work, *args, **kwargs)
        # when it is done, even if nobody waits for it any longer
        future.add_done_callback(self._done)
        return await asyncio.wrap_future(future)

    def _done(self, _: Future[Any]) -> None:
        with self._lock:
            self._taken -= 1
