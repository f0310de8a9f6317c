"""A customer reads and decides by a link, without a key."""

import random
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from io import BytesIO
from typing import Any
from urllib.parse import quote, urljoin

import msgspec
import pytest
from pypdf import PdfReader
from tests.documents.printed import text as pdf_text
from tests.keeping.damage import damaged
from tests.web.calls.conftest import Staff
from tests.web.problem import sound_problem

from kitwright.keeping.store import StoreFull


def linked(staff: Staff, id: str, **members: Any) -> str:  # noqa: A002
    """Return the path of a link to what is offered of a quote."""
    path = staff.act(id, "links", members)["path"]
    assert isinstance(path, str)
    return path


class Customer:
    """Somebody without a key."""

    def __init__(self, staff: Staff) -> None:
        self._client = staff.client

    def _bare(self) -> dict[str, str]:
        return {"Authorization": ""}

    def get(self, path: str) -> Any:
        return self._client.get(path, headers=self._bare())

    def page(self, path: str) -> Any:
        return self._client.get(path, headers={**self._bare(), "Accept": "text/html"})

    def post(self, path: str, body: Any) -> Any:
        return self._client.post(path, json=body, headers=self._bare())

    def page_post(self, path: str, form: str) -> Any:
        kind = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "text/html"}
        headers = {**self._bare(), **kind}
        return self._client.post(path, content=form, headers=headers, follow_redirects=False)


@pytest.fixture
def customer(staff: Staff) -> Customer:
    return Customer(staff)


def test_offer_shows_the_quote_and_not_what_the_shop_pays(staff: Staff, customer: Customer) -> None:
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)

    answer = customer.get(path)

    told = answer.json()
    kept = staff.get(f"/v1/quotes/{id}")
    assert (told["id"], told["revision"], told["state"]) == (id, 1, "issued")
    assert told["quote"]["totals"] == kept["quote"]["totals"]
    assert len(told["quote"]["lines"]) == len(kept["quote"]["lines"])
    text = answer.text
    for secret in ("unit_cost", "supplier", "on_hand", "margin", "computed", "bin"):
        assert f'"{secret}' not in text
    costs = {line["unit_cost"] for one in kept["quote"]["orders"] for line in one["lines"]}
    assert costs
    raw = msgspec.json.decode(answer.content, type=dict[str, msgspec.Raw])["quote"]
    assert sha256(bytes(raw)).hexdigest() == told["sha256"]


def test_customer_never_reads_who_of_the_shop_set_minutes_and_why(
    staff: Staff, customer: Customer
) -> None:
    plain = staff.get(f"/v1/quotes/{staff.quote()}")["quote"]["jobs"][0]
    override = {"job": plain["job"], "cylinder": plain["cylinder"], "minutes": 210}
    inside = {"reason": "Mugwort minutes", "by": "Hollin of the bench"}
    id = staff.issued(overrides=[{**override, **inside}])  # noqa: A001
    path = linked(staff, id)

    sheet = staff.client.get(f"/v1/quotes/{id}/sheet", headers={"Accept": "application/pdf"})
    printed = "".join(page.extract_text() for page in PdfReader(BytesIO(sheet.content)).pages)

    assert "Mugwort minutes" in staff.client.get(f"/v1/quotes/{id}").text
    for told in (customer.get(path).text, customer.page(path).text, printed):
        assert "Mugwort" not in told
        assert "Hollin" not in told


def test_yes_twice_is_one_acceptance(staff: Staff, customer: Customer) -> None:
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)

    first = customer.post(f"{path}/accept", {"who": "A. Customer"})
    second = customer.post(f"{path}/accept", {"who": "A. Customer"})

    assert first.json() == {"id": id, "revision": 1, "state": "accepted"}
    assert (second.status_code, second.content) == (first.status_code, first.content)
    told = staff.get(f"/v1/quotes/{id}/authorisations")
    (given,) = told["authorisations"]
    assert given["means"] == "link"
    kinds = [one["kind"] for one in staff.get(f"/v1/quotes/{id}/history")["items"]]
    assert kinds == ["quote.created", "quote.issued", "quote.accepted"]
    offer = customer.get(path).json()
    assert offer["state"] == "accepted"
    assert offer["agreed"]["amount"] == given["amount"]


def test_another_yes_is_refused_and_says_what_is_agreed(staff: Staff, customer: Customer) -> None:
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)
    customer.post(f"{path}/accept", {"who": "A. Customer", "limit": "600"})
    other = customer.post(f"{path}/accept", {"who": "A. Customer", "limit": "700"})

    refused = sound_problem(other, other.request.content)

    assert refused["status"] == 409
    (error,) = refused["errors"]
    assert (error["code"], error["pointer"]) == ("agreed-otherwise", "/limit")
    assert "with a limit of 600.00 USD" in error["detail"]
    assert "A. Customer" not in error["detail"]


def test_no_then_yes_is_refused(staff: Staff, customer: Customer) -> None:
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)

    assert customer.post(f"{path}/decline", {"reason": "Too dear"}).status_code == 200
    assert customer.post(f"{path}/decline", {}).status_code == 200
    late = sound_problem(customer.post(f"{path}/accept", {"who": "A. Customer"}))

    assert late["errors"][0]["code"] == "nothing-offered"
    assert staff.get(f"/v1/quotes/{id}")["state"] == "declined"


def test_declined_offer_says_what_is_owed_and_no_longer_when_it_is_ready(
    staff: Staff, customer: Customer
) -> None:
    id = staff.issued(diagnostic_done=True)  # noqa: A001
    path = linked(staff, id)
    assert "The price is valid until" in customer.page(path).text
    assert customer.post(f"{path}/decline", {}).status_code == 200
    pdf = staff.client.get(path, headers={"Accept": "application/pdf", "Authorization": ""})
    seen, printed = customer.page(path).text, " ".join(pdf_text(pdf.content).split())

    for told in (seen, printed):
        assert "You owe $" in told
        assert "for finding the fault, nothing else." in told
        for gone in ("Ready", "alid until", "bill will not exceed", "parts are expected"):
            assert gone not in told


def test_agreed_offer_is_ready_without_an_if_you_agree(staff: Staff, customer: Customer) -> None:
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)
    assert "if you agree on" in customer.page(path).text
    assert customer.post(f"{path}/accept", {"who": "A. Customer"}).status_code == 200

    agreed = customer.page(path).text
    assert "if you agree on" not in agreed
    assert "counted from" in agreed
    assert "The price is valid until" not in agreed


def test_old_link_leads_to_the_new_offer(staff: Staff, customer: Customer) -> None:
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)
    staff.act(id, "revise", {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]})
    staff.act(id, "issue")

    refused = sound_problem(customer.post(f"{path}/accept", {"who": "A. Customer"}))
    offer = customer.get(path).json()

    assert refused["errors"][0]["code"] == "other-revision-offered"
    assert offer["state"] == "superseded"
    newer = customer.get(offer["newer"]).json()
    assert (newer["revision"], newer["state"], newer["newer"]) == (2, "issued", None)
    assert customer.post(f"{offer['newer']}/accept", {"who": "A. Customer"}).status_code == 200


def test_link_ends(staff: Staff, customer: Customer) -> None:
    path = linked(staff, staff.issued(), days=3)
    staff.counter.clock.pass_days(2)
    assert customer.get(path).status_code == 200
    staff.counter.clock.pass_days(1)

    assert sound_problem(customer.get(path))["code"] == "link-expired"
    assert customer.post(f"{path}/accept", {"who": "A. Customer"}).status_code == 410


def test_link_to_what_ran_out_says_so(staff: Staff, customer: Customer) -> None:
    path = linked(staff, staff.issued())
    staff.counter.clock.pass_days(15)
    # the last valid day is over at the shop, though not everywhere
    staff.counter.clock.now -= timedelta(hours=1)

    assert customer.get(path).json()["state"] == "expired"
    told = sound_problem(customer.post(f"{path}/accept", {"who": "A. Customer"}))
    assert told["errors"][0]["code"] == "quote-expired"
    allowed = staff.counter.desk.service.workshop.shop.quote.link_days
    staff.counter.clock.now += timedelta(days=allowed, hours=1)
    assert sound_problem(customer.get(path))["code"] == "link-expired"


def test_link_that_was_changed_lets_nobody_in(staff: Staff, customer: Customer) -> None:
    first, second = (linked(staff, staff.issued()) for _ in range(2))
    start = "/v1/links/"
    token, other = first.removeprefix(start), second.removeprefix(start)
    luck = random.Random(7)
    for _ in range(300):
        changed = quote(damaged(luck, token, other), safe="")
        assert customer.get(f"{start}{changed}").status_code == 404, changed


def test_link_does_nothing_else(staff: Staff, customer: Customer) -> None:
    path = linked(staff, staff.issued())
    token = path.rpartition("/")[2]

    answer = staff.client.get("/v1/quotes", headers={"Authorization": f"Bearer {token}"})

    assert answer.status_code == 401
    assert customer.get("/v1/quotes").status_code == 401


def test_link_of_an_erased_customer_shows_nothing(staff: Staff, customer: Customer) -> None:
    made = staff.done("/v1/customers", {"name": "Mira Exämple"})
    id = staff.issued(customer=made.json()["id"])  # noqa: A001
    path = linked(staff, id)
    assert customer.post(f"{path}/decline", {}).status_code == 200
    assert customer.get(path).status_code == 200

    staff.done(f"{made.headers['Location']}/erase", None, made.headers["ETag"])

    assert sound_problem(customer.get(path))["code"] == "link-expired"


def test_offer_that_ran_out_is_read_while_nothing_can_be_written(
    staff: Staff, customer: Customer, monkeypatch: pytest.MonkeyPatch
) -> None:
    id = staff.issued()  # noqa: A001
    path = linked(staff, id, days=30)
    staff.counter.clock.pass_days(15)

    async def write(_: Any) -> Any:
        raise StoreFull("no room")

    with monkeypatch.context() as full:
        full.setattr(staff.counter.desk.store, "write", write)
        assert customer.get(path).json()["state"] == "issued"
        late = sound_problem(customer.post(f"{path}/accept", {"who": "A. Customer"}))
        assert late["code"] == "storage-full"

    assert customer.get(path).json()["state"] == "expired"


def test_link_never_leads_to_another_customers_revision(staff: Staff, customer: Customer) -> None:
    known = {"name": "Mira Exämple", "email": "mira@mail.example", "address": "5 Example Row"}
    machine = {"name": "Her tractor", "family": "QM-H27", "hours": "31.5"}
    her = staff.done("/v1/customers", known).json()["id"]
    hers = staff.done("/v1/machines", {**machine, "customer": her}).json()["id"]
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)
    asked = {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]}
    staff.act(id, "revise", {**asked, "customer": her, "machine": hers})
    staff.act(id, "issue")
    own = linked(staff, id)

    offer = customer.get(path).json()
    page = customer.page(path).text
    posted = customer.post(f"{path}/accept", {"who": "Somebody"}).text

    assert (offer["state"], offer["newer"]) == ("superseded", None)
    assert own not in page
    told = {*known.values(), *machine.values()} - {"QM-H27"}
    for text in (msgspec.json.encode(offer).decode(), page, posted):
        assert [word for word in told if word in text] == []
    # her own link says whom it is for, and leads on
    assert known["name"] in customer.page(own).text
    staff.act(id, "revise", asked)
    staff.act(id, "issue")
    assert customer.get(customer.get(own).json()["newer"]).json()["revision"] == 3


def test_link_never_leads_to_a_revision_for_another_customers_machine(
    staff: Staff, customer: Customer
) -> None:
    machine = {"name": "A tractor", "family": "QM-H27"}
    one, two = (
        staff.done(
            "/v1/machines",
            {**machine, "customer": staff.done("/v1/customers", {"name": name}).json()["id"]},
        ).json()["id"]
        for name in ("One", "Two")
    )
    id = staff.issued(machine=one)  # noqa: A001
    path = linked(staff, id)
    asked = {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]}
    staff.act(id, "revise", {**asked, "machine": two})
    staff.act(id, "issue")

    assert customer.get(path).json()["newer"] is None


def test_revoked_links_show_nothing_and_new_ones_work(staff: Staff, customer: Customer) -> None:
    id, other = staff.issued(), linked(staff, staff.issued())  # noqa: A001
    first, second = linked(staff, id), linked(staff, id)

    told = staff.done(f"/v1/quotes/{id}/links/revoke").json()
    third = linked(staff, id)

    assert told == {"quote": id, "times": 1}
    for path in (first, second):
        assert sound_problem(customer.get(path))["code"] == "link-expired"
        assert sound_problem(customer.post(f"{path}/accept", {"who": "A"}))["status"] == 410
        page = customer.page(path)
        assert page.status_code == 410
        assert "ask us for a new one" in page.text
    assert customer.get(other).status_code == 200
    assert customer.post(f"{third}/accept", {"who": "A. Customer"}).status_code == 200
    history = staff.get(f"/v1/quotes/{id}/history")["items"]
    (event,) = (one for one in history if one["kind"] == "link.revoked")
    assert (event["hand"], event["facts"]) == ("key", {"round": 1})
    assert staff.done(f"/v1/quotes/{id}/links/revoke").json()["times"] == 2
    assert customer.get(third).status_code == 410


def test_revoked_link_leads_to_no_newer_offer(staff: Staff, customer: Customer) -> None:
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)
    staff.act(id, "revise", {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]})
    staff.act(id, "issue")
    newer = customer.get(path).json()["newer"]
    staff.done(f"/v1/quotes/{id}/links/revoke")

    assert customer.get(path).status_code == 410
    assert customer.get(newer).status_code == 410


@pytest.mark.parametrize("end", ["withdrawn", "superseded", "expired"])
def test_offer_that_no_longer_stands_shows_nothing_else(
    staff: Staff, customer: Customer, end: str
) -> None:
    id = staff.issued(complaint="It spits Mugwort oil")  # noqa: A001
    path = linked(staff, id, days=30)
    total = staff.get(f"/v1/quotes/{id}")["quote"]["totals"]["gross"]["amount"]
    assert total in customer.get(path).text
    assert "Mugwort" in customer.page(path).text
    if end == "withdrawn":
        staff.act(id, "withdraw")
    elif end == "superseded":
        staff.act(id, "revise", {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]})
        staff.act(id, "issue")
    else:
        staff.counter.clock.pass_days(15)

    offer, page = customer.get(path), customer.page(path)
    printed = staff.client.get(path, headers={"Authorization": "", "Accept": "application/pdf"})
    posted = customer.page_post(f"{path}/accept", "who=A.+Customer")

    assert offer.json()["state"] == end
    assert {name for name, value in offer.json().items() if value is None} >= {
        "text",
        "agreed",
        "sha256",
        "quote",
        "with_additions",
    }
    assert page.status_code == 200
    assert posted.status_code == 409
    for told in (page.text, posted.text):
        heading = {
            "withdrawn": "We have withdrawn this quote",
            "superseded": "A newer revision has replaced this one",
            "expired": "This quote has expired",
        }
        assert heading[end] in told
        assert ("You can collect your machine here: 18 Gravel Row" in told) == (end == "expired")
        assert ("newer revision" in told) == (end == "superseded")
    for told in (offer.text, page.text, posted.text):
        assert "Mugwort" not in told
        assert total not in told
    assert sound_problem(printed)["code"] == "link-expired"


def test_link_outlives_its_offer_by_no_more_than_the_shop_allows(staff: Staff) -> None:
    shop = staff.counter.desk.service.workshop.shop
    id = staff.issued()  # noqa: A001
    ends = datetime.fromisoformat(staff.act(id, "links", {"days": 90})["expires_at"])

    last = datetime.fromisoformat(staff.get(f"/v1/quotes/{id}")["valid_until"])
    # the last valid day is over everywhere at noon UTC of the next day
    over = last.replace(tzinfo=UTC) + timedelta(days=1, hours=12)
    assert ends == over + timedelta(days=shop.quote.link_days)
    # by default as long, so that what was agreed can be read by it
    usual = datetime.fromisoformat(staff.act(id, "links", {})["expires_at"])
    assert usual == ends
    short = datetime.fromisoformat(staff.act(id, "links", {"days": 3})["expires_at"])
    assert (short - staff.counter.clock.now).days == 3


def test_page_and_its_forms_work_behind_any_path(staff: Staff, customer: Customer) -> None:
    path = linked(staff, staff.issued())
    token = path.rpartition("/")[2]

    page = customer.page(path).text
    wrong = customer.page_post(f"{path}/accept", "who=")
    done = customer.page_post(f"{path}/accept", "who=A.+Customer")

    assert f'action="{token}/accept"' in page
    assert "/v1/links" not in page
    # from where a form was posted, the link is one folder up
    assert f'action="../{token}/accept"' in wrong.text
    assert (done.status_code, done.headers["location"]) == (303, f"../{token}")
    for start in ("https://shop.example", "https://shop.example/our/quotes"):
        assert urljoin(f"{start}{path}", f"{token}/accept") == f"{start}{path}/accept"
        assert urljoin(f"{start}{path}/accept", f"../{token}/accept") == f"{start}{path}/accept"
        assert urljoin(f"{start}{path}/accept", f"../{token}") == f"{start}{path}"
