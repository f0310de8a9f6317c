"""A quote goes to its customer by e-mail: through the service, into the folder."""

import email
import email.policy
import re
import time
from collections.abc import Callable, Iterator
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from tests.desks import Counter, client_of, open_counter
from tests.store.small import a_customer
from tests.web.calls.conftest import Staff

from kitwright.app import make_app
from kitwright.desk_opening import make_mail_pump
from kitwright.keeping.erasure_steps import erase_now
from kitwright.keeping.link_rounds import revoke_links
from kitwright.keeping.mail import begin_attempt, settle_failed
from kitwright.keeping.offer import withdraw
from kitwright.keeping.record import Hand
from kitwright.keeping.store import Records
from kitwright.settings import Settings, built_in_catalog
from kitwright.web.calls.desk import Composed, Letter
from kitwright.web.calls.erasure import redact
from kitwright.web.calls.service import Service


@pytest.fixture
def counter(service: Service, tmp_path: Path) -> Iterator[Counter]:
    with open_counter(service, tmp_path) as opened:
        yield opened


@pytest.fixture
def mailing(counter: Counter, tmp_path: Path) -> Iterator[Staff]:
    """Return somebody at the counter of a shop that sends mails, into the folder."""
    pump = make_mail_pump(counter.desk, Settings(catalog=built_in_catalog(), data=tmp_path))
    with client_of(make_app(counter.desk, None, pump), counter.key) as client:
        yield Staff(counter, client)


def customer(counter: Counter, email: str | None = "zoe@example.org") -> str:
    """Keep a customer; return the id."""
    kept = counter.store.write_now(
        lambda records: records.customers.add(a_customer("Zoë Müller", email=email))
    )
    return f"C{kept.number}"


def send(staff: Staff, id: str, **members: Any) -> dict[str, Any]:  # noqa: A002
    answer = staff.post(f"/v1/quotes/{id}/messages", members, staff.tag(id))
    assert answer.status_code == 202, answer.text
    told = answer.json()
    assert isinstance(told, dict)
    return told


def refused(staff: Staff, id: str, **members: Any) -> tuple[int, list[str]]:  # noqa: A002
    told = staff.refused(f"/v1/quotes/{id}/messages", members, staff.tag(id))
    return told["status"], [each["code"] for each in told["errors"]]


def listed(staff: Staff, id: str) -> list[dict[str, Any]]:  # noqa: A002
    items = staff.get(f"/v1/quotes/{id}/messages")["items"]
    assert isinstance(items, list)
    return items


def until(claim: Callable[[], bool]) -> None:
    end = time.monotonic() + 10
    while not claim():
        assert time.monotonic() < end
        time.sleep(0.01)


def letters(folder: Path) -> list[EmailMessage]:
    return [
        email.message_from_bytes(path.read_bytes(), policy=email.policy.default)
        for path in sorted((folder / "mail").glob("*.eml"))
    ]


def test_letter_leads_its_customer_to_the_offer(mailing: Staff, tmp_path: Path) -> None:
    id = mailing.issued(customer=customer(mailing.counter))  # noqa: A001

    told = send(mailing, id, note="Until Friday.\nBest regards")

    assert (told["id"], told["quote"], told["revision"]) == ("E1", id, 1)
    assert (told["to"], told["state"], told["attempts"]) == ("zoe@example.org", "queued", 0)
    until(lambda: listed(mailing, id)[0]["state"] == "sent")
    (kept,) = listed(mailing, id)
    assert (kept["attempts"], kept["failure"], kept["next_at"]) == (1, None, None)
    (letter,) = letters(tmp_path)
    assert letter["To"] == "zoe@example.org"
    part = letter.get_body(("plain",))
    assert part is not None
    text = part.get_content()
    assert "Dear Zoë Müller," in text
    assert "Until Friday." in text
    path = re.search(r"^https://quotes.shop.example(/v1/links/\S+)\r?$", text, re.MULTILINE)
    assert path is not None
    offer = mailing.client.get(path[1], headers={"Authorization": ""}).json()
    assert (offer["id"], offer["revision"], offer["state"]) == (id, 1, "issued")
    events = mailing.get(f"/v1/quotes/{id}/history")["items"]
    assert [one["kind"] for one in events][-2:] == ["mail.queued", "mail.sent"]
    assert "zoe" not in str(events)


def test_sending_twice_under_one_key_is_once(mailing: Staff, tmp_path: Path) -> None:
    id = mailing.issued()  # noqa: A001
    headers = {"Idempotency-Key": '"once"', "If-Match": mailing.tag(id)}
    path, body = f"/v1/quotes/{id}/messages", {"to": "bob@example.org"}

    first = mailing.client.post(path, json=body, headers=headers)
    until(lambda: listed(mailing, id)[0]["state"] == "sent")
    second = mailing.client.post(path, json=body, headers=headers)

    assert (first.status_code, second.status_code) == (202, 202)
    assert first.content == second.content
    assert len(listed(mailing, id)) == 1
    assert len(letters(tmp_path)) == 1


def test_newest_offer_is_sent_and_then_what_was_agreed(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    staff.counter.clock.pass_days(60)

    assert send(staff, id, to="bob@example.org")["revision"] == 1
    body = staff.counter.store.read(lambda records: records.mails.of_quote(1)[0].body)
    letter = email.message_from_bytes(body, policy=email.policy.default)
    assert isinstance(letter, EmailMessage)
    part = letter.get_body(("plain",))
    assert part is not None
    assert "as you accepted it" in part.get_content()
    path = re.search(r"/v1/links/\S+", part.get_content())
    assert path is not None
    assert staff.get(path[0])["state"] == "accepted"


@pytest.mark.parametrize("note", ["", "nul\x00", "one\r\ntwo", "x" * 4001])
def test_note_that_does_not_fit_is_refused(staff: Staff, note: str) -> None:
    id = staff.issued()  # noqa: A001

    assert refused(staff, id, to="bob@example.org", note=note)[0] == 400


@pytest.mark.parametrize(
    ("to", "status", "codes"),
    [
        ("bob@example.org\nBcc: all@example.org", 400, ["wrong-form"]),
        ("Bob <bob@example.org>", 400, ["wrong-form"]),
        ("bob@example.org,all@example.org", 400, ["wrong-form"]),
        ("bob..b@example.org", 409, ["address-invalid"]),
        (None, 409, ["no-address"]),
    ],
)
def test_address_that_does_not_fit_is_refused(
    staff: Staff, to: str | None, status: int, codes: list[str]
) -> None:
    id = staff.issued()  # noqa: A001

    assert refused(staff, id, to=to) == (status, codes)
    assert listed(staff, id) == []


@pytest.mark.parametrize(
    ("email", "code"), [(None, "no-address"), ("ask at the bar", "address-invalid")]
)
def test_customer_without_a_fit_address_is_told(staff: Staff, email: str | None, code: str) -> None:
    id = staff.issued(customer=customer(staff.counter, email))  # noqa: A001

    assert refused(staff, id) == (409, [code])


def test_letter_goes_to_whom_its_revision_is_for(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    other = customer(staff.counter, "mira@mail.example")
    asked = {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]}
    staff.act(id, "revise", {**asked, "customer": other})

    assert refused(staff, id) == (409, ["no-address"])
    staff.act(id, "issue")
    told = send(staff, id)
    assert (told["revision"], told["to"]) == (2, "mira@mail.example")


def test_draft_is_not_sent(staff: Staff) -> None:
    id = staff.quote()  # noqa: A001

    assert refused(staff, id, to="bob@example.org") == (409, ["nothing-offered"])


def test_quote_that_was_changed_since_is_not_sent(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001
    seen = staff.tag(id)
    staff.act(id, "withdraw")

    told = staff.refused(f"/v1/quotes/{id}/messages", {"to": "bob@example.org"}, seen)

    assert told["code"] == "record-changed"


@pytest.mark.parametrize(
    ("url", "told"),
    [
        (None, "no public address is set"),
        ("http://127.0.0.1:8460", "http://127.0.0.1:8460 can be reached only from the shop's own"),
        ("http://[::1]:8460", "KITWRIGHT_PUBLIC_URL"),
        ("http://192.168.7.9", "KITWRIGHT_LOCAL_LINKS"),
        ("http://counter.localhost/quotes", "could not open"),
        ("http://shop-pc:8460", "could not open"),
    ],
)
def test_letter_whose_link_leads_nowhere_is_refused(
    service: Service, tmp_path: Path, url: str | None, told: str
) -> None:
    with (
        open_counter(service, tmp_path, public_url=url) as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        staff = Staff(counter, client)
        id = staff.issued()  # noqa: A001

        problem = staff.refused(
            f"/v1/quotes/{id}/messages", {"to": "bob@example.org"}, staff.tag(id)
        )

        assert problem["status"] == 409
        (fault,) = problem["errors"]
        assert fault["code"] == "no-public-address"
        assert told in fault["detail"]
        assert "--public-url" in fault["detail"]
        assert listed(staff, id) == []
        assert staff.get(f"/v1/quotes/{id}")["state"] == "issued"


def test_letter_of_a_trial_may_lead_to_this_machine(service: Service, tmp_path: Path) -> None:
    with (
        open_counter(
            service, tmp_path, public_url="http://127.0.0.1:8460", local_links=True
        ) as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        staff = Staff(counter, client)
        id = staff.issued()  # noqa: A001
        send(staff, id, to="bob@example.org")

        (letter,) = sent_from(counter)

    part = letter.get_body(("plain",))
    assert part is not None
    assert "\nhttp://127.0.0.1:8460/v1/links/" in part.get_content().replace("\r", "")


def test_answers_go_to_the_shop_and_not_to_what_sends_its_mails(
    staff: Staff, service: Service
) -> None:
    id = staff.issued()  # noqa: A001
    send(staff, id, to="bob@example.org")

    (letter,) = sent_from(staff.counter)

    contact = service.workshop.shop.contact
    assert contact is not None
    assert [one.addr_spec for one in letter["Reply-To"].addresses] == [contact.email]
    assert [one.addr_spec for one in letter["From"].addresses] == ["quotes@shop.invalid"]
    assert letter["From"].addresses[0].display_name == service.workshop.shop.name


def sent_from(counter: Counter) -> list[EmailMessage]:
    """Return the letters of the first quote, read by the rules of SMTP."""
    kept = counter.store.read(lambda records: records.mails.of_quote(1))
    return [email.message_from_bytes(one.body, policy=email.policy.SMTP) for one in kept]


def test_note_of_any_letters_is_sent(mailing: Staff, tmp_path: Path) -> None:
    note = "=?utf-8?q?x?= \u202eحديقة, 👩\u200d🔧\n.\n" + "é" * 3000
    id = mailing.issued()  # noqa: A001

    send(mailing, id, to="bob@example.org", note=note)

    until(lambda: listed(mailing, id)[0]["state"] == "sent")
    part = letters(tmp_path)[0].get_body(("plain",))
    assert part is not None
    assert note.replace("\u202e", "") in part.get_content().replace("\r\n", "\n")


def revoke(staff: Staff, id: str) -> None:  # noqa: A002
    staff.post(f"/v1/quotes/{id}/links/revoke")


def test_letter_whose_link_is_revoked_before_it_is_sent_is_never_sent(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001
    send(staff, id, to="bob@example.org")
    now = staff.counter.desk.now()
    (due,) = staff.counter.store.read(lambda records: records.mails.due(now, 9))

    revoke(staff, id)

    (told,) = listed(staff, id)
    assert (told["state"], told["next_at"]) == ("failed", None)
    assert told["failure"] == "its link was revoked before it was sent"
    assert staff.counter.store.read(lambda records: records.mails.due(now, 9)) == ()
    begun = staff.counter.store.write_now(lambda records: begin_attempt(records, due.number, now))
    assert begun is None
    # the next e-mail has a link that leads somewhere
    send(staff, id, to="bob@example.org")
    assert [one["state"] for one in listed(staff, id)] == ["failed", "queued"]


def test_letter_that_is_being_sent_while_its_link_is_revoked_is_not_tried_again(
    staff: Staff,
) -> None:
    id = staff.issued()  # noqa: A001
    send(staff, id, to="bob@example.org")
    store, now = staff.counter.store, staff.counter.desk.now()
    (due,) = store.read(lambda records: records.mails.due(now, 9))
    store.write_now(lambda records: begin_attempt(records, due.number, now))

    revoke(staff, id)
    stamp = staff.counter.desk.stamp(Hand.service, "mail")
    store.write_now(lambda records: settle_failed(records, stamp, due.number, "greylisted", now))

    assert store.read(lambda records: records.mails.soonest()) is None
    assert [one["state"] for one in listed(staff, id)] == ["failed"]


@pytest.mark.parametrize("what", ["revoked", "erased"])
def test_letter_that_is_being_written_meanwhile_is_never_sent(
    counter: Counter, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk, store = counter.desk, counter.store
    real = desk.compose
    with client_of(make_app(desk), counter.key) as client:
        staff = Staff(counter, client)
        named = customer(counter)
        id = staff.issued(customer=named)  # noqa: A001

        def meanwhile(records: Records) -> None:
            stamp = desk.stamp(Hand.service, "test")
            quote = records.quotes.get(int(id.removeprefix("Q")))
            person = records.customers.get(int(named.removeprefix("C")))
            assert quote is not None
            assert person is not None
            if what == "revoked":
                revoke_links(records, stamp, quote)
            else:
                withdraw(records, stamp, quote)
                erase_now(records, stamp, person, redact=redact)

        def slowly(letter: Letter) -> Composed:
            composed = real(letter)
            store.write_now(meanwhile)
            return composed

        monkeypatch.setattr(desk, "compose", slowly)
        told = staff.refused(f"/v1/quotes/{id}/messages", {}, staff.tag(id))

        assert told["code"] == "record-changed"
        assert listed(staff, id) == []


def test_letter_of_an_erased_customer_is_never_sent(staff: Staff) -> None:
    named = customer(staff.counter)
    id = staff.issued(customer=named)  # noqa: A001
    send(staff, id)
    store, desk = staff.counter.store, staff.counter.desk
    now, stamp = desk.now(), desk.stamp(Hand.service, "mail")
    (due,) = store.read(lambda records: records.mails.due(now, 9))
    store.write_now(lambda records: begin_attempt(records, due.number, now))
    staff.act(id, "withdraw")

    def erased(records: Records) -> None:
        person = records.customers.get(int(named.removeprefix("C")))
        assert person is not None
        erase_now(records, stamp, person, redact=redact)

    store.write_now(erased)
    # the attempt that was under way fails, as if it could be repeated
    store.write_now(lambda records: settle_failed(records, stamp, due.number, "greylisted", now))

    kept = store.read(lambda records: records.mails.get(due.number))
    assert kept is not None
    assert (kept.to, kept.body, kept.state.value) == ("", b"", "failed")
    assert store.read(lambda records: records.mails.soonest()) is None
