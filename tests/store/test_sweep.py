"""A database is written anew after an erasure, so that no page holds a copy of what was erased."""

from contextlib import closing
from pathlib import Path

import pytest
from msgspec import structs
from tests.store.small import STAMP, a_customer, figures

from kitwright.keeping.erasing import begin_erasure
from kitwright.keeping.erasure_steps import erase_now
from kitwright.keeping.life import keep_quote
from kitwright.keeping.record import Customer
from kitwright.keeping.store import Records
from kitwright.store.doctor import examine
from kitwright.store.engine import FILE, SqliteStore, connect
from kitwright.store.sweep import sweep
from kitwright.web.calls.erasure import redact

NAME = "Quillfeather"


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """Return a data folder of a shop with two customers."""

    def work(records: Records) -> None:
        for name in (NAME, "Ada"):
            customer = records.customers.add(a_customer(name)).number
            keep_quote(records, STAMP, structs.replace(figures(), customer=customer))

    with closing(SqliteStore.open(tmp_path / "shop")) as store:
        store.write_now(work)
    return tmp_path / "shop"


def customer_of(records: Records, number: int) -> Customer:
    found = records.customers.get(number)
    assert found is not None
    return found


def erase(shop: Path, number: int) -> None:
    with closing(SqliteStore.open(shop)) as store:
        store.write_now(
            lambda records: erase_now(records, STAMP, customer_of(records, number), redact=redact)
        )


def leave_a_copy(file: Path) -> None:
    """Write the name into the free part of a page, where a row was that has been moved."""
    with closing(connect(file)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (page,) = connection.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'customers'"
        ).fetchone()
    data = bytearray(file.read_bytes())
    # behind the page's head and its two cell pointers; its cells are at its end
    place = (page - 1) * 4096 + 200
    assert not any(data[place : place + len(NAME)])
    data[place : place + len(NAME)] = NAME.encode()
    file.write_bytes(data)


def test_copy_that_a_moved_row_left_goes_with_the_sweep(shop: Path) -> None:
    erase(shop, 1)
    leave_a_copy(shop / FILE)
    assert NAME.encode() in (shop / FILE).read_bytes()

    assert sweep(shop / FILE)

    assert NAME.encode() not in (shop / FILE).read_bytes()
    assert not [one for one in examine(shop) if one.severity == "error"]


def test_sweep_is_done_once_for_each_erasure(shop: Path) -> None:
    done = [sweep(shop / FILE)]
    for number in (1, 2):
        erase(shop, number)
        done += [sweep(shop / FILE), sweep(shop / FILE)]

    assert done == [False, True, False, True, False]


def test_sweep_waits_for_an_erasure_under_way(shop: Path) -> None:
    with closing(SqliteStore.open(shop)) as store:
        store.write_now(lambda records: begin_erasure(records, STAMP, customer_of(records, 1)))

    assert not sweep(shop / FILE)
