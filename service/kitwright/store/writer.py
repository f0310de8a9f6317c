"""Writer: one thread that commits waiting transactions in groups, each with its own outcome."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from time import monotonic
from typing import Any, Final, TypeVar

from kitwright.keeping.store import Records, StoreError, StoreUnavailable
from kitwright.peak import Peak
from kitwright.store.failure import is_outer
from kitwright.store.rows import Session
from kitwright.store.sqlite import sqlite3

T = TypeVar("T")

_MOST: Final = 128
"""The most transactions in one commit, so that no caller waits for ever."""


_Piece = tuple[Callable[[Records], Any], Future[Any], float]
"""Work, its future result, and the monotonic second in which it was submitted."""
_Outcome = tuple[Future[Any], Any, BaseException | None]


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
        connect: Callable[[], Session],
        tables: Callable[[Session], Records],
        failure: Callable[[Exception], StoreError],
        tidy: Callable[[Session], None],
    ) -> None:
        self._connect = connect
        self._tables = tables
        self._failure = failure
        self._tidy = tidy
        self.waits = Peak()
        """Seconds from submitting a transaction to its result."""
        self._waiting: queue.SimpleQueue[_Piece | None] = queue.SimpleQueue()
        self._open: tuple[Session, Records] | None = None
        self._is_closed = False
        self._closing = threading.Lock()
        """Held while something is put into the queue, so that nothing is put behind its end."""
        self._thread = threading.Thread(target=self._run, name="writer", daemon=True)
        self._thread.start()

    def submit(self, work: Callable[[Records], T]) -> Future[T]:
        """Return the future result of a transaction, set once it is stored."""
        future: Future[T] = Future()
        # whoever stops waiting for it does not stop it
        future.set_running_or_notify_cancel()
        with self._closing:
            if self._is_closed:
                future.set_exception(StoreUnavailable("the store is closed"))
            else:
                self._waiting.put((work, future, monotonic()))
        return future

    @property
    def waiting(self) -> int:
        """The number of transactions that wait to be begun."""
        return self._waiting.qsize()

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
                outcomes = self._commit(group)
                self.waits.note(monotonic() - group[0][2])
                _settle(outcomes)
        self._give_up()

    def _commit(self, group: list[_Piece]) -> list[_Outcome]:
        """Return the outcomes of a group that was committed, or failed, as one."""
        try:
            if self._open is None:
                session = self._connect()
                self._open = session, self._tables(session)
            session, records = self._open
            # immediate: a transaction that reads first could not write after another one's write
            session.connection.execute("BEGIN IMMEDIATE")
            outcomes = [_outcome(session.connection.execute, records, piece) for piece in group]
            session.connection.execute("COMMIT")
        except sqlite3.Error as error:
            self._give_up()
            # one for each: a caller that catches an error adds to it
            return [(future, None, self._failure(error)) for _, future, _ in group]
        except BaseException as error:  # noqa: BLE001 - the thread lives on, and everyone is told
            self._give_up()
            return [(future, None, error) for _, future, _ in group]
        try:
            self._tidy(session)
        except sqlite3.Error:
            # committed data stays; the next group begins with a new connection
            self._give_up()
        return outcomes

    def _give_up(self) -> None:
        """Leave a transaction that can't be finished. The next group begins with a new connection,
        because a disk may have recovered.
        """
        left, self._open = self._open, None
        if left is not None:
            # closing rolls back the rest; even if it fails, the connection is no longer used
            with contextlib.suppress(sqlite3.Error):
                left[0].connection.close()


def _outcome(execute: Callable[[str], object], records: Records, piece: _Piece) -> _Outcome:
    """Return the outcome of one transaction; if it raised, only its changes are undone."""
    work, future, _ = piece
    execute("SAVEPOINT piece")
    try:
        result = work(records)
    except BaseException as error:
        if isinstance(error, sqlite3.Error) and is_outer(error):
            raise
        # an error of this transaction alone: only its caller is told, whatever it is
        execute("ROLLBACK TO piece")
        execute("RELEASE piece")
        return future, None, error
    execute("RELEASE piece")
    return future, result, None


def _settle(outcomes: list[_Outcome]) -> None:
    for future, result, error in outcomes:
        if error is None:
            future.set_result(result)
        else:
            future.set_exception(_bearable(error))


def _bearable(error: BaseException) -> BaseException:
    # a future takes no StopIteration, and an exception that ends a program would end a loop
    if isinstance(error, Exception) and not isinstance(error, StopIteration):
        return error
    wrapped = RuntimeError(f"a transaction raised {type(error).__name__}")
    wrapped.__cause__ = error
    return wrapped
