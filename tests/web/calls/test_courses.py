"""Courses: several ways to put one fault right, each a whole quote, one of them chosen."""

import random
import re
from html import unescape
from typing import Any

import msgspec
import pytest
from tests.documents.printed import text as pdf_text
from tests.web.calls.conftest import Staff
from tests.web.calls.test_links import Customer, linked
from tests.web.calls.test_ticking import (
    COMBINATIONS,
    asked_directly,
    check_left_alone,
    extras_of,
    free_jobs,
    minor,
    refused,
    some,
)

EVERY = ["least", "recommended", "thorough", "replace"]
WORN = {"diagnoses": [{"code": "RINGS-BORE", "cylinder": 1}], "courses": EVERY}
LEAKING = {
    "diagnoses": [{"code": "HG-GALLERY", "cylinder": 1}, {"code": "VALVE-EX", "cylinder": 1}],
    "courses": EVERY,
}
ENGINE = {"family": "QM-H27", "serial": 2140077, "chassis": "PW-G5"}
REPLACEMENTS = {"short_block": "J-SHORT-BLOCK", "engine": "J-ENGINE"}


@pytest.fixture
def customer(staff: Staff) -> Customer:
    return Customer(staff)


def directly(asked: dict[str, Any], course: str) -> dict[str, Any]:
    """Return the request that asks for one course in so many words."""
    plain = {name: value for name, value in asked.items() if name != "courses"}
    if course in REPLACEMENTS:
        return {**plain, "scope": "recommended", "add_jobs": [{"job": REPLACEMENTS[course]}]}
    return {**plain, "scope": course}


@pytest.mark.parametrize("asked", [WORN, LEAKING])
def test_each_course_is_the_quote_asked_for_directly(staff: Staff, asked: dict[str, Any]) -> None:
    asked = {**ENGINE, **asked, "contingencies": True}
    whole = staff.post("/v1/quotes/preview", asked).json()

    assert len(whole["courses"]) >= 3
    for course in whole["courses"]:
        for name in (course["course"], *course["also"]):
            quote = staff.post("/v1/quotes/preview", directly(asked, name)).json()
            assert course["total"] == quote["totals"]["gross"]
            assert course["contingencies"] == quote["contingencies"]
            assert course["range"] == quote["range"]
            assert course["parts_by"] == quote["parts_by"]
            jobs = [(job["job"], job["cylinder"]) for job in quote["jobs"]]
            assert [(job["job"], job["cylinder"]) for job in course["jobs"]] == jobs
    (advised,) = [course for course in whole["courses"] if course["is_advised"]]
    assert whole["totals"]["gross"] == advised["total"]
    assert all(
        minor(course["more"]) == minor(course["total"]) - minor(advised["total"])
        for course in whole["courses"]
    )


def test_course_that_costs_more_than_a_better_one_says_so(staff: Staff) -> None:
    whole = staff.post("/v1/quotes/preview", {**ENGINE, **WORN}).json()
    courses = {course["course"]: course for course in whole["courses"]}
    block, engine = courses["short_block"], courses["engine"]

    assert block["also"] == ["recommended"]
    assert minor(block["total"]) > minor(engine["total"])
    (reason,) = block["reasons"]
    assert reason["code"] == "better-for-less"
    assert minor(reason["facts"]["less"]) == minor(block["total"]) - minor(engine["total"])
    assert engine["is_advised"]
    assert [job["job"] for job in whole["jobs"]] == ["J-ENGINE"]
    assert [job["job"] for job in courses["least"]["unfixed"]] == ["J-SHORT-BLOCK", "J-ENGINE"]
    assert engine["unfixed"] == []


def test_advice_follows_the_shops_thresholds_and_asks_for_what_it_lacks(staff: Staff) -> None:
    def advice(**worth: Any) -> Any:
        asked = {**ENGINE, **LEAKING, "worth": worth}
        return staff.post("/v1/quotes/preview", asked).json()["advice"]

    total = minor(staff.post("/v1/quotes/preview", {**ENGINE, **LEAKING}).json()["totals"]["gross"])

    assert advice()["missing"] == ["value", "age_years", "hours"]
    assert advice(value="10000.00")["level"] == "none"
    for percent, within, above in ((50, "none", "consider"), (70, "consider", "strong")):
        # the least value of which the repair costs no more than the share, and a cent less
        value = -(-total * 100 // percent)
        assert advice(value=f"{value // 100}.{value % 100:02}")["level"] == within
        value -= 1
        assert advice(value=f"{value // 100}.{value % 100:02}")["level"] == above
    full = advice(value="900", age_years=12, hours=640, replacement_price="1500")
    assert full["missing"] == []
    codes = [reason["code"] for reason in full["reasons"]]
    assert codes == ["repair-above-value-share", "machine-so-old", "machine-costs-more"]
    assert (
        staff.post("/v1/quotes/preview", directly({**ENGINE, **LEAKING}, "least")).json()["advice"]
        is None
    )


def test_another_machine_stands_beside_the_courses(staff: Staff) -> None:
    def asked(**worth: Any) -> Any:
        return {**ENGINE, **WORN, "worth": worth, "diagnostic_done": True}

    for known in ({"value": "900"}, {"replacement_price": "500"}, {}):
        assert staff.post("/v1/quotes/preview", asked(**known)).json()["another_machine"] is None
    repairs = {**asked(value="900", replacement_price="500"), "courses": EVERY[:3]}
    assert staff.post("/v1/quotes/preview", repairs).json()["another_machine"] is None

    whole = staff.post("/v1/quotes/preview", asked(value="900", replacement_price="500")).json()
    machine = whole["another_machine"]
    fee = next(line for line in whole["lines"] if line["code"] == "diagnostic-fee")
    assert machine["price"]["amount"] == "500.00"
    assert machine["owed"] == fee["gross"]
    assert minor(machine["total"]) == minor(machine["price"]) + minor(machine["owed"])
    advised = next(course for course in whole["courses"] if course["is_advised"])
    assert minor(machine["more"]) == minor(machine["total"]) - minor(advised["total"])
    assert {reason["code"] for reason in machine["reasons"]} == {
        "machine-price-given",
        "machine-fee-owed",
        "machine-day-open",
        "machine-warranty-open",
        "machine-value-kept",
        "machine-by-declining",
    }
    # what costs more than it says by how much
    dearer = [one for one in whole["courses"] if minor(one["total"]) > minor(machine["total"])]
    assert dearer
    for course in whole["courses"]:
        less = [one for one in course["reasons"] if one["code"] == "machine-for-less"]
        assert bool(less) is (course in dearer)
        if less:
            more = minor(course["total"]) - minor(machine["total"])
            assert minor(less[0]["facts"]["less"]) == more
    # it is worth no more than another one comes to, so the thresholds are of the lesser
    codes = [reason["code"] for reason in whole["advice"]["reasons"]]
    assert whole["advice"]["level"] == "strong"
    assert "repair-far-above-machine-share" in codes
    assert "machine-costs-less" in codes
    rich = staff.post("/v1/quotes/preview", asked(value="900", replacement_price="9000")).json()
    assert "repair-far-above-value-share" in [one["code"] for one in rich["advice"]["reasons"]]
    assert not any(
        one["code"] == "machine-for-less" for each in rich["courses"] for one in each["reasons"]
    )


@pytest.mark.parametrize(
    ("language", "name", "declining"),
    [
        ("en", "Another machine", "to choose it, decline the offer"),
        ("de", "Ein anderes Gerät", "Wer es will, lehnt das Angebot ab"),
    ],
)
def test_another_machine_is_told_everywhere_and_chosen_nowhere(
    staff: Staff, customer: Customer, language: str, name: str, declining: str
) -> None:
    worth = {"value": "900", "replacement_price": "1500"}
    asked = {**ENGINE, **WORN, "worth": worth, "language": language}
    id = staff.issued(**asked)  # noqa: A001
    path = linked(staff, id)
    shown = customer.get(path).json()["quote"]["another_machine"]
    assert (shown["name"], shown["price"]["amount"]) == (name, "1500.00")

    page = customer.page(path).text
    for told in (
        unescape(re.sub("<[^>]+>", "", page)),
        staff.post("/v1/quotes/preview", asked, Accept="text/plain").text,
        pdf_text(staff.client.get(f"{path}", headers={"Accept": "application/pdf"}).content),
    ):
        plain = " ".join(told.split())
        assert name in plain
        assert declining in plain
    assert 'value="machine"' not in page
    told = refused(customer.post(f"{path}/choice", {"course": "machine"}))
    assert told["errors"][0]["pointer"] == "/course"


def test_course_is_chosen_at_acceptance(staff: Staff, customer: Customer) -> None:
    id = staff.issued(**LEAKING)  # noqa: A001
    path = linked(staff, id)

    none = refused(customer.post(f"{path}/accept", {"who": "A. Customer"}))
    assert none["status"] == 422
    assert [error["code"] for error in none["errors"]] == ["course-not-chosen"]
    counter = {"revision": 1, "who": "A. Customer", "means": "in_person"}
    told = staff.refused(f"/v1/quotes/{id}/accept", counter, staff.tag(id))
    assert told["errors"][0]["code"] == "course-not-chosen"

    least = customer.post(f"{path}/choice", {"course": "least"}).json()
    added = extras_of(least["quote"])[:1]
    shown = customer.post(f"{path}/choice", {"course": "least", "extras": added}).json()
    yes = {"who": "A. Customer", "course": "least", "extras": added}
    answer = customer.post(f"{path}/accept", {**yes, "amount": shown["total"]["amount"]})

    assert answer.json()["revision"] == 2
    kept = staff.get(f"/v1/quotes/{id}")
    assert kept["request"]["chosen"]["course"] == "least"
    assert kept["request"]["courses"] == []
    assert kept["quote"]["courses"] == []
    assert kept["quote"]["totals"]["gross"] == shown["total"]
    asked = {name: value for name, value in LEAKING.items() if name != "courses"}
    direct = {**ENGINE, **asked, "scope": "least", "add_jobs": added, "contingencies": True}
    preview = staff.post("/v1/quotes/preview", {**direct, "on": kept["quote"]["on"]})
    assert msgspec.json.decode(preview.content) == kept["quote"]
    (given,) = staff.get(f"/v1/quotes/{id}/authorisations")["authorisations"]
    assert "Course: The least repair." in given["text"]


def test_draft_of_several_courses_is_not_on_offer_whatever_is_chosen(staff: Staff) -> None:
    id = staff.quote(**LEAKING)  # noqa: A001
    for ticks in ({}, {"course": "least"}):
        yes = {"revision": 1, "who": "A. Customer", "means": "in_person", **ticks}
        told = staff.refused(f"/v1/quotes/{id}/accept", yes, staff.tag(id))
        assert [error["code"] for error in told["errors"]] == ["nothing-offered"]


def test_limit_is_compared_with_the_course_that_is_chosen(staff: Staff, customer: Customer) -> None:
    id = staff.issued(**LEAKING)  # noqa: A001
    path = linked(staff, id)
    total = customer.post(f"{path}/choice", {"course": "least"}).json()["total"]["amount"]
    yes = {"revision": 1, "who": "A. Customer", "means": "in_person", "course": "least"}

    told = staff.refused(f"/v1/quotes/{id}/accept", {**yes, "limit": "50.00"}, staff.tag(id))
    assert told["detail"] == f"the limit of 50.00 is below the total of what is chosen, {total} USD"
    link = {"who": "A. Customer", "course": "least"}
    told = refused(customer.post(f"{path}/accept", {**link, "limit": "900.00"}))
    assert "with a course, leave_out or extras" in told["detail"]
    beyond = {**link, "amount": total, "limit": "1000000000000.00"}
    told = refused(customer.post(f"{path}/accept", beyond))
    assert "at most 12 digits" in told["detail"]


def test_course_that_is_not_offered_is_refused(staff: Staff, customer: Customer) -> None:
    path = linked(staff, staff.issued(**LEAKING | {"courses": ["least", "recommended"]}))
    told = refused(customer.post(f"{path}/choice", {"course": "engine"}))
    assert told["errors"][0]["code"] == "course-not-offered"
    plain = linked(staff, staff.issued())
    told = refused(customer.post(f"{plain}/choice", {"course": "least"}))
    assert told["errors"][0]["code"] == "course-not-offered"


def test_replacement_is_no_tick_of_its_own_course(staff: Staff, customer: Customer) -> None:
    path = linked(staff, staff.issued(**LEAKING))
    quote = customer.post(f"{path}/choice", {"course": "short_block"}).json()["quote"]
    assert "J-SHORT-BLOCK" not in [job["job"] for job in free_jobs(quote)]


def test_ticks_are_those_of_the_chosen_course_whichever_is_advised(staff: Staff) -> None:
    id = staff.issued(**ENGINE, **WORN)  # noqa: A001
    advised = {one["course"]: one for one in staff.get(f"/v1/quotes/{id}")["quote"]["courses"]}
    assert advised["engine"]["is_advised"]
    for name in ("least", "recommended", "short_block"):
        body = {"revision": 1, "course": name}
        whole = staff.post(f"/v1/quotes/{id}/choice", body).json()["quote"]
        extras = extras_of(whole)
        assert extras
        more = staff.post(f"/v1/quotes/{id}/choice", {**body, "extras": extras})
        assert more.status_code == 200, more.text
        assert {job["job"] for job in more.json()["quote"]["jobs"]} > {
            job["job"] for job in whole["jobs"]
        }


def test_any_choice_of_any_course_is_the_quote_asked_for_directly(staff: Staff) -> None:
    luck = random.Random(20270302)
    tried = 0
    for members in (WORN, LEAKING, WORN | {"machines": 2}):
        id = staff.issued(**members, contingencies=False)  # noqa: A001
        kept = staff.get(f"/v1/quotes/{id}")
        names = [name for one in kept["quote"]["courses"] for name in (one["course"], *one["also"])]
        wholes = {
            name: staff.post(f"/v1/quotes/{id}/choice", {"revision": 1, "course": name}).json()
            for name in names
        }
        for _ in range(COMBINATIONS // 10):
            name = luck.choice(names)
            whole = wholes[name]["quote"]
            left, added = some(luck, free_jobs(whole)), some(luck, extras_of(whole))
            if len(left) == len(whole["jobs"]):
                continue
            body = {"revision": 1, "course": name, "leave_out": left, "extras": added}
            chosen = staff.post(f"/v1/quotes/{id}/choice", body)
            asked = directly(asked_directly(kept["request"], [], []), name)
            if chosen.status_code == 422:
                check_left_alone(staff, asked, chosen, left, added)
                continue
            direct = staff.post("/v1/quotes/preview", asked_directly(asked, left, added[::-1]))
            assert chosen.status_code == direct.status_code == 200, chosen.text
            raw = msgspec.json.decode(chosen.content, type=dict[str, msgspec.Raw])["quote"]
            assert bytes(raw) == direct.content
            tried += 1
    assert tried > COMBINATIONS // 10


def test_courses_are_refused_where_they_mean_nothing(staff: Staff) -> None:
    def codes(**members: Any) -> list[tuple[str, str]]:
        told = staff.refused("/v1/quotes/preview", {**ENGINE, **members})
        return [(error["pointer"], error["code"]) for error in told["errors"]]

    assert codes(jobs=[{"job": "J-OIL"}], courses=EVERY) == [("/courses", "no-diagnosis")]
    twice = {**LEAKING, "courses": ["least", "least"]}
    assert codes(**twice) == [("/courses/1", "named-twice")]
    left = {**LEAKING, "leave_out": [{"job": "J-STEM-SEAL", "cylinder": 1}]}
    assert ("/leave_out", "left-out-of-courses") in codes(**left)
