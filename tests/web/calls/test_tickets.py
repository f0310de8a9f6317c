"""Tickets: machines are taken in before any test, and quotes take over what was agreed."""

from typing import Any

import pytest
from tests.web.calls.conftest import Staff
from tests.web.calls.shop import png

from kitwright.documents.ticket_words import terms_told
from kitwright.language.scribe import Scribe

FORM = {"Content-Type": "application/x-www-form-urlencoded"}
REPAIR: dict[str, Any] = {
    "family": "QM-H27",
    "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
}


def taken_in(staff: Staff, serial: int = 2140077, **more: Any) -> Any:
    customer = staff.done("/v1/customers", {"name": "Zoë Yard"}).json()["id"]
    machine = staff.done(
        "/v1/machines",
        {
            "name": "Washer",
            "family": "QM-H27",
            "serial": serial,
            "chassis": "PW-G5",
            "customer": customer,
        },
    ).json()["id"]
    asked = {
        "customer": customer,
        "machine": machine,
        "complaint": "Loses power on hills.",
        "brought_by": "Sam Driver",
        "accessories": ["hose", "key"],
        "old_parts": True,
        **more,
    }
    return staff.done("/v1/tickets", asked)


def test_ticket_is_kept_with_the_shops_terms(staff: Staff) -> None:
    answer = taken_in(staff)

    told = answer.json()
    assert answer.headers["Location"] == "/v1/tickets/T1"
    read = staff.client.get("/v1/tickets/T1")
    assert (read.json(), read.headers["ETag"]) == (told, answer.headers["ETag"])
    assert told["fee"] == {"amount": "85.00", "currency": "USD"}
    assert told["terms"] == [
        "If we repair the machine, we credit 100% of the price of finding the fault.",
        "Storage is free for 14 days after we tell you that the machine is ready. Then it costs "
        "$3.00 a day.",
        "What storage costs is before tax.",
        "Machines that are not collected: written notice; lien and disposal rules follow local "
        "law.",
        "If we fetch or bring the machine, each trip costs $25.00, and $1.20 for each kilometre.",
        "Our warranty on parts that you bring: none.",
        "Your rights by law stay as they are.",
    ]
    assert staff.get("/v1/tickets")["items"][0]["id"] == "T1"
    assert staff.get("/v1/tickets", customer="C1")["items"] != []


def test_ticket_that_is_agreed_to_never_changes(staff: Staff) -> None:
    answer = taken_in(staff)
    told, etag = answer.json(), answer.headers["ETag"]
    asked = {
        "customer": "C1",
        "machine": "M1",
        "complaint": "Smokes.",
        "accessories": [],
        "fee": "60.00",
        "most": "90.00",
    }
    changed = staff.client.put("/v1/tickets/T1", json=asked, headers={"If-Match": etag})
    assert changed.status_code == 200, changed.text
    assert changed.json()["sha256"] != told["sha256"]
    etag = changed.headers["ETag"]

    yes = {"who": "Zoë Yard"}
    agreed = staff.done("/v1/tickets/T1/agree", yes, etag)

    assert (agreed.json()["agreed_by"], agreed.json()["means"]) == ("Zoë Yard", "in_person")
    assert agreed.json()["sha256"] == changed.json()["sha256"]
    etag = agreed.headers["ETag"]
    again = staff.done("/v1/tickets/T1/agree", yes, etag)
    assert again.json() == agreed.json()
    refused = staff.refused("/v1/tickets/T1/agree", {"who": "Other"}, etag)
    assert [one["code"] for one in refused["errors"]] == ["ticket-agreed"]
    late = staff.client.put("/v1/tickets/T1", json=asked, headers={"If-Match": etag})
    assert late.status_code == 409
    kinds = [one["kind"] for one in staff.get("/v1/events")["items"]]
    assert [one for one in kinds if one.startswith("ticket.")] == [
        "ticket.created",
        "ticket.changed",
        "ticket.agreed",
    ]


@pytest.mark.parametrize(
    ("more", "code", "pointer"),
    [
        ({"machine": "M9"}, "no-such-record", "/machine"),
        ({"fee": "80", "most": "79.99"}, "most-below-fee", "/most"),
        ({"fee": "1.234"}, "amount-invalid", "/fee"),
        ({"language": "tlh"}, "unknown-language", "/language"),
    ],
)
def test_ticket_that_does_not_fit_is_refused(
    staff: Staff, more: dict[str, Any], code: str, pointer: str
) -> None:
    taken_in(staff)
    asked = {"customer": "C1", "machine": "M1", "complaint": "Smokes.", **more}

    told = staff.refused("/v1/tickets", asked)

    assert [(one["code"], one["pointer"]) for one in told["errors"]] == [(code, pointer)]


def test_quote_takes_over_what_its_ticket_says(staff: Staff) -> None:
    taken_in(staff, fee="60.00")

    told = staff.done("/v1/quotes", {**REPAIR, "ticket": "T1"}).json()

    asked, quote = told["request"], told["quote"]
    assert (told["ticket"], told["customer"], told["machine"]) == ("T1", "C1", "M1")
    assert (asked["serial"], asked["complaint"]) == (2140077, "Loses power on hills.")
    fees = {line["code"]: line["amount"]["amount"] for line in quote["lines"]}
    assert (fees["diagnostic-fee"], fees["diagnostic-credit"]) == ("60.00", "-60.00")
    assert staff.get("/v1/tickets/T1")["quotes"] == ["Q1"]
    # it says otherwise
    own = {**REPAIR, "ticket": "T1", "diagnostic_done": False, "complaint": "Smokes."}
    told = staff.done("/v1/quotes", own).json()
    assert told["request"]["complaint"] == "Smokes."
    assert "diagnostic-fee" not in {line["code"] for line in told["quote"]["lines"]}


def charged(told: Any) -> bool:
    return "diagnostic-fee" in {line["code"] for line in told["quote"]["lines"]}


def test_diagnosis_of_a_ticket_is_charged_once(staff: Staff) -> None:
    taken_in(staff)
    asked = {**REPAIR, "ticket": "T1"}
    first = staff.done("/v1/quotes", asked).json()
    second = staff.done("/v1/quotes", asked).json()
    third = staff.done("/v1/quotes/Q1/copy").json()
    assert [charged(one) for one in (first, second, third)] == [True, False, False]

    told = staff.refused("/v1/quotes", {**asked, "diagnostic_done": True})
    assert [one["code"] for one in told["errors"]] == ["diagnosis-charged"]
    answer = staff.post("/v1/quotes/Q2/revise", {**asked, "diagnostic_done": True}, staff.tag("Q2"))
    assert answer.status_code == 409
    # the one that charges it goes on doing so
    assert charged(staff.act("Q1", "revise", REPAIR))
    assert staff.get("/v1/quotes/Q1")["ticket"] == "T1"
    # once it is withdrawn, another one may
    staff.act("Q1", "withdraw")
    assert charged(staff.act("Q2", "revise", asked))


def test_units_have_tickets_of_their_own(staff: Staff) -> None:
    taken_in(staff)
    taken_in(staff, serial=2140078)
    units = [{"ticket": "T1"}, {"ticket": "T2"}]

    told = staff.done("/v1/quotes", {**REPAIR, "units": units}).json()

    assert [one["machine"] for one in told["quotes"]] == ["M1", "M2"]
    assert [one["ticket"] for one in told["quotes"]] == ["T1", "T2"]
    twice = staff.refused("/v1/quotes", {**REPAIR, "units": [*units, units[0]]})
    assert {(one["code"], one["pointer"]) for one in twice["errors"]} == {
        ("named-twice", "/units/2/ticket"),
        ("serial-twice", "/units/2/serial"),
    }


def link_to(staff: Staff) -> str:
    path: str = staff.done("/v1/tickets/T1/links", {}).json()["path"]
    return path


def bare(staff: Staff) -> Any:
    client = staff.client
    client.headers.pop("Authorization")
    return client


def test_customer_agrees_by_a_link(staff: Staff) -> None:
    told = taken_in(staff).json()
    path = link_to(staff)
    client = bare(staff)

    shown = client.get(path).json()
    assert (shown["id"], shown["text"], shown["agreed_at"]) == ("T1", told["text"], None)
    page = client.get(path, headers={"Accept": "text/html"}).text
    assert "Sam Driver" in page
    assert "<script" not in page
    assert client.get(path, headers={"Accept": "application/pdf"}).content.startswith(b"%PDF")
    wrong = client.post(f"{path}/agree", content="who=", headers=FORM)
    assert (wrong.status_code, "Please give your name" in wrong.text) == (422, True)
    done = client.post(f"{path}/agree", content="who=Z", headers=FORM, follow_redirects=False)
    assert done.status_code == 303
    page = client.get(path, headers={"Accept": "text/html"}).text
    assert "Agreed to on" in page
    assert "<form" not in page
    assert client.post(f"{path}/agree", json={"who": "Z"}).status_code == 200
    assert client.post(f"{path}/agree", json={"who": "Other"}).status_code == 409


def test_link_to_a_ticket_that_was_changed_since_leads_nowhere(staff: Staff) -> None:
    etag = taken_in(staff).headers["ETag"]
    path = link_to(staff)
    asked = {"customer": "C1", "machine": "M1", "complaint": "Smokes."}
    staff.client.put("/v1/tickets/T1", json=asked, headers={"If-Match": etag})
    quote = staff.issued(customer="C1")
    token = staff.done(f"/v1/quotes/{quote}/links", {}, staff.tag(quote)).json()["token"]
    client = bare(staff)

    assert client.get(path).status_code == 410
    assert client.get(path.replace("/tickets", "")).status_code == 404
    assert client.get(f"/v1/links/tickets/{token}").status_code == 404


def test_photographs_are_taken_in_with_a_ticket(staff: Staff) -> None:
    taken_in(staff)
    headers = {"Content-Type": "image/png", "Idempotency-Key": '"photo"'}
    photo = staff.client.post("/v1/tickets/T1/photos", content=png(1), headers=headers)
    assert photo.status_code == 201, photo.text

    assert (photo.json()["ticket"], photo.json()["quote"]) == ("T1", None)
    assert staff.get("/v1/tickets/T1/photos")["items"] == [photo.json()]
    assert staff.client.get(photo.json()["path"]).content
    page = staff.client.get("/v1/tickets/T1/sheet", headers={"Accept": "text/html"})
    assert "Photographs" in page.text


def test_export_and_erasure_know_tickets(staff: Staff) -> None:
    etag = taken_in(staff).headers["ETag"]
    headers = {"Content-Type": "image/png", "Idempotency-Key": '"photo"'}
    staff.client.post("/v1/tickets/T1/photos", content=png(1), headers=headers)
    staff.done("/v1/tickets/T1/agree", {"who": "Sam Driver"}, etag)
    path = link_to(staff)

    export = staff.get("/v1/customers/C1/export")
    (ticket,) = export["tickets"]
    assert ticket["ticket"]["brought_by"] == "Sam Driver"
    assert len(ticket["photos"]) == 1
    assert "ticket.agreed" in {one["kind"] for one in export["events"]}

    tag = staff.client.get("/v1/customers/C1").headers["ETag"]
    done = staff.done("/v1/customers/C1/erase", None, tag).json()

    assert (done["tickets"], done["photos"]) == (1, 1)
    left = staff.get("/v1/tickets/T1")
    assert (left["complaint"], left["agreed_by"], left["brought_by"]) == ("erased", "erased", None)
    assert left["accessories"] == []
    assert staff.get("/v1/tickets/T1/photos") == {"items": []}
    assert staff.client.get(path).status_code == 410
    told = staff.refused("/v1/quotes", {**REPAIR, "ticket": "T1"})
    assert [one["pointer"] for one in told["errors"]] == ["/ticket"]


def test_shops_own_terms_are_in_the_customers_language_where_given(staff: Staff) -> None:
    shop = staff.counter.desk.service.workshop.shop
    assert shop.fees.storage is not None
    german = shop.translations["de"]
    told = " ".join(terms_told(shop, Scribe("de")))
    assert german[shop.fees.storage.notice] in told
    assert german[shop.quote.warranty.customer_supplied_parts] in told
    assert shop.fees.storage.notice in " ".join(terms_told(shop, Scribe("en")))
