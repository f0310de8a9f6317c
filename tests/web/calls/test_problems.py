"""Problems that only calls on kept records meet, each with the answer that tells it."""

import json
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pytest
from litestar.testing import TestClient
from tests.desks import Counter, client_of, open_counter
from tests.web.calls.conftest import Staff
from tests.web.problem import sound_problem

from kitwright.app import make_app
from kitwright.keeping.link import Link, make_token
from kitwright.keeping.record import Machine
from kitwright.keeping.store import RecordDamaged, StoreFull, StoreUnavailable
from kitwright.web.calls.service import Service

LEAKING = {
    "family": "QM-H27",
    "serial": 2140077,
    "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
}
QUOTES = "/v1/quotes"
Call = Callable[[TestClient[Any], Counter], Any]


@pytest.fixture
def counter(service: Service, tmp_path: Path) -> Iterator[Counter]:
    with open_counter(service, tmp_path) as opened:
        yield opened


@pytest.fixture
def owner(counter: Counter) -> Iterator[TestClient[Any]]:
    with client_of(make_app(counter.desk), counter.key) as client:
        yield client


def keep(owner: TestClient[Any], once: str = '"keep"', body: Any = LEAKING) -> Any:
    return owner.post(QUOTES, json=body, headers={"Idempotency-Key": once})


def issue(owner: TestClient[Any], **headers: str) -> Any:
    return owner.post(f"{QUOTES}/Q1/issue", headers={"Idempotency-Key": '"issue"'} | headers)


def over(owner: TestClient[Any], counter: Counter) -> Any:
    link = Link(number="Q1", revision=1, expires=1, nonce=bytes(12))
    return owner.get(f"/v1/links/{make_token(counter.desk.secret, link)}")


def twice(owner: TestClient[Any], counter: Counter) -> Any:
    tag = keep(owner).headers["etag"]
    first = issue(owner, **{"If-Match": tag})
    counter.clock.pass_days(1)
    return issue(owner, **{"Idempotency-Key": '"twice"', "If-Match": first.headers["etag"]})


def reused(owner: TestClient[Any], _: Counter) -> Any:
    keep(owner)
    return keep(owner, body={**LEAKING, "serial": 2140078})


def busy(owner: TestClient[Any], counter: Counter) -> Any:
    counter.desk.in_flight.add((counter.key[3:13], "keep"))
    return keep(owner)


def with_less(owner: TestClient[Any], _: Counter) -> Any:
    body = {"name": "x", "scopes": ["read"]}
    made = owner.post("/v1/keys", json=body, headers={"Idempotency-Key": '"key"'}).json()
    return owner.get("/v1/keys", headers={"Authorization": f"Bearer {made['key']}"})


def failing(error: Exception) -> Call:
    def call(owner: TestClient[Any], counter: Counter) -> Any:
        async def write(_: object) -> None:
            raise error

        counter.desk.store.write = write  # type: ignore[method-assign, assignment]
        return keep(owner)

    return call


PROBLEMS: dict[str, Call] = {
    "query-invalid": lambda owner, _: owner.get(f"{QUOTES}?customer=null"),
    "idempotency-key-missing": lambda owner, _: owner.post(QUOTES, json=LEAKING),
    "idempotency-key-malformed": lambda owner, _: keep(owner, '"one", "two"'),
    "idempotency-key-reused": reused,
    "call-in-progress": busy,
    "condition-missing": lambda owner, _: issue(owner),
    "condition-malformed": lambda owner, _: issue(owner, **{"If-Match": "new"}),
    "record-changed": lambda owner, _: (keep(owner), issue(owner, **{"If-Match": '"1"'}))[1],
    "key-missing": lambda owner, _: owner.get(QUOTES, headers={"Authorization": ""}),
    "key-refused": lambda owner, _: owner.get(QUOTES, headers={"Authorization": "Bearer x"}),
    "scope-missing": with_less,
    "act-refused": twice,
    "link-expired": over,
    "storage-full": failing(StoreFull("no room")),
    "record-damaged": failing(RecordDamaged("quotes", (1,))),
    "storage-unavailable": failing(StoreUnavailable("no disk")),
}
# test_keys.py, test_issuing.py and test_pool.py meet these: they take a service with a limit,
# another catalogue, a full queue. Those of a restore are met in tests/attack/restore.
ELSEWHERE = {
    "too-many-calls",
    "prices-moved",
    "too-busy",
    "records-held",
    "feed-restarted",
    "call-undone",
}


@pytest.mark.parametrize("code", PROBLEMS)
def test_problem_is_met(owner: TestClient[Any], counter: Counter, code: str) -> None:
    answer = PROBLEMS[code](owner, counter)

    assert sound_problem(answer, b"{}")["code"] == code
    if answer.status_code in (503, 507):
        assert answer.headers["retry-after"] == "5"


def test_call_that_was_refused_may_be_mended_and_sent_again(owner: TestClient[Any]) -> None:
    assert keep(owner, body={**LEAKING, "chassis": "NONE"}).status_code == 422
    assert keep(owner).status_code == 201


def with_machine(owner: TestClient[Any], counter: Counter) -> tuple[Any, Any]:
    machine = Machine(
        number=0,
        version=1,
        customer=None,
        name="Generator",
        family="QM-H27",
        serial=2140099,
        build_code=None,
        chassis=None,
        plate={},
        hours=None,
        note=None,
        made_at=counter.clock.now,
        erased_at=None,
    )
    counter.store.write_now(lambda records: records.machines.add(machine))
    body = {**LEAKING, "machine": "M1"}
    return keep(owner, body=body), body


def accepted(owner: TestClient[Any], amount: str) -> tuple[Any, Any]:
    keep(owner)
    body = {"revision": 1, "who": "J. Lindqvist", "means": "in_person", "amount": amount}
    headers = {"Idempotency-Key": '"yes"', "If-Match": "*"}
    return owner.post(f"{QUOTES}/Q1/accept", json=body, headers=headers), body


def added(owner: TestClient[Any]) -> tuple[Any, Any]:
    keep(owner)
    body = {"description": "A clamp", "kind": "part", "net": "1.00", "amount": "1.08"}
    headers = {"Idempotency-Key": '"more"', "If-Match": "*"}
    return owner.post(f"{QUOTES}/Q1/additions", json=body, headers=headers), body


def hooked(owner: TestClient[Any], url: str) -> tuple[Any, Any]:
    body = {"url": url}
    return owner.post("/v1/webhooks", json=body, headers={"Idempotency-Key": '"hook"'}), body


def for_nobody(owner: TestClient[Any]) -> tuple[Any, Any]:
    body = {**LEAKING, "customer": "C9"}
    return keep(owner, body=body), body


def moved(owner: TestClient[Any]) -> tuple[Any, Any]:
    body = {"kind": "draw", "reason": "used", "by": "J. Lindqvist", "quantity": "1", "packs": "1"}
    headers = {"Idempotency-Key": '"move"'}
    return owner.post("/v1/shelf/CS-OIL/moves", json=body, headers=headers), body


def ordered(owner: TestClient[Any]) -> str:
    """Order the parts of an accepted quote, and send the order; return its path."""
    keep(owner)
    quote = f"{QUOTES}/Q1"
    yes = {"revision": 1, "who": "A. Customer", "means": "telephone"}
    for path, body in (
        (f"{quote}/issue", {}),
        (f"{quote}/accept", yes),
        ("/v1/orders", {"revisions": [{"quote": "Q1", "revision": 1}]}),
        ("/v1/orders/O1/send", {"means": "portal", "without_advance": "Known.", "by": "Owner"}),
    ):
        headers = {"Idempotency-Key": f'"{path}"', "If-Match": "*"}
        assert owner.post(path, json=body, headers=headers).is_success
    return "/v1/orders/O1"


def received(owner: TestClient[Any]) -> tuple[Any, Any]:
    path = f"{ordered(owner)}/receipts"
    body = {"lines": [{"line": 1, "packs": 1, "unit_cost": "-1.00"}], "by": "Owner"}
    headers = {"Idempotency-Key": '"receipt"', "If-Match": "*"}
    return owner.post(path, json=body, headers=headers), body


def received_nothing(owner: TestClient[Any]) -> tuple[Any, Any]:
    path = f"{ordered(owner)}/receipts"
    body = {"lines": [{"line": 1, "packs": 0}], "by": "Owner"}
    headers = {"Idempotency-Key": '"receipt"', "If-Match": "*"}
    return owner.post(path, json=body, headers=headers), body


def paid_much(owner: TestClient[Any]) -> tuple[Any, Any]:
    ordered(owner)
    body = {"amount": "999999.00", "means": "cash", "by": "Owner"}
    headers = {"Idempotency-Key": '"advance"', "If-Match": "*"}
    return owner.post("/v1/quotes/Q1/payments", json=body, headers=headers), body


def clocked(owner: TestClient[Any], **members: str) -> tuple[Any, Any]:
    ordered(owner)
    body = {"by": "R. Okafor", **members}
    headers = {"Idempotency-Key": '"clock"'}
    return owner.post("/v1/quotes/Q1/clock", json=body, headers=headers), body


def billed_ahead(owner: TestClient[Any]) -> tuple[Any, Any]:
    path = f"{ordered(owner)}/bills"
    lines = [{"line": 1, "packs": 1, "unit_cost": "1.00"}]
    body = {"number": "1", "day": "2099-01-01", "lines": lines, "charges": "0", "net": "1"}
    body["by"] = "Owner"
    headers = {"Idempotency-Key": '"bill"', "If-Match": "*"}
    return owner.post(path, json=body, headers=headers), body


def answered(owner: TestClient[Any]) -> tuple[Any, Any]:
    path = f"{ordered(owner)}/confirm"
    headers = {
        "Idempotency-Key": '"answer"',
        "If-Match": "*",
        "Content-Type": "application/xml",
    }
    return owner.post(path, content=b"<!DOCTYPE x [] ><x/>", headers=headers), {}


def in_units(owner: TestClient[Any], **unit: Any) -> tuple[Any, Any]:
    owner.post(
        "/v1/machines",
        json={"name": "Generator", "family": "QM-H27"},
        headers={"Idempotency-Key": '"machine"'},
    )
    body = {**LEAKING, "serial": None, "units": [unit]}
    return keep(owner, body=body), body


def with_serial_twice(owner: TestClient[Any]) -> tuple[Any, Any]:
    body = {**LEAKING, "serial": None, "units": [{"serial": 2140077}, {"serial": 2140077}]}
    return keep(owner, body=body), body


def with_serial_and_units(owner: TestClient[Any]) -> tuple[Any, Any]:
    body = {**LEAKING, "units": [{}]}
    return keep(owner, body=body), body


def taken_in(owner: TestClient[Any]) -> tuple[Any, Any]:
    for path, record in (
        ("/v1/customers", {"name": "A. Customer"}),
        ("/v1/machines", {"name": "Generator", "family": "QM-H27"}),
    ):
        owner.post(path, json=record, headers={"Idempotency-Key": f'"{path}"'})
    body = {"customer": "C1", "machine": "M1", "complaint": "Smokes.", "fee": "60", "most": "50"}
    headers = {"Idempotency-Key": '"ticket"'}
    return owner.post("/v1/tickets", json=body, headers=headers), body


def half_exempt(owner: TestClient[Any]) -> tuple[Any, Any]:
    body = {"name": "A. Customer", "certificate_number": "EX-1"}
    headers = {"Idempotency-Key": '"half-exempt"'}
    return owner.post("/v1/customers", json=body, headers=headers), body


def left_out(owner: TestClient[Any]) -> tuple[Any, Any]:
    body = {**LEAKING, "leave_out_additions": [{"addition": 1, "reason": "Not needed."}]}
    return keep(owner, body=body), body


def finished(
    owner: TestClient[Any], kind: str = "part", asked: Any = LEAKING, **body: Any
) -> tuple[Any, Any]:
    """Finish the work on a quote; the member `goods`, `clocked` or `cores` of the body is told of
    the first line of a kind.
    """
    quote = f"{QUOTES}/Q1"
    keep(owner, body=asked)
    lines = owner.get(quote).json()["quote"]["lines"]
    place = next(at for at, line in enumerate(lines, start=1) if line["kind"] == kind)
    yes = {"revision": 1, "who": "A. Customer", "means": "telephone"}
    paid = {"amount": "5.00" if kind != "core" else "500.00", "means": "card", "by": "Owner"}
    for path, said in (
        (f"{quote}/issue", {}),
        (f"{quote}/accept", yes),
        (f"{quote}/payments", paid),
        ("/v1/orders", {"revisions": [{"quote": "Q1", "revision": 1}]}),
        (f"{quote}/start", {}),
    ):
        headers = {"Idempotency-Key": f'"{path}"', "If-Match": "*"}
        answer = owner.post(path, json=said, headers=headers)
        assert answer.is_success, answer.text
    told = {"unbooked": "Nobody books deliveries here."} | {
        name: [{"line": place, **one} for one in value] if isinstance(value, list) else value
        for name, value in body.items()
    }
    headers = {"Idempotency-Key": '"finish"', "If-Match": "*"}
    return owner.post(f"{quote}/finish", json=told, headers=headers), told


def came_back(
    owner: TestClient[Any],
    said: dict[str, Any],
    members: Mapping[str, Any] = MappingProxyType({}),
    *,
    is_done: bool = True,
) -> tuple[Any, Any]:
    """Quote a machine that came back, wrongly."""
    if is_done:
        finished(owner)
    else:
        keep(owner, body=LEAKING)
    body = {**LEAKING, "comes_back": {"quote": "Q1", **said}, **members}
    return owner.post(QUOTES, json=body, headers={"Idempotency-Key": '"back"'}), body


def came_back_undone(owner: TestClient[Any], counter: Counter) -> tuple[Any, Any]:
    """Have the shop bear work that a stopped visit did not do."""
    staff = Staff(counter, owner)
    id = staff.accepted()  # noqa: A001
    staff.supplied(id)
    staff.act(id, "start")
    staff.act(id, "stop", {"step": "off head@1", "machine": "put_together"})
    body = {**LEAKING, "comes_back": {"quote": "Q1", **SETTLED}}
    return owner.post(QUOTES, json=body, headers={"Idempotency-Key": '"back"'}), body


def credited_ahead(owner: TestClient[Any]) -> tuple[Any, Any]:
    """Record a credit for a part that failed on a day that is still to come."""
    finished(owner)
    part = owner.get(f"{QUOTES}/Q1").json()["quote"]["lines"][0]["code"]
    said = {**SETTLED, "quote": "Q1", "cause": "part", "part": part}
    for at, (path, body) in enumerate(
        (
            (QUOTES, {**LEAKING, "comes_back": said}),
            (f"{QUOTES}/Q2/claims", {"what": "It leaks again.", "by": "R"}),
        )
    ):
        headers = {"Idempotency-Key": f'"claim-{at}"', "If-Match": "*"}
        answer = owner.post(path, json=body, headers=headers)
        assert answer.is_success, answer.text
    told = {"amount": "5.00", "day": "2099-01-01", "by": "R"}
    headers = {"Idempotency-Key": '"credit"', "If-Match": "*"}
    return owner.post("/v1/claims/K1/credit", json=told, headers=headers), told


def invoiced_late(owner: TestClient[Any]) -> tuple[Any, Any]:
    assert finished(owner)[0].is_success
    body = {"due_on": "2020-01-01"}
    headers = {"Idempotency-Key": '"invoice"', "If-Match": "*"}
    return owner.post(f"{QUOTES}/Q1/invoice", json=body, headers=headers), body


def credited_unclearly(owner: TestClient[Any]) -> tuple[Any, Any]:
    assert finished(owner)[0].is_success
    address = {"street": "Mill Lane 4", "city": "Tollimoor", "country": "US"}
    buyer = {"name": "A. Customer", "billing": address}
    headers = {"Idempotency-Key": '"buyer"'}
    customer = owner.post("/v1/customers", json=buyer, headers=headers).json()["id"]
    headers = {"Idempotency-Key": '"invoice"', "If-Match": "*"}
    made = owner.post(f"{QUOTES}/Q1/invoice", json={"customer": customer}, headers=headers)
    assert made.is_success, made.text
    body = {"reason": "Not fitted", "parts": [{"line": 1}]}
    headers = {"Idempotency-Key": '"credit"'}
    return owner.post(f"{made.headers['Location']}/credit", json=body, headers=headers), body


def half_an_endpoint(owner: TestClient[Any]) -> tuple[Any, Any]:
    body = {"name": "A. Customer", "billing": {"endpoint": "bills@shop.example"}}
    return owner.post("/v1/customers", json=body, headers={"Idempotency-Key": '"who"'}), body


BLOCK = {
    "family": "TB-V68",
    "serial": 3200000,
    "chassis": "loose",
    "diagnoses": [],
    "jobs": [{"job": "J-SHORT-BLOCK"}],
}

# code -> a request that meets it alone, and where it points
SETTLED = {"cause": "work", "reason": "It leaks again.", "by": "R"}
COURSES = {"courses": ["least", "recommended"]}


def chosen(owner: TestClient[Any], act: str, body: Any, **members: Any) -> tuple[Any, Any]:
    """Choose of an offer."""
    staff = Staff(None, owner)  # type: ignore[arg-type]  # it needs no counter
    id = staff.issued(**members)  # noqa: A001
    body = {"revision": 1, **body}
    if act == "accept":
        body = {"who": "A. Customer", "means": "in_person", **body}
        return staff.post(f"/v1/quotes/{id}/{act}", body, staff.tag(id)), body
    return staff.post(f"/v1/quotes/{id}/{act}", body), body


def found(owner: TestClient[Any], **members: Any) -> tuple[Any, Any]:
    """Tell what was found, wrongly."""
    staff = Staff(None, owner)  # type: ignore[arg-type]  # it needs no counter
    id = staff.accepted()  # noqa: A001
    body = {"step": "off head@1", "what": "A crack.", "why": "It leaks.", "by": "R", **members}
    return staff.post(f"/v1/quotes/{id}/found", body, staff.tag(id)), body


def stopped(owner: TestClient[Any], **body: Any) -> tuple[Any, Any]:
    """Stop work before it began, wrongly."""
    staff = Staff(None, owner)  # type: ignore[arg-type]  # it needs no counter
    id = staff.accepted()  # noqa: A001
    return staff.post(f"/v1/quotes/{id}/stop", body, staff.tag(id)), body


def agreed_blindly(owner: TestClient[Any]) -> tuple[Any, Any]:
    """Accept a choice by a link without its amount."""
    staff = Staff(None, owner)  # type: ignore[arg-type]  # it needs no counter
    path = staff.act(staff.issued(), "links", {})["path"]
    body = {"who": "A. Customer", "extras": [{"job": "J-PLUG", "cylinder": 1}]}
    return owner.post(f"{path}/accept", json=body), body


REFUSED: dict[str, tuple[Callable[[TestClient[Any], Counter], tuple[Any, Any]], str]] = {
    "no-such-record": (lambda owner, _: for_nobody(owner), "/customer"),
    "machine-differs": (with_machine, "/serial"),
    "units-beside": (lambda owner, _: with_serial_and_units(owner), "/serial"),
    "serial-twice": (lambda owner, _: with_serial_twice(owner), "/units/1/serial"),
    "unit-kept": (lambda owner, _: in_units(owner, machine="M1", name="Washer"), "/units/0"),
    "most-below-fee": (lambda owner, _: taken_in(owner), "/most"),
    "certificate-incomplete": (lambda owner, _: half_exempt(owner), "/certificate_until"),
    "amount-invalid": (lambda owner, _: accepted(owner, "0.001"), "/amount"),
    "answer-not-read": (lambda owner, _: answered(owner), ""),
    "advance-too-large": (lambda owner, _: paid_much(owner), "/amount"),
    "clock-unclear": (lambda owner, _: clocked(owner, act="tick"), "/step"),
    "clock-impossible": (
        lambda owner, _: clocked(owner, act="stop", at="2099-01-01T12:00:00Z"),
        "/at",
    ),
    "unknown-step": (lambda owner, _: clocked(owner, act="tick", step="off nothing"), "/step"),
    "nothing-arrived": (lambda owner, _: received_nothing(owner), "/lines/0"),
    "beyond-bounds": (
        lambda owner, _: finished(owner, "labour", clocked=[{"minutes": "10081"}]),
        "/clocked/0/minutes",
    ),
    "day-impossible": (lambda owner, _: billed_ahead(owner), "/day"),
    "cost-invalid": (lambda owner, _: received(owner), "/lines/0/unit_cost"),
    "no-such-addition": (lambda owner, _: left_out(owner), "/leave_out_additions/0/addition"),
    "move-unclear": (lambda owner, _: moved(owner), "/quantity"),
    "price-unclear": (lambda owner, _: added(owner), "/net"),
    "supply-day-invalid": (
        lambda owner, _: finished(owner, supplied_on="2020-01-01"),
        "/supplied_on",
    ),
    "no-such-line": (
        lambda owner, _: finished(owner, clocked=[{"minutes": "9"}]),
        "/clocked/0/line",
    ),
    "line-twice": (
        lambda owner, _: finished(owner, "labour", clocked=[{"minutes": "9"}] * 2),
        "/clocked/1/line",
    ),
    "goods-unaccounted": (lambda owner, _: finished(owner, goods=[{"used": "0"}]), "/goods/0"),
    "core-too-many": (
        lambda owner, _: finished(owner, "core", BLOCK, cores=[{"quantity": "9"}]),
        "/cores/0",
    ),
    "found-nowhere": (
        lambda owner, _: found(owner, step=None, jobs=[{"job": "J-PLUG", "cylinder": 1}]),
        "/step",
    ),
    "no-such-contingency": (
        lambda owner, _: found(
            owner, contingency={"contingency": "moon"}, jobs=[{"job": "J-PLUG", "cylinder": 1}]
        ),
        "/contingency",
    ),
    "no-such-photo": (
        lambda owner, _: found(owner, photographs=["P9"], jobs=[{"job": "J-PLUG", "cylinder": 1}]),
        "/photographs/0",
    ),
    "nothing-added": (lambda owner, _: found(owner), "/jobs"),
    "stop-unclear": (lambda owner, _: stopped(owner, machine="boxes"), "/machine"),
    "no-added-line": (lambda owner, _: stopped(owner, not_done=[1]), "/not_done/0"),
    "due-day-invalid": (lambda owner, _: invoiced_late(owner), "/due_on"),
    "part-unclear": (lambda owner, _: credited_unclearly(owner), "/parts/0"),
    "endpoint-incomplete": (
        lambda owner, _: half_an_endpoint(owner),
        "/billing/endpoint_scheme",
    ),
    "job-stays": (
        lambda owner, _: chosen(
            owner, "choice", {"leave_out": [{"job": "J-VALVE-EX", "cylinder": 1}]}
        ),
        "/leave_out/0",
    ),
    "not-on-offer": (
        lambda owner, _: chosen(owner, "choice", {"extras": [{"job": "J-ENGINE"}]}),
        "/extras/0",
    ),
    "course-not-offered": (
        lambda owner, _: chosen(owner, "choice", {"course": "engine"}, **COURSES),
        "/course",
    ),
    "course-not-chosen": (lambda owner, _: chosen(owner, "accept", {}, **COURSES), "/course"),
    "amount-not-given": (lambda owner, _: agreed_blindly(owner), "/amount"),
    "visit-unknown": (lambda owner, _: came_back(owner, {"quote": "Q9"}), "/comes_back/quote"),
    "visit-not-finished": (
        lambda owner, _: came_back(owner, {}, is_done=False),
        "/comes_back/quote",
    ),
    "job-not-done": (came_back_undone, "/comes_back/jobs"),
    "come-back-impossible": (
        lambda owner, _: came_back(owner, {"on": "2020-01-01"}),
        "/comes_back/on",
    ),
    "visit-of-other-machine": (
        lambda owner, _: came_back(owner, {}, {"serial": 2140078}),
        "/comes_back/quote",
    ),
    "come-back-of-many": (
        lambda owner, _: came_back(owner, {}, {"serial": None, "units": [{"serial": 2140077}, {}]}),
        "/comes_back",
    ),
    "cause-unclear": (lambda owner, _: came_back(owner, {"by": "R"}), "/comes_back/by"),
    "part-not-fitted": (
        lambda owner, _: came_back(owner, {**SETTLED, "cause": "part", "part": "X-1"}),
        "/comes_back/part",
    ),
    "job-not-in-visit": (
        lambda owner, _: came_back(owner, {**SETTLED, "jobs": [{"job": "J-PLUG"}]}),
        "/comes_back/jobs/0",
    ),
    "claim-day-invalid": (lambda owner, _: credited_ahead(owner), "/day"),
    "courses-on-warranty": (lambda owner, _: came_back(owner, SETTLED, COURSES), "/courses"),
    "webhook-target-malformed": (lambda owner, _: hooked(owner, "hooks"), "/url"),
    "webhook-target-not-allowed": (lambda owner, _: hooked(owner, "https://[::1]/"), "/url"),
}


@pytest.mark.parametrize("code", REFUSED)
def test_request_that_does_not_fit_is_refused(
    owner: TestClient[Any], counter: Counter, code: str
) -> None:
    call, pointer = REFUSED[code]
    answer, body = call(owner, counter)

    told = sound_problem(answer, json.dumps(body).encode())
    assert told["code"] == "request-refused"
    assert [(each["pointer"], each["code"]) for each in told["errors"]] == [(pointer, code)]
