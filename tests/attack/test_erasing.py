"""Erasing leaves nothing, however often it is killed, and never holds others up for long."""

import gc
import os
import random
import time
from contextlib import closing
from pathlib import Path

from tests.attack.erasing import NAME, a_busy_customer, finish, rounds, traces
from tests.store.small import STAMP

from kitwright.keeping.erasing import begin_erasure
from kitwright.keeping.erasure_steps import erase_step
from kitwright.keeping.record import Erasure
from kitwright.keeping.store import Records
from kitwright.store.engine import FILE, SqliteStore
from kitwright.web.calls.erasure import redact

IS_LONG = bool(os.environ.get("KITWRIGHT_LONG"))
KILLS = 100 if IS_LONG else 4
QUOTES = 2000 if IS_LONG else 40
LONGEST_SECONDS = 0.05


def test_erasure_that_was_killed_leaves_nothing(tmp_path: Path) -> None:
    hits, left = rounds(tmp_path, KILLS, 25, random.Random(3))

    assert left == []
    assert hits > 0


def test_attack_sees_what_was_not_erased(tmp_path: Path) -> None:
    a_busy_customer(tmp_path, 2)

    left = list(traces(tmp_path))

    assert FILE in left
    assert len(left) == 1 + 2 + 2
    finish(tmp_path)
    assert list(traces(tmp_path)) == []


def test_erasing_never_holds_the_writer_for_long(tmp_path: Path) -> None:
    a_busy_customer(tmp_path, QUOTES)
    steps = list[float]()

    def begin(records: Records) -> Erasure:
        customer = records.customers.get(1)
        assert customer is not None
        assert NAME in customer.name
        return begin_erasure(records, STAMP, customer)

    def step(records: Records) -> bool:
        # of this thread alone: others may have the machine as well
        begun = time.thread_time()
        until = time.monotonic() + 0.01
        done = erase_step(records, 1, redact=redact, has_time=lambda: time.monotonic() < until)
        steps.append(time.thread_time() - begun)
        return done is not None

    gc.collect()
    gc.freeze()
    try:
        with closing(SqliteStore.open(tmp_path)) as store:
            store.write_now(begin)
            while store.write_now(step):
                pass
    finally:
        gc.unfreeze()

    assert len(steps) > QUOTES / 10
    assert max(steps) < LONGEST_SECONDS
