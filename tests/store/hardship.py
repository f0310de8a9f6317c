"""Hardships that processes of their own go through: `python -m tests.store.hardship FOLDER NAME...`

Each asserts what it promises, in a folder of its own; those that come through are printed.
"""

from __future__ import annotations

import asyncio
import os
import resource
import sys
import traceback
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Final, TypeVar

from tests.store.small import NOON, STAMP, a_key, an_answer, an_event, figures

from kitwright.keeping.life import keep_quote
from kitwright.keeping.offer import issue
from kitwright.keeping.store import Records, StoreError, StoreFull, StoreUnavailable
from kitwright.store.engine import FILE, SqliteStore

T = TypeVar("T")
NOBODY: Final = 65534


def add_event(records: Records) -> int:
    return records.events.add(an_event()).seq


def last(store: SqliteStore) -> int:
    return store.read(lambda records: records.events.last())


def refusal(store: SqliteStore, work: Callable[[Records], object]) -> StoreError | None:
    try:
        store.write_now(work)
    except StoreError as error:
        return error
    return None


def disk_full(folder: Path) -> None:
    """No file may grow beyond a bound, as on a full disk; then the bound is lifted."""
    with closing(SqliteStore.open(folder)) as store:
        kept = store.write_now(add_event)
        largest = max(file.stat().st_size for file in folder.iterdir())
        hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
        resource.setrlimit(resource.RLIMIT_FSIZE, (largest + 20_000, hard))

        def large(records: Records) -> int:
            seq = add_event(records)
            records.answers.add(an_answer(f"n{seq}", body=os.urandom(3000)), NOON)
            return seq

        failure = None
        while failure is None:
            assert kept < 1000, "the bound was never met"
            try:
                kept = store.write_now(large)
            except StoreError as error:
                failure = error
        assert isinstance(failure, StoreFull), failure
        assert isinstance(refusal(store, large), StoreFull)
        assert last(store) == kept

        resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
        assert store.write_now(large) == kept + 1
        assert last(store) == kept + 1
    with closing(SqliteStore.open(folder)) as store:
        assert store.write_now(large) == kept + 2


def folder_full_at_first(folder: Path) -> None:
    """There is no room even for the tables; later there is."""
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
    try:
        SqliteStore.open(folder).close()
    except StoreFull:
        pass
    else:
        raise AssertionError("tables for nothing")
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    with closing(SqliteStore.open(folder)) as store:
        assert store.write_now(add_event) == 1


def become_nobody(folder: Path) -> None:
    """Go on as a user who may not write everywhere, with the folder one's own."""
    if os.getuid() == 0:
        for path in (folder, *folder.iterdir()):
            os.chown(path, NOBODY, NOBODY)
        os.setgid(NOBODY)
        os.setuid(NOBODY)


def read_only(folder: Path) -> None:
    """The folder can be read but not written to; later it can."""
    with closing(SqliteStore.open(folder)) as store:
        store.write_now(add_event)
    become_nobody(folder)
    folder.chmod(0o555)
    with closing(SqliteStore.open(folder)) as store:
        assert last(store) == 1
        assert isinstance(refusal(store, add_event), StoreUnavailable)
        assert isinstance(refusal(store, add_event), StoreUnavailable)
        assert last(store) == 1

        folder.chmod(0o755)
        assert store.write_now(add_event) == 2
        assert last(store) == 2
        assert store.write_now(add_event) == 3
        assert last(store) == 3

        # what is open already stays open
        folder.chmod(0o555)
        assert last(store) == 3
    folder.chmod(0o755)


def read_only_file(folder: Path) -> None:
    """Not even the database's own file may be written to."""
    with closing(SqliteStore.open(folder)) as store:
        store.write_now(add_event)
    become_nobody(folder)
    file = folder / FILE
    file.chmod(0o444)
    folder.chmod(0o555)
    with closing(SqliteStore.open(folder)) as store:
        assert last(store) == 1
        assert isinstance(refusal(store, add_event), StoreUnavailable)
        folder.chmod(0o755)
        file.chmod(0o644)
        assert store.write_now(add_event) == 2
        assert last(store) == 2


def read_only_without_database(folder: Path) -> None:
    """There is nothing to read, and nothing can be made."""
    become_nobody(folder)
    folder.chmod(0o555)
    for place in (folder, folder / "within" / "it"):
        try:
            SqliteStore.open(place).close()
        except StoreUnavailable as error:
            assert str(place) in str(error), error
            assert not isinstance(error, StoreFull)
        else:
            raise AssertionError("opened nothing")
    folder.chmod(0o755)


def read_only_with_a_log(folder: Path) -> None:
    """Changes are left in a log that can't be taken in: stale records are not shown for true."""
    with closing(SqliteStore.open(folder)) as store:
        store.write_now(add_event)
    left = folder / f"{FILE}-wal"
    left.write_bytes(b"what a process that broke off has left")
    become_nobody(folder)
    folder.chmod(0o555)
    try:
        SqliteStore.open(folder).close()
    except StoreUnavailable as error:
        assert str(folder) in str(error), error
    else:
        raise AssertionError("read past a log")
    folder.chmod(0o755)
    with closing(SqliteStore.open(folder)) as store:
        assert last(store) == 1


def writes_for_ever(folder: Path) -> None:
    """Issue quotes until killed, telling each number once the quote is kept."""

    def work(records: Records) -> int:
        return issue(records, STAMP, keep_quote(records, STAMP, figures())).number

    async def write() -> None:
        while True:
            numbers = await asyncio.gather(*(store.write(work) for _ in range(3)))
            print(max(numbers), flush=True)

    with closing(SqliteStore.open(folder)) as store:
        asyncio.run(write())


def opens_together(folder: Path) -> None:
    """Several open a new folder at the same moment."""

    def one(number: int) -> None:
        with closing(SqliteStore.open(folder / "new")) as store:
            store.write_now(lambda records: records.keys.add(a_key(str(number))))

    children = [fork(one, number) for number in range(4)]
    assert [is_well(child) for child in children] == [True] * 4
    with closing(SqliteStore.open(folder / "new")) as store:
        assert len(store.read(lambda records: records.keys.every())) == 4


def fork(work: Callable[[T], None], given: T) -> int:
    """Return the id of a process that does some work and ends."""
    child = os.fork()
    if not child:
        code = 1
        try:
            work(given)
            code = 0
        except BaseException:  # noqa: BLE001 - it is printed, and the process ends
            traceback.print_exc()
        finally:
            sys.stderr.flush()
            os._exit(code)
    return child


def is_well(child: int) -> bool:
    return os.waitpid(child, 0)[1] == 0


ALL: Final = (
    disk_full,
    folder_full_at_first,
    read_only,
    read_only_file,
    read_only_without_database,
    read_only_with_a_log,
    opens_together,
)

if __name__ == "__main__":
    place, *names = sys.argv[1:]
    if not names:
        writes_for_ever(Path(place))
    for hardship in ALL:
        if hardship.__name__ in names:
            own = Path(place) / hardship.__name__
            own.mkdir()
            if is_well(fork(hardship, own)):
                print(hardship.__name__, flush=True)
