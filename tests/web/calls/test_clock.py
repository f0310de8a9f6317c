"""What mechanics clock on a quote, over the API."""

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from tests.web.calls.conftest import Staff

OPEN = "2027-03-01T12:00:00Z"


class Bench:
    """A mechanic's bench with quotes in work."""

    def __init__(self, staff: Staff) -> None:
        self.staff = staff

    def begun(self, **members: Any) -> str:
        quote = self.staff.accepted(**members)
        asked = {"revisions": [{"quote": quote, "revision": 1}]}
        self.staff.done("/v1/orders", asked)
        self.staff.act(quote, "start")
        return quote

    def clock(self, quote: str, act: str, by: str = "R. Okafor", **members: Any) -> Any:
        body = {"act": act, "by": by, **members}
        return self.staff.done(f"/v1/quotes/{quote}/clock", body).json()

    def refused(self, quote: str, act: str, by: str = "R. Okafor", **members: Any) -> str:
        body = {"act": act, "by": by, **members}
        told = self.staff.refused(f"/v1/quotes/{quote}/clock", body)
        return str(told["errors"][0]["code"])

    def wait(self, **gone: int) -> None:
        self.staff.counter.clock.now += timedelta(**gone)


@pytest.fixture
def bench(staff: Staff) -> Bench:
    return Bench(staff)


def plan_of(bench: Bench, quote: str) -> Any:
    return bench.staff.get(f"/v1/quotes/{quote}/revisions/1")["quote"]["work_plan"]


def test_clock_counts_whole_minutes_of_a_step_in_its_group(bench: Bench) -> None:
    quote = bench.begun()
    step = next(one for one in plan_of(bench, quote)["steps"] if one["kind"] == "remove")
    before = bench.staff.get(f"/v1/quotes/{quote}")

    told = bench.clock(quote, "start", step=step["step"])
    (entry,) = told["entries"]
    assert (entry["running"], entry["minutes"], entry["phase"]) == (True, 0, "teardown")
    # closing time in Denver
    assert entry["stopped_at"] == "2027-03-02T00:30:00Z"
    bench.wait(minutes=17, seconds=59)
    told = bench.clock(quote, "stop")

    (entry,) = told["entries"]
    assert (entry["running"], entry["forgotten"], entry["minutes"]) == (False, False, 17)
    assert (entry["started_at"], entry["stopped_at"]) == (OPEN, "2027-03-01T12:17:00Z")
    assert {one["phase"]: one["clocked"] for one in told["phases"]}["teardown"] == 17
    assert told == bench.staff.get(f"/v1/quotes/{quote}/clock")
    assert bench.staff.get(f"/v1/quotes/{quote}") == before
    (event,) = bench.staff.get("/v1/events", limit=200)["items"][-1:]
    assert (event["kind"], event["subject"]) == ("quote.clocked", quote)


def test_billed_minutes_of_groups_add_up(bench: Bench) -> None:
    quote = bench.begun(machines=3)
    told = bench.staff.get(f"/v1/quotes/{quote}/clock")
    plan = plan_of(bench, quote)

    assert plan["machines"] == 3
    phases = sum(Decimal(one["billed"]) for one in told["phases"])
    billed = Decimal(told["billed"])
    assert abs(phases + Decimal(told["in_no_step"]) - billed) <= Decimal("0.03")
    lines = sum(Decimal(step["exact_minutes"]) * 3 for step in plan["steps"])
    rows = sum(Decimal(row["exact_minutes"]) for row in plan["rows"])
    assert abs(lines + rows - billed) <= Decimal("0.01")
    assert billed > 0


def test_forgotten_clock_stops_at_closing_and_is_corrected(bench: Bench) -> None:
    quote = bench.begun()
    bench.clock(quote, "start", phase="work")
    assert bench.refused(quote, "correct", entry=1, minutes=5, reason="Slip.") == "nothing-clocked"
    bench.wait(days=1)

    (entry,) = bench.staff.get(f"/v1/quotes/{quote}/clock")["entries"]
    assert (entry["running"], entry["forgotten"]) == (False, True)
    assert entry["minutes"] == 12 * 60 + 30
    assert bench.refused(quote, "stop") == "clock-not-running"
    told = bench.clock(
        quote, "correct", by="Owner", entry=1, minutes=45, reason="Went home, clock ran."
    )

    (entry,) = told["entries"]
    assert (entry["minutes"], entry["forgotten"], told["clocked"]) == (45, True, 45)
    assert entry["correction"]["reason"] == "Went home, clock ran."
    assert entry["correction"]["by"] == "Owner"
    told = bench.clock(quote, "correct", by="Owner", entry=1, minutes=40, reason="Asked again.")
    assert told["clocked"] == 40
    assert bench.refused(quote, "correct", entry=9, minutes=5, reason="Slip.") == "nothing-clocked"


def test_nobody_is_clocked_twice_at_once(bench: Bench) -> None:
    first, second = bench.begun(), bench.begun()
    bench.clock(first, "start", phase="work")
    bench.wait(minutes=10)

    assert bench.refused(first, "start", phase="test") == "clock-overlaps"
    assert bench.refused(second, "start", phase="work") == "clock-overlaps"
    bench.clock(second, "start", by="A. Mbeki", phase="work")
    bench.clock(first, "stop", at="2027-03-01T12:06:00Z")
    assert bench.refused(second, "start", phase="work", at="2027-03-01T12:05:00Z") == (
        "clock-overlaps"
    )
    bench.clock(second, "start", phase="work", at="2027-03-01T12:06:00Z")
    assert bench.refused(second, "stop", at="2027-03-01T12:05:00Z") == "clock-stop-outside"
    assert bench.refused(first, "stop") == "clock-not-running"


def test_late_stop_does_not_reach_into_what_was_begun_since(bench: Bench) -> None:
    first, second = bench.begun(), bench.begun()
    bench.clock(first, "start", phase="work")
    bench.wait(hours=13)
    # past closing: the mechanic stays, and begins something else
    bench.clock(second, "start", phase="work")
    bench.wait(minutes=20)

    assert bench.refused(first, "stop") == "clock-stop-outside"
    told = bench.clock(first, "stop", at="2027-03-02T00:50:00Z")
    assert told["clocked"] == 12 * 60 + 50
    told = bench.clock(second, "stop")
    assert told["clocked"] == 20


def test_finish_stops_clocks_and_ends_clocking(bench: Bench) -> None:
    quote, other = bench.begun(), bench.begun()
    bench.clock(quote, "start", phase="work")
    bench.clock(other, "start", by="A. Mbeki", phase="work")
    bench.wait(minutes=30)
    bench.staff.act(quote, "finish", {"unbooked": "Nobody books deliveries here."})
    bench.wait(minutes=30)

    told = bench.staff.get(f"/v1/quotes/{quote}/clock")
    assert (told["clocked"], told["entries"][0]["running"]) == (30, False)
    assert bench.staff.get(f"/v1/quotes/{other}/clock")["clocked"] == 60
    body = {"act": "minutes", "by": "R. Okafor", "phase": "work", "minutes": 5}
    assert bench.staff.refused(f"/v1/quotes/{quote}/clock", body)["code"] == "act-refused"


def test_steps_are_ticked_and_unticked(bench: Bench) -> None:
    quote = bench.begun()
    first, second = (one["step"] for one in plan_of(bench, quote)["steps"][:2])
    for step in (first, second, first):
        bench.clock(quote, "tick", step=step)
    told = bench.clock(quote, "untick", step=second)

    assert [(one["step"], one["by"]) for one in told["done"]] == [(first, "R. Okafor")]
    assert told["clocked"] == 0


def test_finding_stays_with_the_step_where_it_was_seen(bench: Bench) -> None:
    quote = bench.begun()
    first, second = (one["step"] for one in plan_of(bench, quote)["steps"][:2])
    bench.clock(quote, "tick", step=first, finding="The seat is pitted.")
    told = bench.clock(quote, "tick", step=second)
    assert [one["finding"] for one in told["done"]] == ["The seat is pitted.", None]

    bench.clock(quote, "tick", step=second, finding="The stud is bent.")
    told = bench.clock(quote, "tick", step=second)

    assert [one["finding"] for one in told["done"]] == ["The seat is pitted.", "The stud is bent."]
    told = bench.clock(quote, "untick", step=second)
    assert [one["step"] for one in told["done"]] == [first]


@pytest.mark.parametrize(
    ("members", "code"),
    [
        ({"act": "start"}, "clock-unclear"),
        ({"act": "start", "phase": "work", "step": "hand 1"}, "clock-unclear"),
        ({"act": "start", "phase": "work", "minutes": 3}, "clock-unclear"),
        ({"act": "stop", "phase": "work"}, "clock-unclear"),
        ({"act": "minutes", "phase": "work"}, "clock-unclear"),
        ({"act": "untick", "step": "hand 1", "finding": "Bent."}, "clock-unclear"),
        ({"act": "correct", "entry": 1, "minutes": 3}, "clock-unclear"),
        (
            {"act": "minutes", "phase": "work", "minutes": 3, "day": "2027-03-02"},
            "clock-impossible",
        ),
        (
            {"act": "minutes", "phase": "work", "minutes": 3, "day": "1999-01-01"},
            "clock-impossible",
        ),
        ({"act": "start", "phase": "work", "at": "2027-03-01T12:00:01Z"}, "clock-impossible"),
        ({"act": "stop", "at": "2027-02-28T12:00:00Z"}, "clock-impossible"),
    ],
)
def test_clock_says_what_it_can_not_take(bench: Bench, members: Any, code: str) -> None:
    quote = bench.begun()

    assert bench.refused(quote, **members) == code
    assert bench.staff.get(f"/v1/quotes/{quote}/clock")["entries"] == []


def test_sum_of_minutes_is_of_any_day_before(bench: Bench) -> None:
    quote = bench.begun()

    told = bench.clock(quote, "minutes", phase="refit", minutes=25, day="2027-02-26")

    (entry,) = told["entries"]
    assert (entry["day"], entry["started_at"], entry["minutes"]) == ("2027-02-26", None, 25)
    told = bench.clock(quote, "correct", by="Owner", entry=1, minutes=0, reason="Other quote.")
    assert told["clocked"] == 0


def test_day_of_a_mechanic_has_as_many_minutes_as_a_day(bench: Bench) -> None:
    first, second = bench.begun(), bench.begun()
    said: dict[str, Any] = {"phase": "work", "minutes": 1000}
    bench.clock(first, "minutes", **said)

    assert bench.refused(second, "minutes", **said) == "clock-impossible"
    assert bench.refused(second, "minutes", phase="work", minutes=441) == "clock-impossible"
    bench.clock(second, "minutes", phase="work", minutes=440)
