"""Machines that nobody collects, over HTTP: notices, storage by agreed terms, page and letter."""

from typing import Any

from tests.documents.printed import text as pdf_text
from tests.web.calls.conftest import Staff
from tests.web.calls.test_come_back import ordered, quoted

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
    storage = staff.counter.desk.service.workshop.shop.fees.storage
    assert storage is not None

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
