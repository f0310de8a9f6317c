"""What stays of an erased customer over HTTP: told, locked, and erased once it is over."""

import asyncio
from datetime import timedelta
from typing import Any

from tests.web.calls.conftest import Staff
from tests.web.calls.test_accounts import in_work

from kitwright.quote import read_bill
from kitwright.web.calls.disposal import finish_everything

NAME = "Zoë Q. Unmistakable"
CUSTOMER = {
    "name": NAME,
    "email": "zoe@example.test",
    "billing": {"street": "Mill Lane 4", "city": "Tollimoor", "country": "DE"},
}


def finished(staff: Staff) -> tuple[str, str]:
    """Return a customer and a quote of the customer whose work is finished."""
    customer = staff.done("/v1/customers", CUSTOMER).json()["id"]
    id = in_work(staff, customer=customer)  # noqa: A001
    staff.act(id, "finish")
    return customer, id


def settle(staff: Staff, id: str) -> None:  # noqa: A002
    owed = staff.get(f"/v1/quotes/{id}/statement")["account"]["balance"]["amount"]
    staff.act(id, "payments", {"amount": owed, "means": "card", "by": "R"})


def collect(staff: Staff, id: str) -> None:  # noqa: A002
    staff.act(id, "collected", {"collector": NAME, "old_parts": False, "by": "R"})


def outlast_warranty(staff: Staff) -> None:
    staff.counter.clock.pass_days(staff.counter.desk.retention.warranty_days + 1)


def erased(staff: Staff, customer: str) -> Any:
    return staff.done(f"/v1/customers/{customer}/erase", None, "*").json()


def sweep(staff: Staff) -> None:
    assert asyncio.run(finish_everything(staff.counter.desk))


def kept(staff: Staff, quote: int) -> tuple[list[str], list[str]]:
    """Return who consented to a quote, and whom its documents bill."""
    return staff.counter.store.read(
        lambda records: (
            [one.who for one in records.authorisations.of_quote(quote)],
            [read_bill(one.body).buyer.name for one in records.bills.of_quote(quote)],
        )
    )


def test_invoices_and_consents_stay_until_the_years_are_over(staff: Staff) -> None:
    service = staff.counter.desk.service
    area = service.workshop.catalogue.tax_areas[service.workshop.shop.tax_area]
    years = area.retention_years
    assert years is not None
    customer, id = finished(staff)  # noqa: A001
    staff.done(f"/v1/quotes/{id}/invoice", {}, staff.tag(id))
    settle(staff, id)
    collect(staff, id)
    outlast_warranty(staff)
    number, who = int(id[1:]), kept(staff, int(id[1:]))[0]

    told = erased(staff, customer)

    today = staff.counter.clock.now.date()
    until = today.replace(year=today.year + years, month=12, day=31)
    assert told["erased_in_part"] is False
    assert told["stays"] == [
        {"quote": id, "why": "invoices", "until": until.isoformat(), "bills": ["I1-00001"]}
    ]
    assert kept(staff, number) == (who, [NAME])
    staff.counter.clock.now += timedelta(days=(until - today).days)
    sweep(staff)
    assert kept(staff, number) == (who, [NAME])

    staff.counter.clock.pass_days(1)
    sweep(staff)

    assert kept(staff, number) == (["erased"] * len(who), ["erased"])
    sweep(staff)
    invoice = staff.get("/v1/invoices/I1-00001")
    assert invoice["number"] == "I1-00001"
    assert NAME not in str(invoice)


def test_customer_with_a_debt_is_erased_in_part_and_later_by_itself(staff: Staff) -> None:
    customer, id = finished(staff)  # noqa: A001
    other = staff.accepted(customer=customer)
    staff.act(other, "withdraw", {})
    (who,), _ = kept(staff, int(id[1:]))

    told = erased(staff, customer)

    assert told["erased_in_part"] is True
    assert told["stays"] == [{"quote": id, "why": "balance", "until": None, "bills": []}]
    assert staff.get(f"/v1/customers/{customer}")["name"] == NAME
    assert kept(staff, int(id[1:])) == ([who], [])
    assert kept(staff, int(other[1:])) == (["erased"], [])
    settle(staff, id)
    sweep(staff)
    assert staff.get(f"/v1/customers/{customer}")["name"] == NAME
    told = erased(staff, customer)
    assert [one["why"] for one in told["stays"]] == ["machine"]
    collect(staff, id)
    told = erased(staff, customer)
    today = staff.counter.clock.now.date()
    until = today + timedelta(days=staff.counter.desk.retention.warranty_days)
    assert told["stays"] == [
        {"quote": id, "why": "warranty", "until": until.isoformat(), "bills": []}
    ]
    staff.counter.clock.now += until - today
    sweep(staff)
    assert staff.get(f"/v1/customers/{customer}")["name"] == NAME
    staff.counter.clock.pass_days(1)

    sweep(staff)

    assert staff.get(f"/v1/customers/{customer}")["name"] == "erased"
    assert kept(staff, int(id[1:])) == (["erased"], [])
    assert staff.counter.store.read(lambda records: records.retentions.every()) == ()


def test_who_declined_and_collected_is_erased_whole(staff: Staff) -> None:
    customer = staff.done("/v1/customers", CUSTOMER).json()["id"]
    id = staff.issued(customer=customer, diagnostic_done=True)  # noqa: A001
    staff.act(id, "decline", {"revision": 1})
    staff.act(id, "stop", {"by": "R"})
    settle(staff, id)
    collect(staff, id)

    told = erased(staff, customer)

    assert (told["stays"], told["erased_in_part"]) == ([], False)


def test_sweep_leaves_a_customer_with_new_work(staff: Staff) -> None:
    customer, id = finished(staff)  # noqa: A001
    erased(staff, customer)
    settle(staff, id)
    collect(staff, id)
    outlast_warranty(staff)
    staff.accepted(customer=customer)

    sweep(staff)

    assert staff.get(f"/v1/customers/{customer}")["name"] == NAME


PAYER: dict[str, Any] = {
    "name": "Ottokar V. Payer",
    "billing": {"street": "Mill Lane 9", "city": "Tollimoor", "country": "DE"},
}


def billed_to_another(staff: Staff) -> tuple[str, str, str, str]:
    """Return a customer, who pays, the customer's quote, and the number of its invoice."""
    customer, id = finished(staff)  # noqa: A001
    payer = staff.done("/v1/customers", PAYER).json()["id"]
    number = staff.done(f"/v1/quotes/{id}/invoice", {"customer": payer}, staff.tag(id)).json()[
        "number"
    ]
    return customer, payer, id, number


def test_invoice_is_found_by_whom_it_bills(staff: Staff) -> None:
    customer, payer, id, number = billed_to_another(staff)  # noqa: A001

    own, other = (staff.get(f"/v1/customers/{one}/export") for one in (customer, payer))

    assert [one["number"] for one in other["bills"]] == [number]
    assert PAYER["name"] not in str(own)
    assert own["bills"] == own["quotes"][0]["bills"] == []
    # who owes it is held, until it is paid
    held = erased(staff, payer)
    assert held["erased_in_part"]
    assert sorted(one["why"] for one in held["stays"]) == ["balance", "invoices"]
    settle(staff, id)
    sweep(staff)
    assert staff.get(f"/v1/customers/{payer}")["erased_at"] is not None
    assert kept(staff, int(id[1:]))[1] == [PAYER["name"]]
    # the customer whose machine it was is neither erased nor held by that
    assert staff.get(f"/v1/customers/{customer}")["name"] == NAME
    years = staff.counter.desk.retention.years
    staff.counter.clock.pass_days(366 * ((years or 0) + 1))
    sweep(staff)
    consents, billed = kept(staff, int(id[1:]))
    assert billed == ["erased"]
    assert "erased" not in consents


def test_erasing_whose_machine_it_was_leaves_who_paid(staff: Staff) -> None:
    customer, _, id, number = billed_to_another(staff)  # noqa: A001
    settle(staff, id)
    collect(staff, id)
    outlast_warranty(staff)

    erased(staff, customer)

    years = staff.counter.desk.retention.years
    staff.counter.clock.pass_days(366 * ((years or 0) + 1))
    sweep(staff)
    consents, billed = kept(staff, int(id[1:]))
    assert set(consents) == {"erased"}
    assert billed == [PAYER["name"]]
    assert staff.get(f"/v1/invoices/{number}")["buyer"]["name"] == PAYER["name"]
