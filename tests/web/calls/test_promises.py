"""Promises of orders that are made: from that day and hour, the same on every document."""

import csv
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC, date, datetime
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any

import pytest
from lxml import etree
from msgspec import structs
from pypdf import PdfReader
from tests.desks import DAY, client_of, open_counter
from tests.web.calls.conftest import Staff

from kitwright.app import make_app
from kitwright.catalogue.model import Supplier
from kitwright.language.scribe import Scribe
from kitwright.stages.supply import arrival
from kitwright.web.calls.service import Service
from kitwright.workshop import Workshop

Change = Callable[[Supplier], Supplier]
Open = Callable[[Change], Staff]


@pytest.fixture
def counters(service: Service, tmp_path: Path) -> Iterator[Open]:
    """Return what opens the counter of a shop, each of its suppliers changed."""
    with ExitStack() as stack:

        def opened(change: Change) -> Staff:
            plain = service.workshop.catalogue
            suppliers = {name: change(one) for name, one in plain.suppliers.items()}
            catalogue = structs.replace(plain, suppliers=suppliers)
            changed = Service(Workshop(catalogue, service.workshop.shop), lambda: DAY)
            folder = tmp_path / f"data-{len(list(tmp_path.iterdir()))}"
            counter = stack.enter_context(open_counter(changed, folder))
            app = make_app(counter.desk)
            return Staff(counter, stack.enter_context(client_of(app, counter.key)))

        yield opened


def ordered(staff: Staff, quote: str) -> list[dict[str, Any]]:
    """Order the parts of a quote's first revision; return the orders."""
    answer = staff.done("/v1/orders", {"revisions": [{"quote": quote, "revision": 1}]})
    return list(answer.json()["items"])


def promises(orders: list[dict[str, Any]]) -> list[date]:
    return [date.fromisoformat(one["order"]["promised"]) for one in orders]


def test_order_is_promised_from_the_day_on_which_it_is_made(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    quoted = staff.get(f"/v1/quotes/{id}")["quote"]["orders"]
    staff.counter.clock.pass_days(8)

    orders = ordered(staff, id)

    workshop = staff.counter.desk.service.workshop
    assert [one["order"]["supplier"] for one in orders] == [one["supplier"] for one in quoted]
    for one in orders:
        order = one["order"]
        supplier = workshop.catalogue.suppliers[order["supplier"]]
        assert order["ordered_on"] == "2027-03-09"
        for line in order["lines"]:
            days = line["lead_days"]
            expected = arrival(workshop.shop, supplier, days, date(2027, 3, 9))
            assert line["promised"] == expected.isoformat()
        assert order["promised"] == max(line["promised"] for line in order["lines"])
        assert staff.get(f"/v1/orders/{one['id']}") == one


@pytest.mark.parametrize("hour", [1, 12, 23])
def test_every_document_of_an_order_names_the_same_days(staff: Staff, hour: int) -> None:
    # at 01:00 UTC it is still the day before where the shop is
    id = staff.accepted()  # noqa: A001
    staff.counter.clock.now = datetime(2027, 3, 9, hour, tzinfo=UTC)
    made_on = "2027-03-08" if hour == 1 else "2027-03-09"
    scribe = Scribe("en")

    for one in ordered(staff, id):
        path = f"/v1/orders/{one['id']}/sheet"
        promised = one["order"]["promised"]

        def taken(form: str, path: str = path) -> bytes:
            answer = staff.client.get(path, headers={"Accept": form})
            assert answer.status_code == 200, answer.text
            return bytes(answer.content)

        pages = PdfReader(BytesIO(taken("application/pdf"))).pages
        printed = " ".join(" ".join(page.extract_text() for page in pages).split())
        rows = list(csv.DictReader(StringIO(taken("text/csv").decode(), newline="")))
        xml = etree.fromstring(taken("application/xml"))

        assert one["order"]["ordered_on"] == made_on
        assert f"Date {scribe.day(date.fromisoformat(made_on))}" in printed
        assert f"Requested for {scribe.day(date.fromisoformat(promised))}" in printed
        assert scribe.day(DAY) not in printed
        assert {row["ordered_on"] for row in rows} == {made_on}
        assert max(row["requested"] for row in rows) == promised
        assert xml.findtext("{*}IssueDate") == made_on
        assert xml.findtext("{*}Delivery/{*}RequestedDeliveryPeriod/{*}EndDate") == promised
        lines = [line["promised"] for line in one["order"]["lines"]]
        assert [row["requested"] for row in rows] == lines
        asked = "{*}OrderLine/{*}LineItem/{*}Delivery/{*}RequestedDeliveryPeriod/{*}EndDate"
        assert [day.text for day in xml.findall(asked)] == lines


def test_cutoff_counts_by_the_clock_of_the_supplier_or_of_the_shop(counters: Open) -> None:
    # 12:00 UTC on Monday is 05:00 where the shop is, and 21:00 in Tokyo
    found = {}
    for zone in (None, "America/Denver", "Asia/Tokyo"):

        def change(one: Supplier, zone: str | None = zone) -> Supplier:
            return structs.replace(one, cutoff="15:00", lead_days=2, time_zone=zone)

        counter = counters(change)
        found[zone] = promises(ordered(counter, counter.accepted()))

    assert found[None] == found["America/Denver"]
    assert set(found[None]) == {date(2027, 3, 3)}
    assert set(found["Asia/Tokyo"]) == {date(2027, 3, 4)}


def test_order_after_the_cutoff_leaves_on_the_next_working_day(staff: Staff) -> None:
    early, late = staff.accepted(), staff.accepted()
    before = promises(ordered(staff, early))
    # 00:30 UTC on Saturday is Friday 17:30 where the shop is: Monday's order
    staff.counter.clock.now = datetime(2027, 3, 6, 0, 30, tzinfo=UTC)

    after = promises(ordered(staff, late))

    waits = {(one - other).days for one, other in zip(after, before, strict=True)}
    assert waits == {7}


def test_supplier_has_days_of_its_own(counters: Open) -> None:
    closed = (date(2027, 3, 2), date(2027, 3, 3))
    staff = counters(lambda one: structs.replace(one, lead_days=1, holidays=closed))

    assert set(promises(ordered(staff, staff.accepted()))) == {date(2027, 3, 4)}


def test_order_says_what_comes_after_the_day_by_which_it_is_needed(staff: Staff) -> None:
    id = staff.accepted(needed_by="2027-03-05")  # noqa: A001
    staff.counter.clock.pass_days(8)

    answer = staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]}).json()

    lines = [
        (one["id"], line["sku"], line["promised"])
        for one in answer["items"]
        for line in one["order"]["lines"]
    ]
    assert lines
    assert [(one["order"], one["sku"], one["promised"]) for one in answer["late"]] == lines
    assert {one["needed_by"] for one in answer["late"]} == {"2027-03-05"}


def test_order_in_time_names_nothing_late(staff: Staff) -> None:
    id = staff.accepted(needed_by="2027-04-30")  # noqa: A001

    answer = staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]}).json()

    assert answer["items"]
    assert answer["late"] == []


def test_difference_reads_a_day_that_has_passed_as_needed_now(staff: Staff) -> None:
    id = staff.issued(needed_by="2027-03-05")  # noqa: A001
    staff.counter.clock.pass_days(8)

    told = staff.get(f"/v1/quotes/{id}/revisions/1/difference")

    assert told["now_on"] == "2027-03-09"
