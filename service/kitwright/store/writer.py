"""Writer: one thread that commits what waits in groups, each piece of work with its own outcome."""

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
"""Pieces of work in one commit, so that nobody waits for ever."""


class _Promise(Protocol):
    """What a piece of work's outcome is told to."""

    def done(self) -> bool:
        """Whether nobody waits any more."""

    def set_result(self, result: Any, /) -> None:
        """Tell what it returned."""

    def set_exception(self, exception: Any, /) -> None:
        """Tell what it raised."""


_Piece = tuple[Callable[[Records], Any], _Promise]
_Outcome = tuple[_Promise, Any, BaseException | None]


class Writer:
    """One connection in one thread.

    Args:
        connect: opens the connection, and opens it again after a failure of the disk.
        tables: makes the records of a connection.
        failure: tells in the store's own words what the database said of the disk.
        tidy: does what is left to do after a commit, before anybody is told of it.
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
        """Do a piece of work when its turn comes, and tell its future in that future's loop."""
        self._submit(work, future)

    def submit_and_wait(self, work: Callable[[Records], T]) -> T:
        """Return what a piece of work returns, once it is kept."""
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
        """Finish what waits, then end the thread."""
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
        """Return the outcomes of a group that was committed, or failed, as a whole."""
        try:
            if self._connection is None:
                self._connection = self._connect()
                self._records = self._tables(self._connection)
            # immediate: a transaction that reads first could not write any more after another's
            self._connection.execute("BEGIN IMMEDIATE")
            outcomes = [self._outcome(piece) for piece in group]
            self._connection.execute("COMMIT")
        except sqlite3.Error as error:
            self._give_up()
            # one for each: whoever catches an error adds to it
            return [(promise, None, self._failure(error)) for _, promise in group]
        except BaseException as error:  # noqa: BLE001 - the thread lives on, and everyone is told
            self._give_up()
            return [(promise, None, error) for _, promise in group]
        try:
            self._tidy(self._connection, self._records)  # type: ignore[arg-type]  # set above
        except sqlite3.Error:
            # what was committed stays so; the next group begins with a new connection
            self._give_up()
        return outcomes

    def _outcome(self, piece: _Piece) -> _Outcome:
        """Return what one piece of work came to; undo it alone where it raised."""
        work, promise = piece
        execute = self._connection.execute
        execute("SAVEPOINT piece")
        try:
            result = work(self._records)  # type: ignore[arg-type]  # set beside the connection
        except BaseException as error:
            if isinstance(error, sqlite3.Error) and is_outer(error):
                raise
            # the work's own fault, and no other's: whatever it is, its caller alone is told
            execute("ROLLBACK TO piece")
            execute("RELEASE piece")
            return promise, None, error
        execute("RELEASE piece")
        return promise, result, None

    def _give_up(self) -> None:
        """Leave a transaction that can't be finished; the next group begins with a new connection,
        since a disk may be well again.
        """
        connection, self._connection, self._records = self._connection, None, None
        if connection is None:
            return
        # closing rolls back what is left, and even where it fails the connection is done with
        with contextlib.suppress(sqlite3.Error):
            connection.close()


def _tell(outcomes: list[_Outcome]) -> None:
    """Tell every outcome, those of one event loop together."""
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
                # the loop was closed in between: nobody waits
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
    # a future takes no StopIteration, and a loop is ended by what ends a program
    if isinstance(error, Exception) and not isinstance(error, StopIteration):
        return error
    wrapped = RuntimeError(f"a transaction raised {type(error).__name__}")
    wrapped.__cause__ = error
    return wrapped
