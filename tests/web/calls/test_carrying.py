"""Work that was added under an agreement stays in the quote when it is revised."""

from decimal import Decimal
from typing import Any

import pytest
from lxml import html
from tests.web.calls.conftest import Staff
from tests.web.calls.test_links import Customer, linked

INSERT = {"description": "Thread insert", "kind": "part", "net": "24.50"}
WASTE = {"description": "Waste", "kind": "fee", "tax_kind": "core", "net": "1.00"}
MORE_WORK = [{"job": "J-PLUG", "cylinder": 1}]


@pytest.fixture
def quote(staff: Staff) -> str:
    """Return a quote that was accepted with a limit, and to which two lines were added."""
    made = staff.accepted("900.00")
    for one in (INSERT, WASTE):
        assert staff.act(made, "additions", one)["decision"] == "go"
    return made


def request_of(staff: Staff, quote: str) -> dict[str, Any]:
    request: dict[str, Any] = staff.get(f"/v1/quotes/{quote}")["request"]
    return request


def revised(staff: Staff, quote: str, **members: Any) -> Any:
    """Return the draft of a quote that was revised, with more work."""
    request = {**request_of(staff, quote), "add_jobs": MORE_WORK, **members}
    return staff.act(quote, "revise", request)["draft"]


def agree(staff: Staff, quote: str, revision: int) -> None:
    staff.act(quote, "issue")
    yes = {"revision": revision, "who": "A. Customer", "means": "telephone", "limit": "900.00"}
    staff.act(quote, "accept", yes)


def carried_in(quote: Any) -> list[Any]:
    return [
        line for line in quote["lines"] if any(why["code"] == "carried-over" for why in line["why"])
    ]


def test_revision_carries_over_what_was_added(staff: Staff, quote: str) -> None:
    alone = staff.done("/v1/quotes", {**request_of(staff, quote), "add_jobs": MORE_WORK}).json()

    draft = revised(staff, quote)

    lines = carried_in(draft["quote"])
    assert [(one["description"], one["tax_kind"], one["amount"]["amount"]) for one in lines] == [
        ("Thread insert", "part", "24.50"),
        ("Waste", "core", "1.00"),
    ]
    assert all("Added on" in one["reason"] for one in lines)
    assert Decimal(draft["net"]["amount"]) - Decimal(alone["net"]["amount"]) == Decimal("25.50")
    event = staff.get(f"/v1/quotes/{quote}/history")["items"][-1]
    assert event["facts"]["carried"] == "1, 2"


def test_carried_lines_are_committed_and_not_spent_as_well(staff: Staff, quote: str) -> None:
    draft = revised(staff, quote)

    agree(staff, quote, 2)

    read = staff.get(f"/v1/quotes/{quote}")
    assert (read["shown"], read["gross"]) == (2, draft["gross"])
    limit = staff.get(f"/v1/quotes/{quote}/authorisations")["limit"]
    assert limit["committed"] == draft["gross"]
    assert limit["spent"]["amount"] == "0.00"


def test_customers_page_has_what_was_carried_over(staff: Staff, quote: str) -> None:
    revised(staff, quote)
    staff.act(quote, "issue")

    page = Customer(staff).page(linked(staff, quote)).text

    text = " ".join(html.fromstring(page.encode()).text_content().split())
    assert "Thread insert" in text
    assert "under the earlier agreement" in text


def test_addition_is_left_out_only_with_a_reason(staff: Staff, quote: str) -> None:
    path = f"/v1/quotes/{quote}/revise"
    silent = {**request_of(staff, quote), "leave_out_additions": [{"addition": 1}]}
    assert staff.refused(path, silent, staff.tag(quote))["status"] == 400

    draft = revised(staff, quote, leave_out_additions=[{"addition": 1, "reason": "Not needed."}])

    assert [one["description"] for one in carried_in(draft["quote"])] == ["Waste"]
    event = staff.get(f"/v1/quotes/{quote}/history")["items"][-1]
    assert (event["facts"]["carried"], event["facts"]["left_out"]) == ("2", "1")
    agree(staff, quote, 2)
    assert [one["description"] for one in carried_in(revised(staff, quote)["quote"])] == ["Waste"]


@pytest.mark.parametrize("numbers", [[7], [1, 1]])
def test_only_what_was_added_is_left_out_and_once(
    staff: Staff, quote: str, numbers: list[int]
) -> None:
    left_out = [{"addition": one, "reason": "Not needed."} for one in numbers]
    body = {**request_of(staff, quote), "leave_out_additions": left_out}

    refused = staff.refused(f"/v1/quotes/{quote}/revise", body, staff.tag(quote))

    (error,) = refused["errors"]
    last = len(numbers) - 1
    assert error["pointer"] == f"/leave_out_additions/{last}/addition"


def test_each_addition_is_carried_over_once_however_often_it_is_revised(
    staff: Staff, quote: str
) -> None:
    draft = revised(staff, quote)
    changed = [
        {**one, "description": "Another", "unit_price": "0.01"}
        for one in draft["request"]["free_lines"]
    ]

    for lines in (draft["request"]["free_lines"], changed, changed * 2, []):
        again = staff.act(quote, "revise", {**draft["request"], "free_lines": lines})["draft"]
        assert again["net"] == draft["net"]
    agree(staff, quote, 2)
    staff.act(quote, "additions", {"description": "A clamp", "kind": "part", "net": "2.00"})

    third = revised(staff, quote, free_lines=[])
    assert [one["description"] for one in carried_in(third["quote"])] == [
        *("Thread insert", "Waste", "A clamp")
    ]


def test_copy_has_carried_lines_as_its_own(staff: Staff, quote: str) -> None:
    revised(staff, quote)
    agree(staff, quote, 2)

    copy = staff.done(f"/v1/quotes/{quote}/copy").json()

    assert [one["carried"] for one in copy["request"]["free_lines"]] == [None, None]
    assert carried_in(copy["quote"]) == []
    assert copy["gross"] == staff.get(f"/v1/quotes/{quote}")["gross"]


def test_more_lines_than_a_request_may_have_are_refused(staff: Staff, quote: str) -> None:
    line = {"description": "A", "kind": "fee", "quantity": "1", "unit": "C62", "unit_price": "1"}
    lines = [{**line, "reason": "A.", "by": "A."}] * 49
    body = {**request_of(staff, quote), "free_lines": lines}

    refused = staff.refused(f"/v1/quotes/{quote}/revise", body, staff.tag(quote))

    assert [one["code"] for one in refused["errors"]] == ["too-many-lines"]
