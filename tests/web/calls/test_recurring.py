"""Come-backs by job over HTTP, as JSON and as CSV."""

import csv
from decimal import Decimal
from io import StringIO
from typing import Any

from tests.web.calls.conftest import Staff
from tests.web.calls.test_come_back import back, finished, ordered


def report(staff: Staff, **query: str) -> Any:
    return staff.get("/v1/reports/come-backs", **query)


def test_come_backs_are_counted_by_job_and_cause(staff: Staff) -> None:
    first, _, third = (finished(staff) for _ in range(3))
    oil = finished(staff, diagnoses=[], jobs=[{"job": "J-OIL"}])
    back(staff, first)
    back(staff, third, "new_fault")
    back(staff, oil, None, diagnoses=[], jobs=[{"job": "J-OIL"}])

    found = report(staff)

    assert (found["finished"], found["came_back"]) == (4, 3)
    assert found["causes"] == {"part": 0, "work": 1, "new_fault": 1, "open": 1}
    rows = {row["job"]: row for row in found["jobs"]}
    valve = rows["J-VALVE-EX"]
    assert (valve["finished"], valve["came_back"], valve["own"]) == (3, 2, 1)
    assert valve["share"] == "0.333333"
    # Clopper and Pearson for 1 of 3: 0.0084 and 0.9057 in their table
    assert (valve["low"][:6], valve["high"][:6]) == ("0.0084", "0.9057")
    assert rows["J-OIL"]["causes"]["open"] == 1
    assert rows["J-OIL"]["own"] == 0
    assert found["jobs"][0]["job"] == "J-VALVE-EX"


def test_withdrawn_come_backs_and_other_days_do_not_count(staff: Staff) -> None:
    first = finished(staff)
    staff.act(back(staff, first), "withdraw", {})

    assert report(staff)["came_back"] == 0
    assert report(staff, to="2027-02-28")["finished"] == 0
    assert report(staff, **{"from": "2027-03-01"})["finished"] == 1


def test_cost_of_finished_visits_on_warranty_is_summed(staff: Staff) -> None:
    first = finished(staff)
    again = back(staff, first)
    staff.act(again, "issue")
    staff.act(again, "accept", {"revision": 1, "who": "M. Ferrier", "means": "telephone"})
    assert report(staff)["cost"]["amount"] == "0.00", "nothing was spent yet"
    ordered(staff, again)
    staff.act(again, "start")
    staff.act(again, "finish")

    found = report(staff)
    cost = staff.get(f"/v1/quotes/{again}/claims")["cost"]
    assert found["cost"] == found["left"] == cost
    month = staff.get("/v1/reports/month", month="2027-03")
    assert (month["warranty_visits"], month["billed"]) == (
        1,
        staff.get(f"/v1/quotes/{first}/statement")["statement"]["gross"],
    )
    assert float(month["borne"]["amount"]) > 0


def test_table_has_the_same_figures(staff: Staff) -> None:
    back(staff, finished(staff))

    answer = staff.client.get("/v1/reports/come-backs", headers={"Accept": "text/csv"})

    (row,) = csv.DictReader(StringIO(answer.text))
    (told,) = report(staff)["jobs"]
    for member in ("job", "name", "share"):
        assert row[member] == told[member]
    assert (row["finished"], row["own"], row["work"]) == ("1", "1", "1")
    assert float(row["low"]) == float(told["low"])


def test_what_is_borne_is_rounded_once_without_the_tax_in_it(orchard: Staff) -> None:
    again = back(orchard, finished(orchard))
    orchard.act(again, "issue")
    orchard.act(again, "accept", {"revision": 1, "who": "M. Ferrier", "means": "telephone"})
    orchard.supplied(again)
    orchard.act(again, "start")
    orchard.act(again, "finish")

    month = orchard.get("/v1/reports/month", month="2027-03")

    borne = Decimal(orchard.get(f"/v1/quotes/{again}")["quote"]["comes_back"]["amount"]["amount"])
    assert Decimal(month["borne"]["amount"]) == round(borne / Decimal("1.2"), 2)
