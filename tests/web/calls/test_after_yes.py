"""What a customer reads after a yes: how far the work is, and what becomes of what was paid."""

from decimal import Decimal
from html import unescape
from typing import Any

from tests.web.calls.conftest import Staff
from tests.web.calls.endings import agreed, offered

JSON = {"Accept": "application/json"}
HTML = {"Accept": "text/html", "Authorization": ""}


def page(staff: Staff, path: str) -> str:
    answer = staff.client.get(path, headers=HTML)
    assert answer.is_success
    return unescape(answer.text)


def test_link_is_made_after_a_yes_too_and_accepts_nothing(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    made = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()

    assert made["revision"] == 1
    assert 'action="' not in page(staff, made["path"])


def test_parts_are_ordered_once_every_order_is_sent(staff: Staff) -> None:
    id, path = offered(staff, "en")  # noqa: A001
    yes = staff.client.post(f"{path}/accept", json={"who": "M. Ferrier"}, headers=JSON)
    assert yes.is_success
    orders = staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]}).json()["items"]
    assert "We are ordering the parts." in page(staff, path)

    for order in orders:
        assert "The parts are ordered." not in page(staff, path)
        staff.delivered(order["id"])

    assert "The parts are ordered." in page(staff, path)


def test_customer_who_withdraws_reads_that_what_was_paid_goes_back(orchard: Staff) -> None:
    id, path = agreed(orchard, "en")  # noqa: A001
    orchard.act(id, "payments", {"amount": "5.00", "means": "card", "by": "Till"})
    withdrawn = orchard.client.post(f"{path}/withdraw", json={"who": "M. Ferrier"})
    assert withdrawn.is_success

    assert "You have paid €5.00: we pay back what is more than you owe." in page(orchard, path)

    orchard.act(
        id, "payments", {"amount": "5.00", "means": "card", "paid_back": True, "by": "Till"}
    )
    assert "You have paid" not in page(orchard, path)


def test_each_way_is_ready_by_an_early_start_where_the_work_has_to_wait(orchard: Staff) -> None:
    courses: dict[str, Any] = {"courses": ["least", "recommended"]}
    id = orchard.issued(diagnoses=[{"code": "RINGS-BORE", "cylinder": 1}], **courses)  # noqa: A001
    path = orchard.done(f"/v1/quotes/{id}/links", {}, orchard.tag(id)).json()["path"]

    told = page(orchard, path)

    assert told.count("if you agree today, tick the early start, and nothing else is found") >= 2
    assert "if you agree today and nothing else is found" not in told


def test_invoice_is_payable_within_a_year(staff: Staff) -> None:
    id, _ = offered(staff, "en")  # noqa: A001
    staff.act(id, "accept", {"revision": 1, "who": "A. Customer", "means": "telephone"})
    staff.supplied(id)
    staff.act(id, "start")
    staff.act(id, "finish")

    told = staff.refused(f"/v1/quotes/{id}/invoice", {"due_on": "9999-12-31"}, staff.tag(id))

    assert [one["code"] for one in told["errors"]] == ["due-day-invalid"]
    assert "more than a year after today" in told["errors"][0]["detail"]


def test_withdrawal_from_a_choice_is_shown_by_the_link_and_acknowledged(orchard: Staff) -> None:
    customer = {"name": "Maud Ferrier", "email": "maud@example.test"}
    who = orchard.done("/v1/customers", customer).json()["id"]
    fault = {"diagnoses": [{"code": "RINGS-BORE", "cylinder": 1}]}
    id = orchard.issued(customer=who, courses=["least", "recommended"], **fault)  # noqa: A001
    path = orchard.done(f"/v1/quotes/{id}/links", {}, orchard.tag(id)).json()["path"]
    total = orchard.get(path)["quote"]["courses"][0]
    yes = {"who": "M. Ferrier", "course": total["course"], "amount": total["total"]["amount"]}
    assert orchard.client.post(f"{path}/accept", json=yes, headers=JSON).is_success

    for _ in range(2):
        no = orchard.client.post(f"{path}/withdraw", json={"who": "M. Ferrier"}, headers=JSON)
        assert no.is_success

    assert orchard.get(path)["state"] == "declined"
    assert "You withdrew from the contract" in page(orchard, path)
    (mail,) = orchard.get(f"/v1/quotes/{id}/messages")["items"]
    kept = orchard.counter.store.read(lambda records: records.mails.get(int(mail["id"][1:])))
    assert kept is not None
    assert mail["to"] == "maud@example.test"
    assert b"Receipt of your withdrawal" in kept.body
    assert b"You owe nothing." in kept.body


def test_what_is_paid_in_advance_is_not_asked_for_again(staff: Staff) -> None:
    id, path = offered(staff, "en")  # noqa: A001
    yes = staff.client.post(f"{path}/accept", json={"who": "M. Ferrier"}, headers=JSON)
    assert yes.is_success
    asked = staff.get(f"/v1/quotes/{id}/payments")["advance_left"]["amount"]
    assert f'To pay first</dt><dd class="value"><bdi>${asked}' in page(staff, path)

    for amount in ("1.00", str(Decimal(asked) - 1)):
        assert "To pay first" in page(staff, path)
        staff.act(id, "payments", {"amount": amount, "means": "card", "by": "Till"})

    told = page(staff, path)
    assert "To pay first" not in told
    assert f'Paid</dt><dd class="value"><bdi>${asked}' in told
