"""A customer is given everything that is kept, then forgotten; every figure stays."""

import shutil
import subprocess
import zlib
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import pytest
from litestar.testing import TestClient
from msgspec import structs
from tests.desks import DAY, Counter, client_of, open_counter
from tests.web.calls.shop import act, add, faults, kept, once, png, problem

from kitwright.app import make_app
from kitwright.quote import Quote
from kitwright.store.engine import FILE, connect
from kitwright.web.calls.dossier import ExportOut
from kitwright.web.calls.reckoning import QuoteIn
from kitwright.web.calls.service import Service
from kitwright.web.calls.shown import shown
from kitwright.workshop import Workshop

Client = TestClient[Any]

SERIAL = 2139871
PERSONAL = (
    "Eulalia",
    "Quillfeather",
    "Wyndlass",
    "eulalia@quillfeather.example",
    "1632 960 771",
    "Samphire",
    "Polgarrow",
    "XQ-CERT-5571",
    "Marzipan",
    "Threepwood",
    "GardenFleet",
    "Nutmeg",
    "Cardamom",
    "Tarragon",
    "Saffron",
    "Fenugreek",
    "Lovage",
    "Juniper",
    "Borage",
    "Oregano",
    "Sorrel",
    "Mugwort",
    "Chervil",
    "PLATE-99Z-KK",
    "777.25",
    str(SERIAL),
)
"""What is personal in the customer below, in words that nothing else has."""

CUSTOMER = {
    "name": "Eulalia Quillfeather",
    "email": "eulalia@quillfeather.example",
    "telephone": "+44 1632 960 771",
    "address": "7 Samphire Row\nPolgarrow",
    "language": "en",
    "certificate_number": "XQ-CERT-5571",
    "certificate_until": "2029-12-31",
    "note": "Has a dog called Marzipan.",
}
MACHINE = {
    "name": "Threepwood GardenFleet",
    "family": "QM-H27",
    "serial": SERIAL,
    "chassis": "PW-G5",
    "plate": {"Number": "PLATE-99Z-KK"},
    "hours": "777.25",
    "note": "Nutmeg keeps the key.",
}
BY = "Cardamom"
ASKED = {
    "family": "QM-H27",
    "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
    "complaint": "Chervil says\nthat it smokes.",
    "tax_area": None,
    "discounts": [
        {"reason": "Tarragon is a friend", "by": BY, "percent": "5"},
        {
            "reason": "For Saffron",
            "by": BY,
            "amount": "1.00",
            "line": {"code": "free-1"},
        },
    ],
    "free_lines": [
        {
            "description": "Fenugreek's gate mended",
            "kind": "labour",
            "quantity": "1",
            "unit": "C62",
            "unit_price": "20.00",
            "reason": "Lovage asked for it",
            "by": BY,
        }
    ],
    "overrides": [
        {"reason": "Juniper was slow", "by": BY, "job": "JOB", "cylinder": 1, "minutes": 90}
    ],
    "floors": [{"role": "ROLE", "quality": "alternate", "reason": "Borage wants it", "by": BY}],
}


class Story(NamedTuple):
    """A customer with a history: ids, and the client of the counter."""

    client: Client
    counter: Counter
    folder: Path
    customer: str
    machine: str
    quote: str
    photo: dict[str, Any]

    @property
    def path(self) -> str:
        return f"/v1/customers/{self.customer}"

    def erase(self, headers: dict[str, str] | None = None) -> Any:
        if headers is None:
            headers = {**once(), "If-Match": self.client.get(self.path).headers["etag"]}
        return self.client.post(f"{self.path}/erase", headers=headers)


def without_warranty(service: Service) -> Service:
    workshop = service.workshop
    terms = workshop.shop.quote
    warranty = structs.replace(terms.warranty, labour_days=0, alternate_parts_days=0)
    shop = structs.replace(workshop.shop, quote=structs.replace(terms, warranty=warranty))
    return Service(Workshop(workshop.catalogue, shop), lambda: DAY)


@pytest.fixture
def alone(service: Service, tmp_path: Path) -> Iterator[Counter]:
    # a warranty that runs would keep a customer
    desk_service = without_warranty(service)
    with open_counter(desk_service, tmp_path) as opened:
        yield opened


@pytest.fixture
def client(alone: Counter) -> Iterator[Client]:
    with client_of(make_app(alone.desk), alone.key) as opened:
        yield opened


def asked_of(service: Service, area: str) -> dict[str, Any]:
    """Return a request with every kind of words that a counter can give."""
    plain = service.quote(
        msgspec.convert({key: ASKED[key] for key in ("family", "diagnoses")}, QuoteIn)
    )
    need = plain.kit.needs[0]
    asked: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(ASKED))
    asked["tax_area"] = area
    asked["overrides"][0] |= {"job": plain.jobs[0].job, "cylinder": plain.jobs[0].cylinder}
    asked["floors"][0]["role"] = need.role
    part = next(line for line in plain.lines if line.kind == "part")
    line = {"code": part.code, "kind": "part", "cylinder": part.cylinder}
    asked["overrides"].append({"reason": "Mugwort", "by": BY, "line": line, "unit_price": "12.34"})
    return asked


@pytest.fixture
def story(service: Service, alone: Counter, client: Client, tmp_path: Path) -> Story:
    """Return a customer with a done quote of two revisions, an addition, orders and a photo."""
    area = next(
        one.id
        for one in service.workshop.catalogue.tax_areas.values()
        if one.exemption is not None
        and one.currency == service.workshop.shop.currency
        and one.prices_include_tax == service.workshop.shop.selling_prices_include_tax
    )
    customer = add(client, "/v1/customers", {**CUSTOMER, "name": "Wyndlass"})
    client.put(
        f"/v1/customers/{customer.id}", json=CUSTOMER, headers={"If-Match": customer.tag}
    ).raise_for_status()
    machine = add(client, "/v1/machines", {**MACHINE, "customer": customer.id}).id
    asked = {**asked_of(service, area), "customer": customer.id, "machine": machine}
    quote = add(client, "/v1/quotes", asked).id
    act(client, quote, "issue")
    act(client, quote, "revise", asked)
    act(client, quote, "issue")
    yes = {"revision": 2, "who": "Eulalia", "means": "telephone", "contact": "1632 960 771"}
    act(client, quote, "accept", {**yes, "text": "Oregano: go ahead.", "limit": "9000.00"})
    act(
        client,
        quote,
        "additions",
        {"description": "Sorrel's bolt", "kind": "part", "amount": "1.00"},
    )
    orders = {"revisions": [{"quote": quote, "revision": 2}]}
    client.post("/v1/orders", json=orders, headers=once()).raise_for_status()
    finding = service.workshop.catalogue.rules.finding[0].id
    photo = client.post(
        f"/v1/quotes/{quote}/photos?subject=finding&code={finding}",
        content=png(1),
        headers={**once(), "Content-Type": "image/png"},
    )
    act(client, quote, "start")
    act(client, quote, "finish", {"unbooked": "Sorrel brought them."})
    owed = client.get(f"/v1/quotes/{quote}/statement").json()["account"]["balance"]["amount"]
    act(client, quote, "payments", {"amount": owed, "means": "card", "by": "R. Okafor"})
    taken = {"collector": "A. Quillfeather", "old_parts": True, "by": "R. Okafor"}
    act(client, quote, "collected", taken)
    return Story(client, alone, tmp_path, customer.id, machine, quote, photo.json())


def answers_of(story: Story) -> str:
    """Return all that can be read of a customer over the wire."""
    quote = f"/v1/quotes/{story.quote}"
    paths = (
        *(story.path, f"/v1/machines/{story.machine}", "/v1/customers", "/v1/machines"),
        *(quote, f"{quote}/revisions", f"{quote}/revisions/1", f"{quote}/revisions/2"),
        *(f"{quote}/authorisations", f"{quote}/history", f"{quote}/photos"),
        *("/v1/quotes", "/v1/orders"),
    )
    return "\n".join(kept_text(story.client, path) for path in paths)


def kept_text(client: Client, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200, answer.text
    return answer.text


def figures(value: Any) -> Any:
    """Return an answer without its sentences and what is erased in it."""
    left_out = {"text", "description", "reason", "by", "serial", "certificate_number", "erased"}
    if isinstance(value, dict) and (
        "before_step" in value or str(value.get("step")).startswith("hand ")
    ):
        # an added line is a step too, called as it was written
        left_out |= {"name"}
    left_out |= {"who", "contact", "complaint"}
    match value:
        case dict():
            return {name: figures(one) for name, one in value.items() if name not in left_out}
        case list():
            return [figures(one) for one in value]
    return value


def test_export_gives_everything_as_its_structs(story: Story) -> None:
    answer = story.client.get(f"{story.path}/export")
    export = msgspec.json.decode(answer.content, type=shown(ExportOut)[0])
    (quote,) = export.quotes
    assert export.customer.name == CUSTOMER["name"]
    assert [one.id for one in export.machines] == [story.machine]
    assert quote.quote.id == story.quote
    assert [one.revision for one in quote.revisions] == [1, 2]
    assert quote.revisions[0].quote.engine.serial == SERIAL
    assert [one.who for one in quote.authorisations] == ["Eulalia"]
    assert [one.description for one in quote.additions] == ["Sorrel's bolt"]
    assert quote.orders
    assert [one.path for one in quote.photos] == [story.photo["path"]]
    kinds = [one.kind for one in export.events]
    assert kinds[:4] == [
        "customer.created",
        "customer.changed",
        "machine.created",
        "quote.created",
    ]
    assert {"order.created", "photo.added", "quote.finished"} <= set(kinds)
    assert [one.seq for one in export.events] == sorted(one.seq for one in export.events)
    for word in PERSONAL:
        # the name that was changed is gone already
        assert (word in answer.text) == (word != "Wyndlass")


def test_export_holds_nothing_of_others(story: Story) -> None:
    other = add(story.client, "/v1/customers", {"name": "Somebody Else"})
    add(story.client, "/v1/machines", {**MACHINE, "name": "Another", "customer": other.id})
    text = story.client.get(f"{story.path}/export").text
    assert "Somebody" not in text
    assert "Another" not in text


def test_erase_says_what_was_erased(story: Story) -> None:
    answer = story.erase()
    assert answer.json() == {
        "customer": story.customer,
        "erased_at": "2027-03-01T12:00:00Z",
        "erased_in_part": False,
        "stays": [],
        "machines": 1,
        "tickets": 0,
        "quotes": 1,
        "revisions": 2,
        "authorisations": 1,
        "additions": 1,
        "photos": 1,
    }
    assert answer.headers["etag"] == story.client.get(story.path).headers["etag"]
    assert story.client.get(story.path).json()["name"] == "erased"


def test_erase_leaves_every_figure(story: Story) -> None:
    quote = f"/v1/quotes/{story.quote}"
    paths = (f"{quote}/revisions/1", f"{quote}/revisions/2", f"{quote}/authorisations")
    before = [story.client.get(path).json() for path in (*paths, "/v1/orders")]
    story.erase().raise_for_status()
    after = [story.client.get(path).json() for path in (*paths, "/v1/orders")]
    for was, now in zip(before, after, strict=True):
        assert figures(now) == figures(was)
    for was, now in zip(before[:2], after[:2], strict=True):
        assert now["quote"]["totals"] == was["quote"]["totals"]
        assert now["quote"]["taxes"] == was["quote"]["taxes"]
        assert now["sha256"] == was["sha256"]
        assert (was["erased"], now["erased"]) == (False, True)
        msgspec.convert(now["request"], QuoteIn)
        msgspec.convert(now["quote"], Quote)
    # an order has nothing personal
    assert after[3] == before[3]


def test_erase_leaves_nothing_personal_in_any_answer(story: Story) -> None:
    before = answers_of(story)
    assert {word for word in PERSONAL if word in before} == {*PERSONAL} - {"Wyndlass"}
    story.erase().raise_for_status()
    after = answers_of(story)
    assert [word for word in PERSONAL if word in after] == []


def test_erase_leaves_the_catalogues_own_words(story: Story) -> None:
    path = f"/v1/quotes/{story.quote}/revisions/2"
    before = story.client.get(path).json()["quote"]
    story.erase().raise_for_status()
    after = story.client.get(path).json()["quote"]
    for was, now in zip(before["lines"], after["lines"], strict=True):
        assert now["description"] == ("erased" if was["kind"] == "free" else was["description"])
    assert after["cautions"] == before["cautions"]
    assert after["access"] == before["access"]


def test_erase_is_unfindable(story: Story) -> None:
    searches = ("quill", "threepwood", str(SERIAL))
    for word in searches:
        items = story.client.get(f"/v1/quotes?q={word}").json()["items"]
        assert [one["id"] for one in items] == [story.quote]
    story.erase().raise_for_status()
    for word in searches:
        assert story.client.get(f"/v1/quotes?q={word}").json() == {"items": []}
        assert story.client.get(f"/v1/customers?q={word}").json() == {"items": []}
    items = story.client.get(f"/v1/quotes?customer={story.customer}").json()["items"]
    assert [(one["id"], one["serial"]) for one in items] == [(story.quote, None)]


def test_erase_changes_the_tags_of_what_it_changes(story: Story) -> None:
    paths = (story.path, f"/v1/machines/{story.machine}", f"/v1/quotes/{story.quote}")
    before = [story.client.get(path).headers["etag"] for path in paths]
    story.erase().raise_for_status()
    after = [story.client.get(path).headers["etag"] for path in paths]
    assert not set(before) & set(after)


def test_erase_drops_the_photos_and_their_files(story: Story) -> None:
    photos = story.folder / "photos"
    assert len([one for one in photos.rglob("*") if one.is_file()]) == 1
    story.erase().raise_for_status()
    assert [one for one in photos.rglob("*") if one.is_file()] == []
    problem(story.client.get(story.photo["path"]), 404, "unknown-record")


def test_erase_keeps_the_file_that_another_customers_photo_needs(story: Story) -> None:
    quote = add(story.client, "/v1/quotes", {key: ASKED[key] for key in ("family", "diagnoses")})
    code = story.photo["code"]
    other = story.client.post(
        f"/v1/quotes/{quote.id}/photos?subject=finding&code={code}",
        content=png(1),
        headers={**once(), "Content-Type": "image/png"},
    )
    story.erase().raise_for_status()
    assert story.client.get(other.json()["path"]).content == png(1)


def words_in(folder: Path) -> list[str]:
    """Return what personal words any byte of a data folder holds, compressed bodies included.

    It is copied by another process: to close a file here would drop SQLite's locks on it.
    """
    copy = folder.with_name("copy")
    subprocess.run(["cp", "-r", folder, copy], check=True)
    found = set()
    for data in [one.read_bytes() for one in copy.rglob("*") if one.is_file()]:
        bodies = [data.lower()]
        at = data.find(b"\x78\x01")
        while at >= 0:
            # as far as it goes: a body may be cut by the end of its page
            try:
                bodies.append(zlib.decompressobj().decompress(data[at:]).lower())
            except zlib.error:
                bodies.append(b"")
            at = data.find(b"\x78\x01", at + 1)
        found |= {word for word in PERSONAL for body in bodies if word.lower().encode() in body}
    shutil.rmtree(copy)
    return sorted(found)


def terms(file: Path) -> set[str]:
    """Return every word that the search has in its index."""
    connection = connect(file)
    try:
        found = set()
        for table in ("customer_words", "quote_words"):
            connection.execute(
                f"CREATE VIRTUAL TABLE temp.v_{table} USING fts5vocab('main', '{table}', 'row')"
            )
            found |= {row[0] for row in connection.execute(f"SELECT term FROM temp.v_{table}")}
        return found
    finally:
        connection.close()


def test_erase_leaves_no_byte_in_the_data_folder(story: Story) -> None:
    named = {"eulalia", "quillfeather", "threepwood", "gardenfleet", str(SERIAL)}
    assert {"Eulalia", "Wyndlass", "Threepwood", "Nutmeg", str(SERIAL)} <= set(
        words_in(story.folder)
    )
    assert named <= terms(story.folder / FILE)
    story.erase().raise_for_status()
    assert terms(story.folder / FILE) == {"erased"}
    assert words_in(story.folder) == []
    story.counter.store.close()
    assert words_in(story.folder) == []


def test_erase_forgets_the_answers_that_wait_to_be_given_again(story: Story) -> None:
    headers = once()
    body = {"name": "Eulalia Again"}
    first = story.client.post("/v1/customers", json=body, headers=headers)
    story.erase().raise_for_status()
    again = story.client.post("/v1/customers", json=body, headers=headers)
    assert again.json()["id"] != first.json()["id"]


def test_erase_twice_under_one_key_is_once(story: Story) -> None:
    headers = {**once(), "If-Match": story.client.get(story.path).headers["etag"]}
    one, two = story.erase(headers), story.erase(headers)
    assert (two.status_code, two.json()) == (200, one.json())


def test_erased_customer_is_refused_what_needs_a_person(story: Story) -> None:
    story.erase().raise_for_status()
    client = story.client
    refused = problem(client.get(f"{story.path}/export"), 409, "act-refused")
    assert refused["errors"][0]["code"] == "already-erased"
    assert faults(story.erase()) == {"": "already-erased"}
    for path, body in (
        (story.path, {"name": "Back"}),
        (f"/v1/machines/{story.machine}", {"name": "Back", "family": "QM-H27"}),
    ):
        tag = client.get(path).headers["etag"]
        answer = client.put(path, json=body, headers={"If-Match": tag})
        assert faults(answer) == {"": "already-erased"}
    asked = {key: ASKED[key] for key in ("family", "diagnoses")}
    named = {**asked, "customer": story.customer, "machine": story.machine}
    answer = client.post("/v1/quotes", json=named, headers=once())
    assert faults(answer) == {"/customer": "no-such-record", "/machine": "no-such-record"}
    answer = client.post(
        "/v1/machines", json={**MACHINE, "customer": story.customer}, headers=once()
    )
    assert faults(answer) == {"/customer": "no-such-record"}
    answer = client.post(
        f"/v1/quotes/{story.quote}/photos?subject=finding&code={story.photo['code']}",
        content=png(1),
        headers={**once(), "Content-Type": "image/png"},
    )
    assert faults(answer) == {"": "already-erased"}
    answer = client.post(f"/v1/quotes/{story.quote}/copy", headers=once())
    assert faults(answer) == {"/customer": "no-such-record", "/machine": "no-such-record"}


def test_erase_waits_for_work_under_way(client: Client) -> None:
    customer = add(client, "/v1/customers", CUSTOMER)
    asked = {key: ASKED[key] for key in ("family", "diagnoses")}
    quote = add(client, "/v1/quotes", {**asked, "customer": customer.id}).id
    path = f"/v1/customers/{customer.id}/erase"
    act(client, quote, "issue")
    for _ in range(2):
        answer = client.post(path, headers={**once(), "If-Match": customer.tag})
        assert faults(answer) == {"": "still-at-work"}
        assert client.get(f"/v1/customers/{customer.id}").json() == customer.record
    act(client, quote, "withdraw")
    client.post(path, headers={**once(), "If-Match": customer.tag}).raise_for_status()


def test_erase_needs_key_and_tag(story: Story) -> None:
    path = f"{story.path}/erase"
    tag = story.client.get(story.path).headers["etag"]
    answer = story.client.post(path, headers={"If-Match": tag})
    problem(answer, 400, "idempotency-key-missing")
    problem(story.client.post(path, headers=once()), 428, "condition-missing")
    stale = {**once(), "If-Match": '"0123456789abcdef0123456789abcdef"'}
    problem(story.client.post(path, headers=stale), 412, "record-changed")
    assert story.client.get(story.path).json()["name"] == CUSTOMER["name"]


def test_erase_tells_by_events_without_a_word(story: Story) -> None:
    seq = story.counter.store.read(lambda records: records.events.last())
    story.erase().raise_for_status()
    events = story.counter.store.read(lambda records: records.events.after(0, 1000))
    assert [one.kind for one in events if one.seq > seq] == [
        "machine.erased",
        "quote.erased",
        "photo.dropped",
        "customer.erased",
    ]
    told = msgspec.json.encode(events).decode()
    assert [word for word in PERSONAL if word in told] == []


def test_erase_reaches_a_quote_that_names_only_the_machine(client: Client) -> None:
    customer = add(client, "/v1/customers", CUSTOMER)
    machine = add(client, "/v1/machines", {**MACHINE, "customer": customer.id}).id
    asked = {key: ASKED[key] for key in ("family", "diagnoses")}
    quote = add(client, "/v1/quotes", {**asked, "machine": machine}).id
    headers = {**once(), "If-Match": customer.tag}
    erased = client.post(f"/v1/customers/{customer.id}/erase", headers=headers).json()
    assert (erased["quotes"], erased["machines"]) == (1, 1)
    assert str(SERIAL) not in client.get(f"/v1/quotes/{quote}").text


def test_erase_leaves_a_machine_and_a_quote_of_others(client: Client) -> None:
    customer = add(client, "/v1/customers", CUSTOMER)
    machine = add(client, "/v1/machines", MACHINE).id
    asked = {key: ASKED[key] for key in ("family", "diagnoses")} | {"machine": machine}
    add(client, "/v1/quotes", {**asked, "customer": customer.id})
    other = add(client, "/v1/quotes", asked).id
    before = client.get(f"/v1/quotes/{other}").text
    headers = {**once(), "If-Match": customer.tag}
    erased = client.post(f"/v1/customers/{customer.id}/erase", headers=headers).json()
    assert (erased["quotes"], erased["machines"]) == (1, 0)
    assert client.get(f"/v1/quotes/{other}").text == before
    assert client.get(f"/v1/machines/{machine}").json()["name"] == MACHINE["name"]


def test_erase_takes_nobodys_machine_that_was_the_customers_alone(client: Client) -> None:
    customer = add(client, "/v1/customers", CUSTOMER)
    machine = add(client, "/v1/machines", MACHINE).id
    asked = {key: ASKED[key] for key in ("family", "diagnoses")}
    add(client, "/v1/quotes", {**asked, "machine": machine, "customer": customer.id})
    headers = {**once(), "If-Match": customer.tag}
    client.post(f"/v1/customers/{customer.id}/erase", headers=headers).raise_for_status()
    assert client.get(f"/v1/machines/{machine}").json()["name"] == "erased"


def test_revise_never_mixes_two_customers(client: Client) -> None:
    one, two = (add(client, "/v1/customers", {"name": name}).id for name in ("One", "Two"))
    asked = {key: ASKED[key] for key in ("family", "diagnoses")}
    quote = add(client, "/v1/quotes", {**asked, "customer": one}).id
    # nothing stays of a first draft
    act(client, quote, "revise", {**asked, "customer": two})
    act(client, quote, "issue")
    tag = client.get(f"/v1/quotes/{quote}").headers["etag"]
    answer = client.post(
        f"/v1/quotes/{quote}/revise",
        json={**asked, "customer": one},
        headers={**once(), "If-Match": tag},
    )
    assert faults(answer) == {"": "other-customer"}
    # said nothing of, the customer stays
    act(client, quote, "revise", asked)
    assert kept(client.get(f"/v1/quotes/{quote}")).record["customer"] == f"{two}"


def test_erase_reaches_the_serial_of_a_machine_that_a_quote_named_once(client: Client) -> None:
    customer = add(client, "/v1/customers", CUSTOMER)
    machine = add(client, "/v1/machines", {**MACHINE, "customer": customer.id}).id
    another = add(client, "/v1/machines", {"name": "Another", "family": "QM-H27"}).id
    asked = {key: ASKED[key] for key in ("family", "diagnoses")}
    quote = add(client, "/v1/quotes", {**asked, "machine": machine}).id
    act(client, quote, "issue")
    act(client, quote, "revise", {**asked, "machine": another, "serial": 2140077})
    act(client, quote, "issue")
    path = f"/v1/quotes/{quote}/revisions"
    assert str(SERIAL) in client.get(f"{path}/1").text
    act(client, quote, "withdraw")
    exported = client.get(f"/v1/customers/{customer.id}/export").json()["quotes"]
    assert [(one["quote"]["revision"], len(one["revisions"])) for one in exported] == [(1, 1)]

    headers = {**once(), "If-Match": customer.tag}
    client.post(f"/v1/customers/{customer.id}/erase", headers=headers).raise_for_status()

    assert str(SERIAL) not in client.get(f"{path}/1").text
    assert client.get(f"{path}/2").json()["request"]["serial"] == 2140077
    assert client.get(f"/v1/quotes?q={SERIAL}").json() == {"items": []}
    assert len(client.get("/v1/quotes?q=2140077").json()["items"]) == 1


def test_erase_reaches_mails_of_nobodys_quotes_to_the_customers_address(client: Client) -> None:
    customer = add(client, "/v1/customers", CUSTOMER)
    quote = add(client, "/v1/quotes", {key: ASKED[key] for key in ("family", "diagnoses")}).id
    act(client, quote, "issue")
    tag = client.get(f"/v1/quotes/{quote}").headers["etag"]
    path = f"/v1/quotes/{quote}/messages"
    for to in ("Eulalia@Quillfeather.example", "other@quillfeather.example"):
        answer = client.post(path, json={"to": to}, headers={**once(), "If-Match": tag})
        assert answer.status_code == 202, answer.text
    exported = client.get(f"/v1/customers/{customer.id}/export").json()
    assert [one["to"] for one in exported["messages"]] == ["Eulalia@Quillfeather.example"]

    headers = {**once(), "If-Match": customer.tag}
    client.post(f"/v1/customers/{customer.id}/erase", headers=headers).raise_for_status()

    told = [(one["to"], one["state"]) for one in client.get(path).json()["items"]]
    assert told == [(None, "failed"), ("other@quillfeather.example", "queued")]
    # the quote itself stays as it was: it is nobody's
    assert client.get(f"/v1/quotes/{quote}").headers["etag"] == tag


def test_erase_removes_a_customer_whose_record_is_damaged(story: Story) -> None:
    version = story.client.get(story.path).headers["etag"]
    with closing(connect(story.folder / FILE)) as connection:
        connection.execute("UPDATE customers SET note = note || 'x'")
    problem(story.client.get(story.path), 500, "record-damaged")
    # nobody has read this version
    problem(story.erase({**once(), "If-Match": version}), 500, "record-damaged")

    answer = story.erase({**once(), "If-Match": "*"})

    assert answer.status_code == 200, answer.text
    assert (answer.json()["quotes"], answer.json()["revisions"]) == (1, 2)
    left = story.client.get(story.path)
    assert left.json()["name"] == "erased"
    assert left.headers["etag"] not in (version, None)
    story.counter.store.close()
    data = b"".join(file.read_bytes() for file in story.folder.rglob("*") if file.is_file())
    for word in PERSONAL:
        assert word.encode() not in data


@pytest.mark.parametrize(
    ("table", "column", "kept"),
    [
        ("machines", "note", {"Threepwood", "GardenFleet", "Nutmeg", "PLATE-99Z-KK", "777.25"}),
        ("quotes", "family", set()),
        ("authorisations", "contact", {"Eulalia", "1632 960 771", "Oregano"}),
        ("photos", "code", set()),
        ("additions", "description", {"Sorrel"}),
        # its description is in the statement too, which is sound
        ("statements", "sha256", set()),
        ("handovers", "collector", {"Quillfeather"}),
    ],
)
def test_erase_goes_on_beside_a_damaged_record_and_names_it(
    story: Story, table: str, column: str, kept: set[str]
) -> None:
    def change(to: str) -> None:
        with closing(connect(story.folder / FILE)) as connection:
            # a disk asks no trigger
            connection.execute("DROP TRIGGER IF EXISTS statements_stay")
            connection.execute(f"UPDATE {table} SET {column} = {to}")

    change(f"{column} || 'x'")

    told = problem(story.erase(), 500, "record-damaged")["detail"]

    assert "not completely erased" in told
    assert f"{table} 1" in told
    found = everything(story)
    assert {word for word in PERSONAL if word in found} <= {*kept, str(SERIAL)}
    assert "customer.erased" not in kinds(story)
    # and again, as long as it is damaged
    told = problem(story.erase({**once(), "If-Match": "*"}), 500, "record-damaged")["detail"]
    assert f"{table} 1" in told

    change(f"substr({column}, 1, length({column}) - 1)")
    answer = story.erase({**once(), "If-Match": "*"})

    assert answer.status_code == 200, answer.text
    assert (answer.json()["quotes"], answer.json()["revisions"]) == (1, 2)
    assert "customer.erased" in kinds(story)
    story.counter.store.close()
    found = everything(story)
    assert [word for word in PERSONAL if word in found] == []


@pytest.mark.parametrize("revision", [1, 2])
def test_erase_goes_on_beside_a_damaged_revision(story: Story, revision: int) -> None:
    def change(to: str) -> None:
        with closing(connect(story.folder / FILE)) as connection:
            connection.execute(f"UPDATE revisions SET reason = {to} WHERE number = {revision}")

    change("'Chickweed'")
    told = problem(story.erase(), 500, "record-damaged")["detail"]

    assert f"revisions 1 {revision} can't be read" in told
    with closing(connect(story.folder / FILE)) as connection:
        erased = connection.execute("SELECT number FROM revisions WHERE is_erased").fetchall()
        consents = connection.execute("SELECT who, contact FROM authorisations").fetchall()
        photos = connection.execute("SELECT count(*) FROM photos").fetchone()
    assert [number for (number,) in erased] == [3 - revision]
    assert [*map(tuple, consents)] == [("erased", None)]
    assert tuple(photos) == (0,)
    assert "customer.erased" not in kinds(story)

    change("NULL")
    answer = story.erase({**once(), "If-Match": "*"})

    assert answer.status_code == 200, answer.text
    assert (answer.json()["quotes"], answer.json()["revisions"]) == (1, 2)
    story.counter.store.close()
    assert words_in(story.folder) == []


def test_erase_leaves_a_revision_of_others_beside_a_damaged_one(
    client: Client, tmp_path: Path
) -> None:
    """Nothing tells whose the damaged revision is, so what belongs to it stays."""
    customer = add(client, "/v1/customers", CUSTOMER)
    machine = add(client, "/v1/machines", {**MACHINE, "customer": customer.id}).id
    another = add(client, "/v1/machines", {"name": "Another", "family": "QM-H27"}).id
    asked = {key: ASKED[key] for key in ("family", "diagnoses")}
    quote = add(client, "/v1/quotes", {**asked, "machine": machine}).id
    act(client, quote, "issue")
    act(client, quote, "revise", {**asked, "machine": another, "serial": 2140077})
    act(client, quote, "issue")
    gross = client.get(f"/v1/quotes/{quote}").json()["gross"]["amount"]
    yes = {"revision": 2, "who": "Somebody", "means": "in_person", "text": "Yes.", "limit": gross}
    act(client, quote, "accept", yes)
    with closing(connect(tmp_path / FILE)) as connection:
        connection.execute("UPDATE revisions SET reason = 'Chickweed' WHERE number = 2")

    headers = {**once(), "If-Match": customer.tag}
    answer = client.post(f"/v1/customers/{customer.id}/erase", headers=headers)

    assert "revisions 1 2" in problem(answer, 500, "record-damaged")["detail"]
    with closing(connect(tmp_path / FILE)) as connection:
        erased = connection.execute("SELECT number FROM revisions WHERE is_erased").fetchall()
        consents = connection.execute("SELECT who FROM authorisations").fetchall()
    assert [tuple(one) for one in (*erased, *consents)] == [(1,), ("Somebody",)]


def test_erase_again_changes_nothing_that_is_erased(story: Story) -> None:
    with closing(connect(story.folder / FILE)) as connection:
        connection.execute("UPDATE machines SET note = note || 'x'")
    problem(story.erase(), 500, "record-damaged")
    tag = story.client.get(f"/v1/quotes/{story.quote}").headers["etag"]
    last = story.counter.store.read(lambda records: records.events.last())

    problem(story.erase({**once(), "If-Match": "*"}), 500, "record-damaged")

    assert story.counter.store.read(lambda records: records.events.last()) == last
    assert story.client.get(f"/v1/quotes/{story.quote}").headers["etag"] == tag


def test_erase_goes_on_beside_a_damaged_mail(
    client: Client, alone: Counter, tmp_path: Path
) -> None:
    assert alone.key
    customer = add(client, "/v1/customers", CUSTOMER)
    quote = add(client, "/v1/quotes", {key: ASKED[key] for key in ("family", "diagnoses")}).id
    act(client, quote, "issue")
    tag = client.get(f"/v1/quotes/{quote}").headers["etag"]
    for _ in range(3):
        headers = {**once(), "If-Match": tag}
        sent = client.post(
            f"/v1/quotes/{quote}/messages", json={"to": CUSTOMER["email"]}, headers=headers
        )
        assert sent.status_code == 202, sent.text
    with closing(connect(tmp_path / FILE)) as connection:
        connection.execute("UPDATE mails SET attempts = attempts + 1 WHERE number = 2")

    headers = {**once(), "If-Match": customer.tag}
    answer = client.post(f"/v1/customers/{customer.id}/erase", headers=headers)

    assert "mails 2" in problem(answer, 500, "record-damaged")["detail"]
    with closing(connect(tmp_path / FILE)) as connection:
        found = connection.execute("SELECT number, recipient FROM mails ORDER BY number")
        assert [*map(tuple, found)] == [(1, ""), (2, CUSTOMER["email"]), (3, "")]


def test_erase_locks_invoices_for_the_owner(story: Story) -> None:
    body = {"name": "Counter", "scopes": ["read", "order"]}
    key = story.client.post("/v1/keys", json=body, headers=once()).json()["key"]
    counter = {"Authorization": f"Bearer {key}"}
    quote = f"/v1/quotes/{story.quote}"
    guarded = {**once(), "If-Match": story.client.get(quote).headers["etag"]}
    story.client.post(f"{quote}/invoice", json={}, headers=guarded).raise_for_status()
    path = "/v1/invoices/I1-00001"
    before = story.client.get(path, headers=counter)
    assert CUSTOMER["name"] in before.text
    story.erase().raise_for_status()

    for accept in ("application/json", "application/pdf", "application/xml"):
        refused = story.client.get(path, headers={**counter, "Accept": accept})
        problem(refused, 403, "scope-missing")
        assert "Eulalia" not in refused.text
    credit = {"reason": "Wrong"}
    refused = story.client.post(f"{path}/credit", json=credit, headers={**counter, **once()})
    problem(refused, 403, "scope-missing")
    # the law keeps it as it was made
    assert story.client.get(path).json() == before.json()
    story.client.post(f"{path}/credit", json=credit, headers=once()).raise_for_status()
    listed = story.client.get("/v1/invoices", headers=counter)
    assert len(listed.json()["items"]) == 2
    assert "Eulalia" not in listed.text


def everything(story: Story) -> str:
    """Return all that the files of a folder hold, as far as it is text."""
    files = (file for file in story.folder.rglob("*") if file.is_file())
    return b"".join(file.read_bytes() for file in files).decode("latin-1")


def kinds(story: Story) -> set[str]:
    """Return the kinds of all events of the story's customer."""
    with closing(connect(story.folder / FILE)) as connection:
        subject = f"customer:{story.customer.removeprefix('C')}"
        found = connection.execute("SELECT kind FROM events WHERE subject = ?", (subject,))
        return {kind for (kind,) in found}
