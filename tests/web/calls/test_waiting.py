"""Machines that nobody collects, over HTTP: notices, storage by agreed terms, page and letter."""

from decimal import Decimal
from typing import Any

from msgspec import structs
from tests.documents.printed import text as pdf_text
from tests.web.calls.conftest import Staff
from tests.web.calls.test_come_back import ordered, quoted

from kitwright.catalogue.model import Storage

BY = {"by": "R. Okafor"}


def taken_in(staff: Staff, *, is_agreed: bool = True) -> dict[str, Any]:
    """Return members of a quote whose machine was taken in with a ticket."""
    customer = staff.done("/v1/customers", {"name": "M. Ferrier"}).json()["id"]
    machine = staff.done(
        "/v1/machines", {"name": "Tractor", "family": "QM-H27", "customer": customer}
    ).json()["id"]
    asked = {"customer": customer, "machine": machine, "complaint": "It has no power."}
    ticket = staff.done("/v1/tickets", asked).json()["id"]
    if is_agreed:
        tag = staff.client.get(f"/v1/tickets/{ticket}").headers["ETag"]
        staff.done(f"/v1/tickets/{ticket}/agree", {"who": "M. Ferrier"}, tag)
    return {"ticket": ticket}


def done(staff: Staff, **members: Any) -> str:
    """Return a quote whose work is finished, and whose machine is still here."""
    return worked(staff, staff.issued(**members))


def worked(staff: Staff, id: str) -> str:  # noqa: A002
    """Have a quote on offer accepted, and its work done; return it."""
    staff.act(id, "accept", {"revision": 1, "who": "A. Customer", "means": "telephone"})
    ordered(staff, id)
    staff.act(id, "start")
    staff.act(id, "finish")
    return id


def terms(staff: Staff) -> Storage:
    """Return what the shop takes for storage."""
    storage = staff.counter.desk.service.workshop.shop.fees.storage
    assert storage is not None
    return storage


def stored(staff: Staff, id: str, days: int) -> str:  # noqa: A002
    """Tell a customer to collect a machine, and let storage be owed for some days; return it."""
    staff.act(id, "notices", {"way": "letter", **BY})
    staff.counter.clock.pass_days(terms(staff).grace_days + days)
    return id


def waiting(staff: Staff) -> list[Any]:
    found: list[Any] = staff.get("/v1/reports/waiting")["items"]
    return found


def test_notices_fall_due_by_the_shops_days_and_are_recorded(staff: Staff) -> None:
    id = done(staff)  # noqa: A001
    terms = staff.counter.desk.service.workshop.shop.collection
    (found,) = waiting(staff)
    assert (found["quote"], found["due"], found["notices"]) == (id, False, [])
    staff.counter.clock.pass_days(terms.first_notice_days)
    assert waiting(staff)[0]["due"]

    staff.act(id, "notices", {"way": "letter", **BY})

    (found,) = waiting(staff)
    assert not found["due"]
    (notice,) = staff.get(f"/v1/quotes/{id}/notices")["items"]
    assert (notice["way"], notice["day"]) == ("letter", "2027-03-08")
    assert [one["kind"] for one in staff.get(f"/v1/quotes/{id}/history")["items"]][-1] == (
        "quote.noticed"
    )
    for _ in range(terms.most_notices - 1):
        staff.counter.clock.pass_days(terms.every_days)
        assert waiting(staff)[0]["due"]
        staff.act(id, "notices", {"way": "told", **BY})
    assert waiting(staff)[0]["next_on"] is None


def test_storage_is_told_only_by_terms_that_were_agreed_to(staff: Staff) -> None:
    agreed = done(staff, **taken_in(staff))
    unsigned = done(staff, **taken_in(staff, is_agreed=False))
    without = done(staff)
    rows = {one["quote"]: one for one in waiting(staff)}
    assert rows[agreed]["storage"]["free_until"] is None
    assert rows[unsigned]["storage"] is rows[without]["storage"] is None
    staff.act(agreed, "notices", {"way": "mail", **BY})
    storage = terms(staff)

    staff.counter.clock.pass_days(storage.grace_days + 3)

    found = {one["quote"]: one for one in waiting(staff)}[agreed]["storage"]
    assert found["days"] == 3
    assert found["fee"]["amount"] == str(3 * storage.per_day)


def test_page_and_letter_say_that_the_machine_waits(staff: Staff) -> None:
    id = staff.issued(**taken_in(staff))  # noqa: A001
    path = staff.act(id, "links", {})["path"]
    worked(staff, id)
    staff.act(id, "notices", {"way": "mail", **BY})

    page = staff.client.get(path, headers={"Accept": "text/html"}).text
    letter = staff.client.get(f"/v1/quotes/{id}/collection-letter")

    assert letter.status_code == 200, letter.text
    for told in (page, pdf_text(letter.content)):
        assert "Please collect it." in told
        assert "local law decides" in " ".join(told.split())
        assert "storage is free until" in " ".join(told.split())
    staff.act(id, "collected", {"collector": "M. F.", "old_parts": False, **BY})
    page = staff.client.get(path, headers={"Accept": "text/html"}).text
    assert "Please collect it." not in page
    assert waiting(staff) == []
    assert staff.client.get(f"/v1/quotes/{id}/collection-letter").status_code == 409


def test_stopped_machine_is_not_told_to_be_ready(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001
    path = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]
    staff.act(id, "accept", {"revision": 1, "who": "A. Customer", "means": "telephone"})
    ordered(staff, id)
    staff.act(id, "start")
    steps = staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]["work_plan"]["steps"]
    staff.act(id, "stop", {"step": steps[-1]["step"], "machine": "boxes", "unbooked": "Counted."})

    page = staff.client.get(path, headers={"Accept": "text/html"}).text
    letter = staff.client.get(f"/v1/quotes/{id}/collection-letter")
    for told in (page, pdf_text(letter.content)):
        assert "Your machine waits here since" in told
        assert "is ready" not in told


def test_declined_machine_that_was_taken_in_waits_and_is_collected(staff: Staff) -> None:
    id = staff.issued(**taken_in(staff))  # noqa: A001
    assert "notice" not in quoted(staff, id)["acts"]
    staff.act(id, "decline", {"revision": 1, "reason": None})
    assert {"collect", "notice"} <= set(quoted(staff, id)["acts"])
    assert waiting(staff)[0]["declined"]
    staff.act(id, "notices", {"way": "told", **BY})

    taken = {"collector": "M. F.", "old_parts": False, **BY}
    head = staff.act(id, "collected", taken)

    assert not {"collect", "notice"} & set(head["acts"])
    assert waiting(staff) == []
    answer = staff.post(f"/v1/quotes/{id}/collected", taken, staff.tag(id))
    assert answer.status_code == 409


def test_declined_quote_without_a_machine_here_takes_no_notice(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001
    staff.act(id, "decline", {"revision": 1, "reason": None})

    assert not {"collect", "notice"} & set(quoted(staff, id)["acts"])
    answer = staff.post(f"/v1/quotes/{id}/notices", {"way": "told", **BY}, staff.tag(id))
    assert answer.json()["errors"][0]["code"] == "not-in-this-state"


def short_link(staff: Staff, id: str) -> str:  # noqa: A002
    """Return a link to the offer of a quote that expires after three days."""
    path: str = staff.act(id, "links", {"days": 3})["path"]
    return path


def test_link_opens_as_long_as_a_finished_machine_is_here(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001
    path = short_link(staff, id)
    staff.counter.clock.pass_days(1)
    worked(staff, id)
    staff.counter.clock.pass_days(200)

    assert staff.client.get(path).status_code == 200
    staff.act(id, "collected", {"collector": "A. Customer", "old_parts": False, **BY})
    assert staff.client.get(path).status_code == 410


def test_link_opens_as_long_as_a_declined_machine_is_here(staff: Staff) -> None:
    id = staff.issued(**taken_in(staff))  # noqa: A001
    path = short_link(staff, id)
    staff.counter.clock.pass_days(5)
    assert staff.client.get(path).status_code == 410

    staff.act(id, "decline", {"revision": 1})

    assert staff.client.get(path).json()["state"] == "declined"
    # it decides nothing any longer
    assert staff.client.post(f"{path}/accept", json={"who": "A. Customer"}).status_code == 409
    staff.act(id, "links/revoke")
    assert staff.client.get(path).status_code == 410


COLLECTED = {"collector": "M. F.", "old_parts": False, **BY}


def statement_of(staff: Staff, id: str) -> Any:  # noqa: A002
    return staff.get(f"/v1/quotes/{id}/statement")


def gross(told: Any) -> Decimal:
    return Decimal(told["gross"]["amount"])


def test_storage_is_billed_as_the_machine_is_collected(staff: Staff) -> None:
    id = staff.issued(**taken_in(staff))  # noqa: A001
    path = staff.act(id, "links", {})["path"]
    stored(staff, worked(staff, id), days=3)
    made = statement_of(staff, id)
    assert made["storage"]["fee"]["amount"] == str(3 * terms(staff).per_day)

    for said in ({}, {"storage": "waive"}, {"storage": "bill", "waived_why": "A friend."}):
        refused = staff.refused(f"/v1/quotes/{id}/collected", {**COLLECTED, **said}, staff.tag(id))
        assert refused["errors"][0]["code"] == "storage-unclear"
        assert made["storage"]["fee"]["amount"] in refused["errors"][0]["detail"]
    staff.act(id, "collected", {**COLLECTED, "storage": "bill"})

    told = statement_of(staff, id)
    line = told["collected"]["storage"]["line"]
    whole = gross(made["statement"]) + gross(line)
    assert told["statement"] == made["statement"]
    assert (line["kind"], line["tax_kind"], line["why"]) == ("fee", "fee", "stored")
    assert Decimal(line["net"]["amount"]) == 3 * terms(staff).per_day
    assert told["account"]["due"]["amount"] == str(whole)
    assert told["collected"]["balance"]["amount"] == told["account"]["balance"]["amount"]
    page = staff.client.get(path, headers={"Accept": "text/html"}).text
    assert line["description"] in page
    assert f"${whole:,}" in page
    invoice = staff.done(f"/v1/quotes/{id}/invoice", {}, staff.tag(id)).json()
    assert invoice["lines"][-1]["description"] == line["description"]
    assert gross(invoice) == whole
    assert "invoice" not in quoted(staff, id)["acts"]
    month = staff.get("/v1/reports/month", month="2027-03")
    assert Decimal(month["closing"]["amount"]) == whole


def test_storage_after_the_invoice_gets_one_of_its_own(staff: Staff) -> None:
    customer = {"name": "M. Ferrier"}
    id = worked(staff, staff.issued(**taken_in(staff)))  # noqa: A001
    first = staff.done(f"/v1/quotes/{id}/invoice", {}, staff.tag(id)).json()
    paid = {"amount": first["gross"]["amount"], "means": "card", "by": "R"}
    staff.act(id, "payments", paid)
    assert not {"invoice", "pay"} & set(quoted(staff, id)["acts"])

    stored(staff, id, days=2)
    staff.act(id, "collected", {**COLLECTED, "storage": "bill"})

    assert {"invoice", "pay"} <= set(quoted(staff, id)["acts"])
    due = statement_of(staff, id)["account"]["balance"]
    second = staff.done(f"/v1/quotes/{id}/invoice", {}, staff.tag(id)).json()
    assert [one["code"] for one in second["lines"]] == ["storage"]
    assert second["buyer"]["name"] == customer["name"]
    assert (second["prepaid"]["amount"], second["payable"]) == ("0.00", due)
    assert statement_of(staff, id)["account"]["balance"] == due
    staff.done(f"/v1/invoices/{second['number']}/credit", {"reason": "A friend."})
    assert statement_of(staff, id)["account"]["balance"]["amount"] == "0.00"


def test_storage_is_waived_with_a_reason(staff: Staff) -> None:
    id = stored(staff, done(staff, **taken_in(staff)), days=5)  # noqa: A001
    before = statement_of(staff, id)["account"]

    staff.act(id, "collected", {**COLLECTED, "storage": "waive", "waived_why": "It rained."})

    told = statement_of(staff, id)
    assert told["account"] == before
    fee = told["collected"]["storage"]
    assert (fee["waived"], fee["line"], told["collected"]["who"]) == ("It rained.", None, BY["by"])


def test_nothing_is_said_of_storage_that_is_not_owed(staff: Staff) -> None:
    id = done(staff)  # noqa: A001
    staff.act(id, "notices", {"way": "letter", **BY})
    staff.counter.clock.pass_days(100)

    asked = {**COLLECTED, "storage": "bill"}
    refused = staff.refused(f"/v1/quotes/{id}/collected", asked, staff.tag(id))

    assert refused["errors"][0]["code"] == "storage-unclear"
    staff.act(id, "collected", COLLECTED)


def test_storage_is_by_the_ticket_whatever_the_shop_takes_now(staff: Staff) -> None:
    id = done(staff, **taken_in(staff))  # noqa: A001
    workshop = staff.counter.desk.service.workshop
    dearer = structs.replace(terms(staff), per_day=Decimal(99), grace_days=0)
    shop = structs.replace(workshop.shop, fees=structs.replace(workshop.shop.fees, storage=dearer))
    agreed = terms(staff)

    workshop.shop, before = shop, workshop.shop
    try:
        staff.act(id, "notices", {"way": "letter", **BY})
        staff.counter.clock.pass_days(agreed.grace_days + 1)
        assert statement_of(staff, id)["storage"]["fee"]["amount"] == str(agreed.per_day)
    finally:
        workshop.shop = before


def test_storage_of_a_declined_machine_is_billed_with_a_statement(staff: Staff) -> None:
    id = staff.issued(**taken_in(staff), diagnostic_done=False)  # noqa: A001
    staff.act(id, "decline", {"revision": 1, "reason": None})
    stored(staff, id, days=4)
    asked = {**COLLECTED, "storage": "bill"}
    refused = staff.refused(f"/v1/quotes/{id}/collected", asked, staff.tag(id))
    assert "`stop`" in refused["errors"][0]["detail"]

    staff.act(id, "stop", {"by": "R. Okafor"})
    staff.act(id, "collected", asked)

    invoice = staff.done(f"/v1/quotes/{id}/invoice", {}, staff.tag(id)).json()
    assert [one["code"] for one in invoice["lines"]] == ["storage"]
    assert Decimal(invoice["net"]["amount"]) == 4 * terms(staff).per_day


def test_first_letter_names_the_day_until_which_storage_is_free(staff: Staff) -> None:
    id = done(staff, **taken_in(staff))  # noqa: A001
    letter = staff.client.get(f"/v1/quotes/{id}/collection-letter")
    assert "storage is free until" in " ".join(pdf_text(letter.content).split())
