"""Writer: one thread that commits waiting transactions in groups, each with its own outcome."""

from __future__ import annotations

import asyncio
import contextlib
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, Final, Protocol, TypeVar

from kitwright.keeping.store import Records, StoreError, StoreUnavailable
from kitwright.store.failure import is_outer
from kitwright.store.sqlite import sqlite3

T = TypeVar("T")

_MOST: Final = 128
"""The most transactions in one commit, so that no caller waits for ever."""


class _Promise(Protocol):
    """The receiver of a transaction's outcome."""

    def done(self) -> bool:
        """Whether the caller has stopped waiting."""

    def set_result(self, result: Any, /) -> None:
        """Set the result that was returned."""

    def set_exception(self, exception: Any, /) -> None:
        """Set the exception that was raised."""


_Piece = tuple[Callable[[Records], Any], _Promise]
_Outcome = tuple[_Promise, Any, BaseException | None]


class Writer:
    """One connection in one thread.

    Args:
        connect: opens the connection, and opens it again after a failure of the disk.
        tables: makes the records of a connection.
        failure: translates the database's errors about the disk into the store's errors.
        tidy: does the remaining work after a commit, before any caller gets a result.
    """

    def __init__(
        self,
        connect: Callable[[], Any],
        tables: Callable[[Any], Records],
        failure: Callable[[Exception], StoreError],
        tidy: Callable[[Any, Records], None] = lambda *_: None,
    ) -> None:
        self._connect = connect
        self._tables = tables
        self._failure = failure
        self._tidy = tidy
        self._waiting: queue.SimpleQueue[_Piece | None] = queue.SimpleQueue()
        self._connection: Any = None
        self._records: Records | None = None
        self._is_closed = False
        self._closing = threading.Lock()
        """Held while something is put into the queue, so that nothing is put behind its end."""
        self._thread = threading.Thread(target=self._run, name="writer", daemon=True)
        self._thread.start()

    def submit(self, work: Callable[[Records], T], future: asyncio.Future[T]) -> None:
        """Run a transaction when its turn comes, and set its future in that future's event loop."""
        self._submit(work, future)

    def submit_and_wait(self, work: Callable[[Records], T]) -> T:
        """Return the result of a transaction once it is stored."""
        future: Future[T] = Future()
        self._submit(work, future)
        return future.result()

    def _submit(self, work: Callable[[Records], Any], promise: _Promise) -> None:
        with self._closing:
            if self._is_closed:
                promise.set_exception(StoreUnavailable("the store is closed"))
            else:
                self._waiting.put((work, promise))

    def close(self) -> None:
        """Finish the waiting transactions, then end the thread."""
        with self._closing:
            if not self._is_closed:
                self._is_closed = True
                self._waiting.put(None)
        self._thread.join()

    def _run(self) -> None:
        is_open = True
        while is_open:
            group: list[_Piece] = []
            piece = self._waiting.get()
            while piece is not None:
                group.append(piece)
                if len(group) == _MOST:
                    break
                try:
                    piece = self._waiting.get_nowait()
                except queue.Empty:
                    break
            is_open = piece is not None
            if group:
                _tell(self._commit(group))
        self._give_up()

    def _commit(self, group: list[_Piece]) -> list[_Outcome]:
        """Return the outcomes of a group that was committed, or failed, as one."""
        try:
            if self._connection is None:
                self._connection = self._connect()
                self._records = self._tables(self._connection)
            # immediate: a transaction that reads first could not write after another one's write
            self._connection.execute("BEGIN IMMEDIATE")
            outcomes = [self._outcome(piece) for piece in group]
            self._connection.execute("COMMIT")
        except sqlite3.Error as error:
            self._give_up()
            # one for each: a caller that catches an error adds to it
            return [(promise, None, self._failure(error)) for _, promise in group]
        except BaseException as error:  # noqa: BLE001 - the thread lives on, and everyone is told
            self._give_up()
            return [(promise, None, error) for _, promise in group]
        try:
            self._tidy(self._connection, self._records)  # type: ignore[arg-type]  # set above
        except sqlite3.Error:
            # committed data stays; the next group begins with a new connection
            self._give_up()
        return outcomes

    def _outcome(self, piece: _Piece) -> _Outcome:
        """Return the outcome of one transaction; if it raised, only its changes are undone."""
        work, promise = piece
        execute = self._connection.execute
        execute("SAVEPOINT piece")
        try:
            result = work(self._records)  # type: ignore[arg-type]  # set beside the connection
        except BaseException as error:
            if isinstance(error, sqlite3.Error) and is_outer(error):
                raise
            # an error of this transaction alone: only its caller is told, whatever it is
            execute("ROLLBACK TO piece")
            execute("RELEASE piece")
            return promise, None, error
        execute("RELEASE piece")
        return promise, result, None

    def _give_up(self) -> None:
        """Leave a transaction that can't be finished. The next group begins with a new connection,
        because a disk may have recovered.
        """
        connection, self._connection, self._records = self._connection, None, None
        if connection is None:
            return
        # closing rolls back the rest; even if it fails, the connection is no longer used
        with contextlib.suppress(sqlite3.Error):
            connection.close()


def _tell(outcomes: list[_Outcome]) -> None:
    """Set every outcome, those of one event loop together."""
    by_loop: dict[asyncio.AbstractEventLoop | None, list[_Outcome]] = {}
    for outcome in outcomes:
        promise = outcome[0]
        loop = promise.get_loop() if isinstance(promise, asyncio.Future) else None
        by_loop.setdefault(loop, []).append(outcome)
    for loop, told in by_loop.items():
        if loop is None:
            _settle(told)
        elif not loop.is_closed():
            try:
                loop.call_soon_threadsafe(_settle, told)
            except RuntimeError:
                # the loop was closed in between: no caller is waiting
                continue


def _settle(outcomes: list[_Outcome]) -> None:
    for promise, result, error in outcomes:
        if promise.done():
            continue
        if error is None:
            promise.set_result(result)
        else:
            promise.set_exception(_bearable(error))


def _bearable(error: BaseException) -> BaseException:
    # a future takes no StopIteration, and an exception that ends a program would end a loop
    if isinstance(error, Exception) and not isinstance(error, StopIteration):
        return error
    wrapped = RuntimeError(f"a transaction raised {type(error).__name__}")
    wrapped.__cause__ = error
    return wrapped
