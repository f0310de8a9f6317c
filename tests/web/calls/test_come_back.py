"""Machines that come back over HTTP: what the shop bears by cause, and what is charged."""

from decimal import Decimal
from typing import Any

import pytest
from tests.web.calls.conftest import Staff
from tests.web.calls.test_links import linked

BY = {"reason": "Seat ring loose again.", "by": "R. Okafor"}
VALVE = {"job": "J-VALVE-EX", "cylinder": 1}


def ordered(staff: Staff, id: str) -> None:  # noqa: A002
    """Order the parts of a quote, and have them delivered."""
    staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]})
    for order in staff.get("/v1/orders", quote=id)["items"]:
        staff.delivered(order["id"])


def finished(staff: Staff, **members: Any) -> str:
    """Return a visit whose work is finished and whose machine was collected."""
    id = staff.accepted(**members)  # noqa: A001
    staff.supplied(id)
    staff.act(id, "start")
    staff.act(id, "finish")
    staff.act(id, "collected", {"collector": "M. Ferrier", "old_parts": False, "by": "R. Okafor"})
    return id


def quoted(staff: Staff, id: str) -> Any:  # noqa: A002
    return staff.get(f"/v1/quotes/{id}")


def back(staff: Staff, visit: str, cause: str | None = "work", **members: Any) -> str:
    """Return the quote of a machine that came back."""
    said = {"quote": visit} if cause is None else {"quote": visit, "cause": cause, **BY}
    more = members.pop("said", {})
    return staff.quote(comes_back=said | more, **members)


def codes(quote: Any) -> set[str]:
    return {note["code"] for note in quote["notes"]}


def amount(found: Any) -> Decimal:
    return Decimal(found["amount"])


def test_work_within_the_warranty_costs_nothing_and_says_why(staff: Staff) -> None:
    first = finished(staff)
    staff.counter.clock.pass_days(30)

    made = quoted(staff, back(staff, first))["quote"]

    found = made["comes_back"]
    assert (found["quote"], found["state"], found["cause"]) == (first, "borne", "work")
    assert made["totals"]["gross"]["amount"] == "0.00"
    assert amount(made["totals"]["discount"]) == -amount(found["amount"]) < 0
    assert amount(made["totals"]["deposit"]) == 0
    assert amount(made["margin"]["left"]) < 0
    assert {"came-back", "warranty-work-in-time", "warranty-job", "warranty-by-law"} <= codes(made)


def test_visit_on_warranty_goes_through_to_a_statement_of_nothing(staff: Staff) -> None:
    first = finished(staff)
    staff.counter.clock.pass_days(10)
    id = back(staff, first)  # noqa: A001
    staff.act(id, "issue")
    staff.act(id, "accept", {"revision": 1, "who": "M. Ferrier", "means": "telephone"})
    staff.supplied(id)
    staff.act(id, "start")

    head = staff.act(id, "finish")

    assert not {"invoice", "pay", "cause"} & set(head["acts"])
    made = staff.get(f"/v1/quotes/{id}/statement")
    assert made["statement"]["gross"]["amount"] == made["account"]["balance"]["amount"] == "0.00"
    answer = staff.post(f"/v1/quotes/{id}/invoice", None, staff.tag(id))
    assert answer.json()["errors"][0]["code"] == "nothing-to-invoice"


@pytest.mark.parametrize("terms", [{}, {"limit": "50.00"}])
def test_nothing_can_be_agreed_as_an_amount(staff: Staff, terms: dict[str, str]) -> None:
    id = back(staff, finished(staff))  # noqa: A001
    staff.act(id, "issue")
    yes = {"revision": 1, "who": "M. Ferrier", "means": "telephone", **terms}
    wrong = staff.post(f"/v1/quotes/{id}/accept", {**yes, "amount": "0.01"}, staff.tag(id))
    assert wrong.json()["errors"][0]["code"] == "amount-differs"

    assert staff.act(id, "accept", {**yes, "amount": "0.00"})["state"] == "accepted"


def test_nothing_can_be_agreed_as_an_amount_by_link(staff: Staff) -> None:
    id = back(staff, finished(staff))  # noqa: A001
    staff.act(id, "issue")
    path = linked(staff, id)

    answer = staff.client.post(f"{path}/accept", json={"who": "M. Ferrier", "amount": "0.00"})

    assert answer.status_code == 200, answer.text


def test_more_minutes_on_warranty_stay_with_the_shop(staff: Staff) -> None:
    first = finished(staff)
    id = back(staff, first)  # noqa: A001
    staff.act(id, "issue")
    staff.act(id, "accept", {"revision": 1, "who": "M. Ferrier", "means": "telephone"})
    staff.supplied(id)
    staff.act(id, "start")
    lines = quoted(staff, id)["quote"]["lines"]
    part = next(at for at, one in enumerate(lines, 1) if one["kind"] == "part")
    goods = [{"line": part, "used": "7"}]
    labour = next(at for at, one in enumerate(lines, 1) if one["kind"] == "labour")

    clocked = [{"line": labour, "minutes": "333"}]
    said = {"goods": goods, "clocked": clocked, "unbooked": "Tried in turn.", "by": "R. Okafor"}
    staff.act(id, "finish", said)

    made = staff.get(f"/v1/quotes/{id}/statement")["statement"]
    assert made["gross"]["amount"] == "0.00"
    assert made["lines"][part - 1]["quantity"] == "7"


@pytest.mark.parametrize("said", [{}, {"jobs": [VALVE]}])
def test_job_that_is_borne_stays_borne_if_a_find_replaces_it(
    staff: Staff, said: dict[str, Any]
) -> None:
    id = back(staff, finished(staff), said=said)  # noqa: A001
    staff.act(id, "issue")
    staff.act(id, "accept", {"revision": 1, "who": "M. Ferrier", "means": "telephone"})
    staff.supplied(id)
    staff.act(id, "start")
    made = quoted(staff, id)["quote"]
    listed = next(
        one
        for one in made["contingencies"]["each"]
        if one["contingency"] == "guide_or_seat_worn" and one["after"] is None
    )
    turned_up = {name: listed[name] for name in ("contingency", "cylinder")}
    body = {"contingency": turned_up, "what": "Guide worn.", "why": "Valve leaks.", "by": "R."}

    change = staff.done(f"/v1/quotes/{id}/found", body, staff.tag(id)).json()["change"]

    assert amount(change["now"]) == amount(listed["price"])
    offered = staff.get(f"/v1/quotes/{id}/revisions/2")["quote"]
    assert amount(offered["comes_back"]["amount"]) >= amount(made["comes_back"]["amount"])


def test_only_the_jobs_that_the_cause_concerns_are_borne(staff: Staff) -> None:
    first = finished(staff)
    carburettor = {"job": "J-CARB"}
    alone = quoted(staff, staff.quote(diagnoses=[], jobs=[carburettor]))["quote"]
    both = quoted(staff, staff.quote(jobs=[carburettor]))["quote"]
    valve = quoted(staff, staff.quote())["quote"]

    made = quoted(staff, back(staff, first, jobs=[carburettor], said={"jobs": [VALVE]}))["quote"]

    gross = amount(made["totals"]["gross"])
    assert 0 < gross <= amount(alone["totals"]["gross"])
    assert gross <= amount(both["totals"]["gross"]) - amount(valve["totals"]["gross"])
    assert [one["job"] for one in made["comes_back"]["jobs"]] == [VALVE["job"]]
    borne = {one["line"] for one in made["comes_back"]["lines"]}
    assert borne


def test_added_jobs_are_charged_unless_they_are_named(staff: Staff) -> None:
    first = finished(staff)

    made = quoted(staff, back(staff, first, add_jobs=[{"job": "J-CARB"}]))["quote"]

    assert amount(made["totals"]["gross"]) > 0
    assert [one["job"] for one in made["comes_back"]["jobs"]] == [VALVE["job"]]


@pytest.mark.parametrize(
    ("cause", "days", "ground"),
    [
        ("new_fault", 5, "new-fault"),
        (None, 5, "not-settled"),
        ("work", 91, "work-too-late"),
    ],
)
def test_other_causes_are_charged_as_usual_and_say_so(
    staff: Staff, cause: str | None, days: int, ground: str
) -> None:
    first = finished(staff)
    staff.counter.clock.pass_days(days)
    usual = quoted(staff, staff.quote())["quote"]

    made = quoted(staff, back(staff, first, cause))["quote"]

    assert made["totals"] == usual["totals"]
    assert made["comes_back"]["ground"] == ground
    assert f"warranty-{ground}" in codes(made)
    assert made["comes_back"]["lines"] == []


def test_warranty_counts_to_its_last_day(staff: Staff) -> None:
    first = finished(staff)
    until = quoted(staff, back(staff, first))["quote"]["comes_back"]["until"]
    last = {"on": until}

    assert quoted(staff, back(staff, first, said=last))["quote"]["comes_back"]["state"] == "borne"


def test_part_that_failed_is_named_and_was_fitted(staff: Staff) -> None:
    first = finished(staff)
    parts = [one["code"] for one in quoted(staff, first)["quote"]["lines"] if one["kind"] == "part"]

    made = quoted(staff, back(staff, first, "part", said={"part": parts[0]}))["quote"]
    assert made["comes_back"]["part"] == parts[0]
    assert made["totals"]["gross"]["amount"] == "0.00"

    said = {"quote": first, "cause": "part", "part": "X-1", **BY}
    asked = {"family": "QM-H27", "jobs": [VALVE], "comes_back": said}
    problem = staff.refused("/v1/quotes", asked)
    assert problem["errors"][0]["code"] == "part-not-fitted"
    assert problem["errors"][0]["pointer"] == "/comes_back/part"


def test_part_that_the_customer_brought_is_charged(staff: Staff) -> None:
    part = next(
        one["code"]
        for one in quoted(staff, staff.quote())["quote"]["lines"]
        if one["kind"] == "part"
    )
    first = finished(staff, customer_parts=[{"item": part}])

    made = quoted(staff, back(staff, first, "part", said={"part": part}))["quote"]

    assert made["comes_back"]["ground"] == "part-of-customer"
    assert amount(made["totals"]["gross"]) > 0


def test_cause_is_settled_after_the_diagnosis(staff: Staff) -> None:
    first = finished(staff)
    id = back(staff, first, None)  # noqa: A001
    assert "cause" in quoted(staff, id)["acts"]
    staff.counter.clock.pass_days(95)

    made = staff.act(id, "cause", {"cause": "work", **BY})

    assert made["quote"]["comes_back"]["state"] == "borne", "it counts from when it came back"
    assert made["quote"]["comes_back"]["by"] == BY["by"]
    assert made["quote"]["totals"]["gross"]["amount"] == "0.00"
    kinds = [one["kind"] for one in staff.get(f"/v1/quotes/{id}/history")["items"]]
    assert kinds[-1] == "quote.cause"


def test_cause_of_an_accepted_visit_is_a_new_revision(staff: Staff) -> None:
    first = finished(staff)
    id = back(staff, first, None)  # noqa: A001
    staff.act(id, "issue")
    staff.act(id, "accept", {"revision": 1, "who": "M. Ferrier", "means": "telephone"})

    made = staff.act(id, "cause", {"cause": "work", **BY})

    assert amount(made["quote"]["totals"]["gross"]) > 0
    assert made["draft"]["quote"]["totals"]["gross"]["amount"] == "0.00"


def test_cause_of_a_first_visit_is_refused_and_not_offered(staff: Staff) -> None:
    id = staff.quote()  # noqa: A001

    assert "cause" not in quoted(staff, id)["acts"]
    answer = staff.post(f"/v1/quotes/{id}/cause", {"cause": "work", **BY}, staff.tag(id))
    assert answer.json()["errors"][0]["code"] == "no-come-back"


@pytest.mark.parametrize(
    ("said", "pointer", "code"),
    [
        ({"quote": "Q99"}, "/comes_back/quote", "visit-unknown"),
        ({"cause": "work"}, "/comes_back/reason", "cause-unclear"),
        ({"reason": "Loose."}, "/comes_back/reason", "cause-unclear"),
        ({"cause": "part", **BY}, "/comes_back/part", "cause-unclear"),
        ({"cause": "work", "part": "X-1", **BY}, "/comes_back/part", "cause-unclear"),
        (
            {"cause": "work", "jobs": [{"job": "J-CARB"}], **BY},
            "/comes_back/jobs/0",
            "job-not-in-visit",
        ),
    ],
)
def test_unclear_come_back_is_refused_where_it_is_unclear(
    staff: Staff, said: dict[str, Any], pointer: str, code: str
) -> None:
    first = finished(staff)
    asked = {"family": "QM-H27", "serial": 2140077, "chassis": "PW-G5", "jobs": [VALVE]}

    for path in ("/v1/quotes", "/v1/quotes/preview"):
        problem = staff.refused(path, {**asked, "comes_back": {"quote": first, **said}})
        first_error = problem["errors"][0]
        assert (first_error["pointer"], first_error["code"]) == (pointer, code)


def test_unfinished_visit_and_another_engine_are_refused(staff: Staff) -> None:
    open_one, first = staff.quote(), finished(staff)
    asked = {"family": "QM-H27", "serial": 2140077, "chassis": "PW-G5", "jobs": [VALVE]}

    def code_of(**members: Any) -> str:
        problem = staff.refused("/v1/quotes", {**asked, **members})
        return str(problem["errors"][0]["code"])

    assert code_of(comes_back={"quote": open_one}) == "visit-not-finished"
    assert code_of(comes_back={"quote": first}, serial=2140078) == "visit-of-other-machine"
    several = {"comes_back": {"quote": first}, "units": [{"serial": 1}, {"serial": 2}]}
    assert code_of(**several, serial=None) == "come-back-of-many"


def test_several_courses_are_not_quoted_of_work_that_the_shop_bears(staff: Staff) -> None:
    first = finished(staff)
    asked = {"family": "QM-H27", "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}]}
    courses = {"courses": ["least", "thorough"]}

    said = {"quote": first, "cause": "work", **BY}
    problem = staff.refused("/v1/quotes", {**asked, **courses, "comes_back": said})
    assert problem["errors"][0]["code"] == "courses-on-warranty"
    assert staff.quote(**courses, comes_back={"quote": first})


def test_fee_for_the_diagnosis_is_not_owed_on_warranty(staff: Staff) -> None:
    first = finished(staff)
    id = back(staff, first, diagnostic_done=True)  # noqa: A001
    staff.act(id, "issue")
    staff.act(id, "decline", {"revision": 1, "reason": None})

    assert "stop" not in quoted(staff, id)["acts"]


def test_customer_and_machine_are_those_of_the_earlier_visit(staff: Staff) -> None:
    customer = staff.done("/v1/customers", {"name": "M. Ferrier"}).json()["id"]
    machine = staff.done(
        "/v1/machines", {"name": "Tractor", "family": "QM-H27", "customer": customer}
    ).json()["id"]
    first = finished(staff, customer=customer, machine=machine)

    found = quoted(staff, back(staff, first))

    assert (found["customer"], found["machine"]) == (customer, machine)


def test_what_the_shop_bears_is_on_no_document_of_the_customer(staff: Staff) -> None:
    first = finished(staff)
    id = back(staff, first)  # noqa: A001
    staff.act(id, "issue")

    link = staff.act(id, "links", {})
    shown = staff.client.get(f"{link['path']}", headers={"Accept": "application/json"}).json()
    assert "margin" not in shown["quote"]
    assert not {"reason", "by"} & shown["quote"]["comes_back"].keys()
    page = staff.client.get(link["path"], headers={"Accept": "text/html"}).text
    assert "Our warranty on it runs until" in page
    assert "We bear: Exhaust valve" in page
    assert "whatever it says" in page


def test_no_before_the_cause_is_settled_names_no_sum_as_sure(staff: Staff) -> None:
    first = finished(staff)
    id = back(staff, first, None, diagnostic_done=True)  # noqa: A001
    staff.act(id, "issue")
    path = staff.act(id, "links", {})["path"]
    html = {"Accept": "text/html"}

    page = staff.client.get(path, headers=html).text
    assert '<a href="#decline">No</a>' in page
    assert "or nothing if our warranty covers the cause" in page
    staff.act(id, "decline", {"revision": 1, "reason": None})
    assert "or nothing if our warranty covers" in staff.client.get(path, headers=html).text


def stopped(staff: Staff, machine: str) -> str:
    """Return a visit that was stopped once everything was off."""
    id = staff.accepted()  # noqa: A001
    staff.supplied(id)
    staff.act(id, "start")
    plan = quoted(staff, id)["quote"]["work_plan"]
    step = plan["steps"][plan["stops"][0]["before_step"] - 1]["step"]
    staff.act(id, "stop", {"step": step, "machine": machine, "by": "R. Okafor"})
    return id


def test_stopped_visit_has_a_warranty_on_what_was_done_alone(staff: Staff) -> None:
    boxes, refitted = stopped(staff, "boxes"), stopped(staff, "put_together")
    asked = {"family": "QM-H27", "serial": 2140077, "chassis": "PW-G5", "jobs": [VALVE]}
    work = {"quote": refitted, "cause": "work", **BY}

    def errors(said: dict[str, Any], **members: Any) -> list[tuple[str, str]]:
        told = staff.refused("/v1/quotes", {**asked, **members, "comes_back": said})["errors"]
        return [(one["pointer"], one["code"]) for one in told]

    assert errors({"quote": boxes}) == [("/comes_back/quote", "visit-not-finished")]
    for jobs in ([], [VALVE]):
        assert errors({**work, "jobs": jobs}) == [("/comes_back/jobs", "job-not-done")]
    unused = next(
        one["code"]
        for one in staff.get(f"/v1/quotes/{refitted}/statement")["statement"]["lines"]
        if one["kind"] == "part" and one["quantity"] == "0"
    )
    part = {**work, "cause": "part", "part": unused, "jobs": [{"job": "J-OIL"}]}
    assert errors(part, jobs=[{"job": "J-OIL"}]) == [("/comes_back/part", "part-not-fitted")]
    # work that mends what the shop did is borne, and a new fault can be named
    oil: dict[str, Any] = {"jobs": [{"job": "J-OIL"}], "diagnoses": []}
    made = quoted(staff, back(staff, refitted, said={"jobs": [{"job": "J-OIL"}]}, **oil))["quote"]
    assert made["comes_back"]["state"] == "borne"
    assert quoted(staff, back(staff, refitted, None))["quote"]["comes_back"]["state"] != "borne"
