"""A customer ticks boxes on the page of an offer, without a script."""

import re
from typing import Any
from urllib.parse import urlencode, urljoin

import pytest
from tests.web.calls.conftest import Staff
from tests.web.calls.test_courses import LEAKING
from tests.web.calls.test_links import Customer, linked
from tests.web.calls.test_ticking import OFFERS

Form = list[tuple[str, str]]


@pytest.fixture
def customer(staff: Staff) -> Customer:
    return Customer(staff)


def form_of(page: str) -> Form:
    """Return the fields of the page's first form as a browser sends them."""
    form = re.search(r'<form [^>]*method="post".*?</form>', page, re.DOTALL)
    assert form is not None
    fields = []
    # a box belongs to the form that it names, wherever it stands
    elsewhere = re.findall(r'<input [^>]*form="yes"[^>]*>', page.replace(form[0], ""))
    for tag in (*re.findall(r"<input [^>]*>", form[0]), *elsewhere):
        kind = re.search(r'type="(\w+)"', tag)
        if kind is not None and kind[1] in ("checkbox", "radio") and " checked" not in tag:
            continue
        name, value = re.search(r'name="(\w+)"', tag), re.search(r'value="([^"]*)"', tag)
        assert name is not None
        assert value is not None
        fields.append((name[1], value[1]))
    return fields


def total_in(page: str) -> str:
    found = re.search(r'class="consent"><strong>[^:]*: (\S+)', page)
    assert found is not None
    return found[1]


def boxes(page: str, name: str) -> list[str]:
    return re.findall(rf'<input type="\w+" form="yes" name="{name}" value="([^"]*)"', page)


def send(customer: Customer, path: str, act: str, form: Form) -> Any:
    return customer.page_post(f"{path}/{act}", urlencode(form))


def test_boxes_are_priced_and_agreed_without_a_script(staff: Staff, customer: Customer) -> None:
    id = staff.issued(**OFFERS[0])  # noqa: A001
    path = linked(staff, id)
    page = customer.page(path).text
    form = form_of(page)
    assert not [value for name, value in form if name == "extra"]
    left, added = boxes(page, "keep")[0], boxes(page, "extra")[0]
    ticked = [each for each in form if each != ("keep", left)] + [("extra", added)]

    shown = send(customer, path, "choice", ticked)

    assert shown.status_code == 200
    assert total_in(shown.text) != total_in(page)
    again = form_of(shown.text)
    assert ("extra", added) in again
    assert ("keep", left) not in again
    named = [("who", "A. Customer") if name == "who" else (name, text) for name, text in again]
    done = send(customer, path, "accept", named)
    assert done.status_code == 303
    agreed = customer.page(urljoin(f"{path}/accept", done.headers["Location"])).text
    assert "Accepted on" in agreed
    kept = staff.get(f"/v1/quotes/{id}")
    assert kept["agreed"] == 2
    assert kept["quote"]["totals"]["gross"]["amount"] in total_in(shown.text).replace(",", "")
    place = kept["request"]["chosen"]["leave_out"][0]
    assert left in (place["job"], f"{place['job']}@{place['cylinder']}")


def test_yes_with_other_boxes_than_shown_is_answered_with_the_new_total(
    staff: Staff, customer: Customer
) -> None:
    id = staff.issued(**OFFERS[0])  # noqa: A001
    path = linked(staff, id)
    page = customer.page(path).text
    form = [("who", "A") if name == "who" else (name, text) for name, text in form_of(page)]

    answer = send(customer, path, "accept", [*form, ("extra", boxes(page, "extra")[0])])

    assert answer.status_code == 409
    assert "Your choices changed the total: please look at it" in answer.text
    assert "Please correct this" not in answer.text
    assert "Error" not in answer.text
    assert total_in(answer.text) != total_in(page)
    assert staff.get(f"/v1/quotes/{id}")["state"] == "issued"
    # the name stays as it was entered
    assert send(customer, path, "accept", form_of(answer.text)).status_code == 303


def test_second_answer_is_told_to_have_changed_nothing(staff: Staff, customer: Customer) -> None:
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)
    form = [
        ("who", "A") if name == "who" else (name, text)
        for name, text in form_of(customer.page(path).text)
    ]
    assert send(customer, path, "accept", form).status_code == 303
    other = [("who", "B") if name == "who" else (name, text) for name, text in form]
    for answer in (send(customer, path, "accept", other), send(customer, path, "decline", [])):
        assert answer.status_code == 409
        assert "Accepted on" in answer.text
        assert "This answer changed nothing" in answer.text
        assert "Please correct this" not in answer.text
        assert "Error" not in answer.text


def test_way_is_chosen_on_the_page(staff: Staff, customer: Customer) -> None:
    id = staff.issued(**LEAKING)  # noqa: A001
    path = linked(staff, id)
    page = customer.page(path).text
    assert "Ways to repair it" in page
    assert "Not done:" in page
    form = [("who", "A") if name == "who" else (name, text) for name, text in form_of(page)]
    assert "course" not in [name for name, _ in form]
    # no yes before a way is chosen
    assert "who" not in [name for name, _ in form]

    form = [("who", "A"), *form]
    none = send(customer, path, "accept", form)
    assert none.status_code == 422
    assert "Please choose one of the ways" in none.text

    shown = send(customer, path, "choice", [*form, ("course", "engine")])
    assert shown.status_code == 200
    again = form_of(shown.text)
    assert ("course", "engine") in again
    named = [("who", "A") if name == "who" else (name, text) for name, text in again]
    assert send(customer, path, "accept", named).status_code == 303
    kept = staff.get(f"/v1/quotes/{id}")
    assert kept["request"]["chosen"]["course"] == "engine"
    assert [job["job"] for job in kept["quote"]["jobs"]] == ["J-ENGINE"]


def test_enter_in_a_field_never_accepts(staff: Staff, customer: Customer) -> None:
    page = customer.page(linked(staff, staff.issued(**OFFERS[0]))).text
    form = re.search(r'<form [^>]*method="post".*?</form>', page, re.DOTALL)
    assert form is not None
    first = re.search(r"<button [^>]*>", form[0])
    assert first is not None
    # a form whose first button is disabled is not sent by Enter
    assert first[0] == '<button type="submit" hidden disabled>'
    assert re.search(r'<button [^>]*form="yes"[^>]*formaction="[^"]*/choice" formnovalidate>', page)


def test_box_that_is_not_offered_is_refused_on_the_page(staff: Staff, customer: Customer) -> None:
    path = linked(staff, staff.issued(**OFFERS[0]))
    form = [*form_of(customer.page(path).text), ("extra", "J-ENGINE")]
    answer = send(customer, path, "choice", form)
    assert answer.status_code == 422
    assert "We cannot price these choices together here." in answer.text
