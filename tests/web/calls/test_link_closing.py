"""What a customer reads by the link once a visit is over: finished, stopped or declined."""

from html import unescape
from typing import Any

import pytest
from tests.documents.printed import text as pdf_text
from tests.web.calls.conftest import Staff

HTML = {"Accept": "text/html", "Authorization": ""}
JSON = {"Accept": "application/json", "Authorization": ""}
BUYER = {
    "name": "Maud Ferrier",
    "billing": {"street": "Mill Lane 4", "city": "Tollimoor", "country": "US"},
}
UNBOOKED = {"unbooked": "Counted at the bench."}
OFFER_WORDS = ("Yes, go ahead", "We would do", "Your limit", "Say no", "valid until")


def page(staff: Staff, path: str) -> str:
    answer = staff.client.get(path, headers=HTML)
    assert answer.status_code == 200, answer.text
    return " ".join(unescape(answer.text).split())


def account(staff: Staff, path: str) -> Any:
    return staff.client.get(path, headers=JSON).json()["account"]


def linked(staff: Staff, **members: Any) -> tuple[str, str]:
    """Return an accepted quote and a link to it that was made before the yes."""
    id = staff.issued(**members)  # noqa: A001
    path = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]
    staff.done(f"{path}/accept", {"who": "M. Ferrier"})
    return id, path


def begun(staff: Staff, **members: Any) -> tuple[str, str]:
    id, path = linked(staff, **members)  # noqa: A001
    assert "We are ordering the parts." not in page(staff, path)
    staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]})
    assert "We are ordering the parts." in page(staff, path)
    staff.act(id, "start")
    assert "We are working on it." in page(staff, path)
    return id, path


def test_finished_visit_says_what_is_owed_and_where_to_collect(staff: Staff) -> None:
    id, path = begun(staff)  # noqa: A001
    assert account(staff, path) is None
    staff.act(id, "finish", UNBOOKED)
    gross = staff.get(f"/v1/quotes/{id}")["gross"]["amount"]

    told = page(staff, path)

    for words in (
        "Your machine is ready.",
        f'Left to pay</dt><dd class="value money"><bdi>${gross}</bdi>',
        "You can collect your machine here: 18 Gravel Row, Tollimoor.",
        "We are open: Monday to Friday, each day until 5:30 PM.",
        "after that, storage is $3.00 a day",
        "Guarantee: our work until",
        "You can read this page until",
    ):
        assert words in told, words
    assert not [words for words in OFFER_WORDS if words in told]
    shown = account(staff, path)
    assert (shown["is_repaired"], shown["balance"]["amount"]) == (True, gross)

    staff.act(id, "payments", {"amount": gross, "means": "card", "by": "Till"})
    paid = page(staff, path)
    assert 'Left to pay</dt><dd class="value"><bdi>nothing</bdi>' in paid
    assert "Please pay" not in paid
    handover = {"collector": "A. Customer", "old_parts": True, "by": "Sam"}
    staff.act(id, "collected", handover)
    gone = page(staff, path)
    assert "The work is finished, and you have your machine back." in gone
    assert "You can collect" not in gone
    assert "storage" not in gone


def test_invoice_is_read_by_the_link_of_what_was_agreed_alone(staff: Staff) -> None:
    buyer = staff.done("/v1/customers", BUYER).json()["id"]
    id, path = begun(staff, customer=buyer)  # noqa: A001
    staff.act(id, "finish", UNBOOKED)
    made = staff.post(f"/v1/quotes/{id}/invoice", {}, staff.tag(id))
    assert made.is_success, made.text
    number = made.json()["number"]
    _, other = linked(staff)

    (bill,) = account(staff, path)["bills"]
    answer = staff.client.get(bill["path"], headers=JSON)
    paper = staff.client.get(bill["path"], headers={"Accept": "application/pdf"})
    wrong = staff.client.get(f"{other}/bills/{number}", headers=JSON)

    assert bill["number"] == number
    assert answer.json()["number"] == number
    assert number in pdf_text(paper.content)
    assert f"/bills/{number}" in page(staff, path)
    assert (wrong.status_code, wrong.json()["code"]) == (404, "unknown-record")


@pytest.mark.parametrize(
    ("machine", "words"),
    [
        ("put_together", "We have put the machine together again."),
        ("boxes", "You get the machine back in pieces"),
    ],
)
def test_stopped_visit_says_that_it_is_not_repaired(staff: Staff, machine: str, words: str) -> None:
    id, path = begun(staff)  # noqa: A001
    steps = staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]["work_plan"]["steps"]
    staff.act(id, "stop", {"step": steps[-1]["step"], "machine": machine, **UNBOOKED})

    told = page(staff, path)

    assert "The work was stopped, and your machine is not repaired." in told
    assert words in told
    assert "Guarantee: our work until" not in told
    assert not [words for words in OFFER_WORDS if words in told]
    assert account(staff, path)["is_repaired"] is False


def test_no_says_what_is_owed_and_reads_like_an_offer_no_longer(staff: Staff) -> None:
    id = staff.issued(diagnostic_done=True)  # noqa: A001
    path = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]
    staff.done(f"{path}/decline", {})

    told = page(staff, path)

    assert "You owe" in told
    assert "for finding the fault, nothing else." in told
    assert "You can collect your machine here: 18 Gravel Row" in told
    assert "We had offered:" in told
    assert not [words for words in (*OFFER_WORDS[:4], "owed if you say no") if words in told]

    staff.act(id, "stop")
    billed = page(staff, path)
    assert "Your machine was not repaired." in billed
    assert account(staff, path)["is_repaired"] is False


def test_old_link_leads_to_what_was_agreed_since(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001
    old = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]
    staff.act(id, "revise", {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]})
    staff.act(id, "issue")
    staff.act(id, "accept", {"revision": 2, "who": "A. Customer", "means": "telephone"})

    newer = staff.client.get(old, headers=JSON).json()["newer"]
    told = page(staff, old)

    assert staff.client.get(newer, headers=JSON).json()["revision"] == 2
    assert "Go to the newer revision" in told


def test_link_made_without_days_lives_as_long_as_the_shop_allows(staff: Staff) -> None:
    shop = staff.counter.desk.service.workshop.shop
    _, path = linked(staff)
    staff.counter.clock.pass_days(shop.quote.valid_days + shop.quote.link_days)
    assert "Accepted on" in page(staff, path)
    staff.counter.clock.pass_days(3)
    assert staff.client.get(path, headers=JSON).json()["code"] == "link-expired"
