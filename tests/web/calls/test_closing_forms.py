"""A visit that is over is told alike on the page, in the PDF and in the e-mail."""

import email
import email.policy
import html
import re
from datetime import date
from decimal import Decimal
from email.message import EmailMessage

import pytest
from tests.documents.printed import text
from tests.web.calls.conftest import Staff
from tests.web.calls.endings import ENDS, begun, declined, finished

from kitwright.language.scribe import Scribe
from kitwright.money import Money

CLOSED = ("finished", "collected", "stopped", "put_together")
OF_AN_OFFER = re.compile(r"valid until|gültig bis|Signature|Unterschrift|up to and including")


def plain(told: str) -> str:
    """Return a text without what differs between forms: spaces and reading directions."""
    return re.sub(r"[\s\u200b\u2066-\u2069]+", "", html.unescape(told))


def mailed(staff: Staff, quote: str) -> EmailMessage:
    """Return the e-mail that a customer gets of a quote."""
    to = {"to": "maud@example.test"}
    answer = staff.done(f"/v1/quotes/{quote}/messages", to, staff.tag(quote))
    number = int(answer.json()["id"][1:])
    kept = staff.counter.store.read(lambda records: records.mails.get(number))
    assert kept is not None
    found = email.message_from_bytes(kept.body, policy=email.policy.default)
    assert isinstance(found, EmailMessage)
    return found


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("end", CLOSED)
def test_every_form_tells_the_same_account(orchard: Staff, end: str, language: str) -> None:
    path = ENDS[end](orchard, language)
    told = orchard.get(path)
    account = told["account"]
    page = orchard.client.get(path, headers={"Accept": "text/html"}).text
    pdf = orchard.client.get(path, headers={"Accept": "application/pdf"}).content
    mail = mailed(orchard, told["id"])
    body, attached = mail.get_body(("plain",)), next(mail.iter_attachments())
    assert body is not None
    file = attached.get_content()

    forms = {
        "page": plain(re.sub(r"<[^>]*>", "", page)),
        "PDF": plain(text(pdf)),
        "mail": plain(body.get_content()),
        "file": plain(text(file)),
    }
    scribe = Scribe(language)
    sums = [account[name] for name in ("due", "paid", "balance")]
    for one in sums:
        amount = Money.of(abs(Decimal(one["amount"])), one["currency"])
        if amount.minor:
            wanted = plain(scribe.amount(amount))
            assert {name for name, form in forms.items() if wanted not in form} == set(), wanted
    day = plain(scribe.day(date.fromisoformat(account["finished_on"])))
    assert {name for name, form in forms.items() if day not in form} == set()
    heading = re.search(r"<h1>([^<]*)</h1>", page)
    assert heading is not None
    assert {name for name, form in forms.items() if plain(heading[1]) not in form} == set()
    for form in forms.values():
        assert not OF_AN_OFFER.search(form)
    # the same account gives the same file
    assert file == pdf


def test_declined_offer_that_owes_a_fee_can_be_told_by_email(orchard: Staff) -> None:
    path = declined(orchard, "en")
    quote = orchard.get(path)["id"]
    before = orchard.post(
        f"/v1/quotes/{quote}/messages", {"to": "maud@example.test"}, orchard.tag(quote)
    )
    assert before.json()["errors"][0]["code"] == "nothing-offered"

    orchard.act(quote, "stop", {"by": "Owner"})

    assert "final account" in str(mailed(orchard, quote)["Subject"]).lower()


def test_credit_note_stands_between_the_lines_and_the_bill(staff: Staff) -> None:
    path = finished(staff, "en")
    quote = staff.get(path)["id"]
    customer = staff.done("/v1/customers", {"name": "Maud Ferrier"}).json()["id"]
    billed = staff.done(f"/v1/quotes/{quote}/invoice", {"customer": customer}, staff.tag(quote))
    number = billed.json()["number"]
    note = staff.done(f"/v1/invoices/{number}/credit", {"reason": "Not fitted", "lines": [1]})
    gross = staff.get(f"/v1/invoices/{number}")["gross"]["amount"]
    given, due = note.json()["gross"]["amount"], staff.get(path)["account"]["due"]["amount"]
    assert Decimal(gross) - Decimal(given) == Decimal(due)

    page = staff.client.get(path, headers={"Accept": "text/html"}).text
    pdf = plain(text(staff.client.get(path, headers={"Accept": "application/pdf"}).content))

    cells = re.findall(r'<tr[^>]*><th scope="row">([^<]*)</th><td class="money">([^<]*)</td>', page)
    name = note.json()["number"]
    rows = [
        ("Total", f"${gross}"),
        (f"Credit note {name}", f"-${given}"),
        ("The bill, with tax", f"${due}"),
    ]
    assert cells[-3:] == rows
    assert plain("".join(f"{label}{amount}" for label, amount in rows)) in pdf


def test_first_page_says_that_an_answer_is_wanted(staff: Staff) -> None:
    quote, path = begun(staff, "en")
    clip = {"description": "Clip", "kind": "part", "quantity": "1", "unit": "C62"}
    clip |= {"unit_price": "1.00", "reason": "Loose.", "by": "R. Okafor"}
    found = {"step": "off spark_plug@1", "what": "Loose.", "why": "It rattles.", "by": "R"}
    staff.act(quote, "found", {**found, "free_lines": [clip]})

    page = staff.client.get(path, headers={"Accept": "text/html"}).text

    assert "We have found something and need your answer" in page
    assert "We are working on it." not in page
