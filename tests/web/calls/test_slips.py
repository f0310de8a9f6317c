"""Customers are told once of parts that come later, when the counter says so or the shop's rule."""

from email import message_from_bytes
from email.policy import default
from typing import Any

import pytest
from msgspec import structs
from tests.desks import DAY
from tests.web.calls.conftest import Staff
from tests.web.calls.test_order_acts import HEADS, Buyer

from kitwright.web.calls.service import Service
from kitwright.workshop import Workshop

EMAIL = "zoe@example.org"


@pytest.fixture
def buyer(staff: Staff) -> Buyer:
    return Buyer(staff)


def customer(staff: Staff, **members: Any) -> str:
    body = {"name": "Zoë Müller", "email": EMAIL, **members}
    return str(staff.done("/v1/customers", body).json()["id"])


def late_order(buyer: Buyer, *quotes: str) -> Any:
    return buyer.sent(*quotes, supplier="ALDQ")


def slip(buyer: Buyer, order: Any, day: str | None, line: int = 1) -> Any:
    said = {"line": line, "back_order": True, "promised": day, "open": day is None}
    return buyer.act(order["id"], "confirm", lines=[said])


def tell(staff: Staff, id: str, **body: Any) -> Any:  # noqa: A002
    return staff.done(f"/v1/quotes/{id}/slip", body, staff.tag(id)).json()


def refused(staff: Staff, id: str, **body: Any) -> str:  # noqa: A002
    told = staff.refused(f"/v1/quotes/{id}/slip", body, staff.tag(id))
    assert told["status"] == 409
    return str(told["errors"][0]["code"])


def letter(staff: Staff, id: str, at: int = -1) -> tuple[str, str]:  # noqa: A002
    """Return subject and text of an e-mail of a quote."""
    mails = staff.counter.store.read(lambda records: records.mails.of_quote(int(id[1:])))
    message = message_from_bytes(mails[at].body, policy=default)
    assert message["To"] == EMAIL
    content = message.get_body(("plain",))
    assert content is not None
    return str(message["Subject"]), str(content.get_content()).replace("\r\n", "\n").strip()


def test_customer_is_told_the_old_day_and_the_new_one(buyer: Buyer) -> None:
    staff = buyer.staff
    id = staff.accepted(**HEADS, customer=customer(staff))  # noqa: A001
    order = late_order(buyer, id)
    assert staff.client.get(f"/v1/quotes/{id}/slip").status_code == 409
    assert refused(staff, id) == "nothing-slipped"
    was = max(line["promised"] for line in order["lines"])
    slip(buyer, order, "2027-03-26")

    draft = staff.get(f"/v1/quotes/{id}/slip")
    assert (draft["was"], draft["complete_on"]) == (was, "2027-03-26")
    assert draft["orders"] == [order["id"]]
    assert staff.get(f"/v1/quotes/{id}/messages")["items"] == []
    mail = tell(staff, id)

    assert mail["state"] == "queued"
    subject, text = letter(staff, id)
    assert (subject, text) == (draft["subject"], draft["text"])
    assert (
        subject
        == f"Your repair {id} at {staff.counter.desk.service.workshop.shop.name}: parts come later"
    )
    assert "Dear Zoë Müller," in text
    assert "March 26, 2027" in text
    assert "The price that we agreed does not change." in text
    assert "From another source" not in text
    (event,) = [
        one
        for one in staff.get(f"/v1/quotes/{id}/history")["items"]
        if one["kind"] == "quote.slip_told"
    ]
    assert event["facts"]["complete_on"] == "2027-03-26"
    assert EMAIL not in str(event)


def test_slip_is_told_once_until_something_slips_again(buyer: Buyer) -> None:
    staff = buyer.staff
    id = staff.accepted(**HEADS, customer=customer(staff))  # noqa: A001
    order = late_order(buyer, id)
    slip(buyer, order, "2027-03-26")
    tell(staff, id)

    assert refused(staff, id) == "nothing-slipped"
    # the same day again is no news
    slip(buyer, order, "2027-03-26")
    assert refused(staff, id) == "nothing-slipped"
    slip(buyer, order, "2027-04-09")
    assert staff.get(f"/v1/quotes/{id}/slip")["was"] == "2027-03-26"
    tell(staff, id)
    assert refused(staff, id) == "nothing-slipped"
    slip(buyer, order, None)
    tell(staff, id)

    assert "The new day is not known yet" in letter(staff, id)[1]
    assert len(staff.get(f"/v1/quotes/{id}/messages")["items"]) == 3


def test_slips_that_were_not_told_are_told_as_one(buyer: Buyer) -> None:
    staff = buyer.staff
    id = staff.accepted(**HEADS, customer=customer(staff))  # noqa: A001
    order = late_order(buyer, id)
    was = max(line["promised"] for line in order["lines"])
    slip(buyer, order, "2027-03-26")
    slip(buyer, order, "2027-04-09")

    draft = staff.get(f"/v1/quotes/{id}/slip")

    assert (draft["was"], draft["complete_on"]) == (was, "2027-04-09")


@pytest.mark.parametrize("how", ["refused", "cancelled"])
def test_slip_follows_the_order_that_carries_the_part(buyer: Buyer, how: str) -> None:
    staff = buyer.staff
    id = staff.accepted(**HEADS, customer=customer(staff))  # noqa: A001
    order = late_order(buyer, id)
    (was,) = {line["promised"] for line in order["lines"]}
    packs = order["lines"][0]["due"]
    if how == "refused":
        buyer.act(order["id"], "confirm", lines=[{"line": 1, "refused": packs}])
    else:
        slip(buyer, order, "2027-04-26")
        lines = [{"line": 1, "packs": packs}]
        buyer.act(order["id"], "cancel", reason="too late", lines=lines)
    staff.counter.clock.pass_days(14)
    assert refused(staff, id) == "nothing-slipped"

    (again,) = buyer.order(id).values()

    draft = staff.get(f"/v1/quotes/{id}/slip")
    assert draft["orders"] == [again["id"]]
    assert (draft["was"], draft["complete_on"]) == (was, again["order"]["promised"])
    tell(staff, id)
    assert refused(staff, id) == "nothing-slipped"
    # what comes as it was told is no news
    sending = {"means": "portal", "reference": "S-2", "without_advance": "an old customer"}
    buyer.act(again["id"], "send", **sending)
    assert refused(staff, id) == "nothing-slipped"


def test_promise_that_is_kept_after_all_is_no_news(buyer: Buyer) -> None:
    staff = buyer.staff
    id = staff.accepted(**HEADS, customer=customer(staff))  # noqa: A001
    order = late_order(buyer, id)
    (was,) = {line["promised"] for line in order["lines"]}
    slip(buyer, order, "2027-03-26")
    slip(buyer, order, was)

    assert refused(staff, id) == "nothing-slipped"


def test_customer_may_choose_the_next_best_offer(buyer: Buyer) -> None:
    staff = buyer.staff
    id = staff.accepted(**HEADS, customer=customer(staff))  # noqa: A001
    order = late_order(buyer, id)
    slip(buyer, order, "2027-04-26")
    draft = staff.get(f"/v1/quotes/{id}/slip", may_choose=True)
    assert draft["sooner"] < "2027-04-26"

    tell(staff, id, may_choose=True, note="Call us:\n555 0100.")

    _, text = letter(staff, id)
    assert "From another source they could be here by March" in text
    assert "at the same price" in text
    assert "Call us:\n555 0100." in text


def test_letter_is_in_the_customers_language(buyer: Buyer) -> None:
    staff = buyer.staff
    id = staff.accepted(**HEADS, language="de", customer=customer(staff))  # noqa: A001
    order = late_order(buyer, id)
    slip(buyer, order, "2027-04-26")

    tell(staff, id, may_choose=True)

    subject, text = letter(staff, id)
    assert "Teile kommen später" in subject
    assert "26. April 2027" in text
    assert "A supplier" not in text
    assert "From another" not in text


def test_slip_without_an_address_is_refused(buyer: Buyer) -> None:
    staff = buyer.staff
    id = staff.accepted(**HEADS)  # noqa: A001
    slip(buyer, late_order(buyer, id), "2027-03-26")

    assert refused(staff, id) == "no-address"
    tell(staff, id, to=EMAIL)


def test_parts_that_arrived_are_no_slip(buyer: Buyer) -> None:
    staff = buyer.staff
    id = staff.accepted(**HEADS, customer=customer(staff))  # noqa: A001
    order = late_order(buyer, id)
    slip(buyer, order, "2027-03-26")
    for one in staff.get("/v1/orders", quote=id)["items"]:
        staff.delivered(one["id"])

    assert refused(staff, id) == "nothing-slipped"


def test_shop_may_have_its_customers_told_at_once(buyer: Buyer) -> None:
    staff = buyer.staff
    workshop = staff.counter.desk.service.workshop
    buying = structs.replace(workshop.shop.purchasing, tells_slips=True)
    shop = structs.replace(workshop.shop, purchasing=buying)
    shops = {**workshop.catalogue.shops, shop.id: shop}
    catalogue = structs.replace(workshop.catalogue, shops=shops)
    staff.counter.desk.service = Service(Workshop(catalogue, shop), lambda: DAY)
    with_address = staff.accepted(**HEADS, customer=customer(staff))
    without = staff.accepted(**HEADS)
    order = late_order(buyer, with_address, without)
    assert staff.get(f"/v1/quotes/{with_address}/messages")["items"] == []

    slip(buyer, order, "2027-03-26")
    slip(buyer, order, "2027-03-26")

    assert len(staff.get(f"/v1/quotes/{with_address}/messages")["items"]) == 1
    assert staff.get(f"/v1/quotes/{without}/messages")["items"] == []
    assert refused(staff, with_address) == "nothing-slipped"
