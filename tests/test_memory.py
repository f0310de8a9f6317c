"""Memory: a budget in bytes holds, whatever is asked."""

import gc
import tracemalloc
from collections.abc import Callable
from contextlib import suppress
from datetime import date

import numpy as np
from msgspec import Struct
from tests.bench.requests import varied_requests

from kitwright.app import make_service
from kitwright.catalogue.model import Record
from kitwright.documents.printable import set_in_type
from kitwright.language.render import MOST_REMEMBERED
from kitwright.language.texts import languages
from kitwright.memory import ELSEWHERE, MIB, Memory, Recent
from kitwright.money import Money
from kitwright.quote import amount_of, encode_quote
from kitwright.settings import LEAST_MEMORY, Settings, built_in_catalog
from kitwright.solve.cover import SHAPES
from kitwright.stages.kit.market import MOST_LOTS, MOST_PARTS
from kitwright.stages.kit.need import MOST_NEEDS, MOST_USED
from kitwright.stages.price import LineKind
from kitwright.stages.price.price import MOST_LINES
from kitwright.stages.request import RequestRefused
from kitwright.telling.teller import MOST_TOLD, TOLD
from kitwright.web.calls.service import Service
from kitwright.web.calls.wire import JobIn, PreviewIn
from kitwright.web.edge.body import decode
from kitwright.workshop import MOST_COMPARED

KIB = 1024


class Counted(Struct, eq=False):
    """An answer of some size that counts how often it was worked out."""

    times: int = 0

    def work_out(self, size: int) -> Callable[[], bytes]:
        def work_out() -> bytes:
            self.times += 1
            return bytes(size)

        return work_out


def small_service(budget: int) -> Service:
    settings = Settings(catalog=built_in_catalog(), shop="hire-yard", memory=budget)
    return make_service(settings, lambda: date(2027, 3, 1))


def ask(service: Service, body: bytes) -> bytes | None:
    with suppress(RequestRefused):
        return encode_quote(service.quote(decode(body, PreviewIn)))
    return None


def test_memory_works_an_answer_out_once() -> None:
    memory, counted = Memory(100 * KIB), Counted()

    answers = [memory.get("a", counted.work_out(10)) for _ in range(3)]

    assert counted.times == 1
    assert all(answer is answers[0] for answer in answers)


def test_memory_forgets_the_least_recently_used_to_keep_its_budget() -> None:
    memory, counted = Memory(40 * KIB), Counted()
    for name in ("a", "b", "c"):
        memory.get(name, counted.work_out(12 * KIB))
    memory.get("a", counted.work_out(12 * KIB))
    assert counted.times == 3

    memory.get("d", counted.work_out(12 * KIB))
    assert memory.held <= memory.budget

    memory.get("a", counted.work_out(12 * KIB))
    assert counted.times == 4
    memory.get("b", counted.work_out(12 * KIB))
    assert counted.times == 5


def test_memory_forgets_at_once_what_is_larger_than_its_budget() -> None:
    memory, counted = Memory(10 * KIB), Counted()

    for _ in range(2):
        assert len(memory.get("a", counted.work_out(20 * KIB))) == 20 * KIB

    assert counted.times == 2
    assert memory.held == 0


def test_memory_counts_answers_that_it_does_not_measure_as_the_mean_of_their_kind() -> None:
    memory = Memory(MIB)
    for number in range(64):
        memory.get(("kind", number), lambda: bytes(4 * KIB))
    memory.get(("other", 0), lambda: bytes(40 * KIB))

    assert 64 * 4 * KIB + 40 * KIB < memory.held < 70 * 4 * KIB + 80 * KIB


def test_recent_drops_what_was_not_used_for_the_longest_time() -> None:
    recent = Recent[int, str](2)
    for number in range(4):
        recent.put(number, str(number))
    assert recent.get(0) == "0"
    recent.put(4, "4")

    assert [recent.get(number) for number in (0, 4)] == ["0", "4"]
    assert recent.get(1) is None
    assert len(recent.values()) <= 4


def test_memory_notices_that_an_answer_has_grown() -> None:
    memory, growing = Memory(100 * KIB), list[bytes]()
    memory.get("a", lambda: growing, grows=True)
    for _ in range(8):
        growing.append(bytes(10 * KIB))
        memory.get("a", lambda: growing, grows=True)

    assert 80 * KIB <= memory.held <= memory.budget


def test_memory_measures_what_grows_with_its_first_use_when_the_next_comes() -> None:
    memory, growing = Memory(100 * KIB), list[bytes]()
    memory.get("a", lambda: growing, grows=True).append(bytes(50 * KIB))
    assert memory.held < KIB

    memory.get("b", list[bytes], grows=True)

    assert 50 * KIB <= memory.held <= 52 * KIB


def test_memory_counts_the_bytes_that_an_array_shows() -> None:
    memory = Memory(MIB)
    whole = np.zeros((8, KIB))

    assert memory.size_of([whole.T[:, :2]]) >= 64 * KIB
    assert memory.size_of([whole, whole[0], whole.T]) < 66 * KIB


def test_memory_counts_a_question_and_everything_that_an_answer_leads_to() -> None:
    memory = Memory(MIB)

    memory.get(("a", "x" * 5 * KIB), lambda: {"deep": [[bytes(7 * KIB)], (bytes(9 * KIB),)]})

    assert 21 * KIB <= memory.held <= 23 * KIB


def test_memory_leaves_out_what_is_there_anyway() -> None:
    class Row(Record, frozen=True):
        text: str

    memory = Memory(MIB, (Record,))

    memory.get("a", lambda: [Row("x" * 9 * KIB)])

    assert memory.held < KIB


def test_memory_is_empty_once_it_was_cleared() -> None:
    memory, counted = Memory(MIB), Counted()
    memory.get("a", counted.work_out(KIB))

    memory.clear()
    assert memory.held == 0

    memory.get("a", counted.work_out(KIB))
    assert counted.times == 2


def test_memory_measures_as_much_as_is_free_once_it_is_forgotten() -> None:
    service = small_service(2_000)
    memory = service.workshop.memory
    SHAPES.clear()
    gc.collect()
    tracemalloc.start()
    try:
        for body in varied_requests(16):
            ask(service, body)
        gc.collect()
        measured = memory.held + SHAPES.held
        full, _ = tracemalloc.get_traced_memory()
        memory.clear()
        SHAPES.clear()
        gc.collect()
        empty, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()

    assert measured > 3 * MIB
    # what answers share is counted for each
    assert 0.9 * (full - empty) < measured < 2 * (full - empty)


def test_service_answers_the_same_whether_or_not_it_remembers() -> None:
    narrow, wide = small_service(LEAST_MEMORY), small_service(2_000)
    memory = narrow.workshop.memory
    # so little that most is forgotten
    memory.budget = MIB
    bodies = varied_requests(12)

    for body in (*bodies, *bodies):
        assert ask(narrow, body) == ask(wide, body)
        assert memory.held <= memory.budget


def test_what_is_remembered_elsewhere_stays_within_its_share() -> None:
    memory = Memory(0)
    amounts = [Money(10**12 + number, "USD") for number in range(100)]
    of_amount = max(memory.size_of(each, amount_of(each)) for each in amounts)
    text = "\u4e2d" * 2_000
    of_text = memory.size_of(text, set_in_type(text))
    entry = 500
    service = small_service(2_000)
    for body in varied_requests(24):
        ask(service, body)
    head = tuple(JobIn(job=job, cylinder=1) for job in ("J-HEAD-RENEW", "J-HEAD-GASKET"))
    lines = service.work_out(PreviewIn(family="QM-D74", jobs=head)).repair.lines
    of_line = max(memory.size_of(each) for each in lines if each.kind is LineKind.labour)
    of_number = memory.size_of("1234567.891", "1,234,567.891")

    whole = SHAPES.budget
    whole += amount_of.cache_parameters()["maxsize"] * (of_amount + entry)
    whole += set_in_type.cache_parameters()["maxsize"] * (of_text + entry)
    whole += 2 * MOST_LINES * (of_line + entry)
    # of numbers and of amounts; a cache of the latest holds up to twice as many as it is to hold
    whole += 2 * 2 * len(languages()) * MOST_REMEMBERED * (of_number + entry)
    workshop = service.workshop
    for values, most in (
        ([told for each in TOLD.values() for told in each.values()], len(languages()) * MOST_TOLD),
        (workshop.needs.made.values(), MOST_NEEDS),
        ([needs for _, needs in workshop.needs.used.values()], MOST_USED),
        (workshop.market.parts.values(), MOST_PARTS),
        (workshop.market.choices.values(), MOST_PARTS),
        (workshop.market.offers.values(), MOST_PARTS),
        (workshop.market.lots.values(), MOST_LOTS),
        ([labour for _, labour in workshop.labours.values()], MOST_COMPARED),
        (workshop.kits.values(), MOST_COMPARED),
        ([orders for _, _, orders in workshop.later.values()], MOST_COMPARED),
    ):
        memory = Memory(0, (Record,))
        assert len(values) > 50
        whole += 2 * most * (memory.size_of(*values) // len(values) + entry)
    assert whole <= ELSEWHERE
    assert ELSEWHERE < LEAST_MEMORY * MIB
