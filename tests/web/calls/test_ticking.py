"""A customer leaves jobs of an offer out and adds extras, each choice priced and agreed whole."""

import os
import random
import zlib
from functools import partial
from hashlib import sha256
from typing import Any
from urllib.parse import urlencode

import msgspec
import pytest
from msgspec import structs
from tests.documents.offers import case, read_back
from tests.web.calls.conftest import Staff
from tests.web.calls.test_links import Customer, linked
from tests.web.problem import sound_problem

from kitwright.keeping.store import Records
from kitwright.stages.request import RequestRefused
from kitwright.units import Figure
from kitwright.web.calls.reckoning import ChosenIn, QuoteIn
from kitwright.web.calls.service import Service
from kitwright.web.calls.ticking import check_ticks
from kitwright.web.calls.wire import MOST_JOBS, JobIn
from kitwright.workshop import Workshop

COMBINATIONS = int(os.environ.get("KITWRIGHT_COMBINATIONS", "300"))
"""How many random choices are compared with the quote asked for directly; 10,000 by flag."""

OFFERS: tuple[dict[str, Any], ...] = (
    {
        "diagnoses": [{"code": "HG-GALLERY", "cylinder": 1}, {"code": "COOLING-BLOCKED"}],
        "add_jobs": [{"job": "J-OIL"}, {"job": "J-BREATHER"}],
    },
    {
        "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}, {"code": "FUEL-DILUTION"}],
        "scope": "thorough",
        "add_jobs": [{"job": "J-FINS"}],
        "machines": 2,
    },
    {
        "family": "TB-V68",
        "serial": None,
        "chassis": None,
        "diagnoses": [{"code": "HG-GALLERY", "cylinder": 1}, {"code": "VALVE-EX", "cylinder": 2}],
        "add_jobs": [{"job": "J-LASH", "cylinder": 2}, {"job": "J-MAG-SEAL"}],
    },
    {
        "jobs": [{"job": "J-LASH", "cylinder": 1}, {"job": "J-OIL"}, {"job": "J-EXHAUST-GASKET"}],
        "discounts": [{"percent": "5", "reason": "Regular", "by": "Ada"}],
        "free_lines": [
            {
                "description": "Collected",
                "kind": "fee",
                "quantity": "1",
                "unit": "C62",
                "unit_price": "30.00",
                "reason": "Asked for",
                "by": "Ada",
            }
        ],
        "pays_cash": True,
    },
)


@pytest.fixture
def customer(staff: Staff) -> Customer:
    return Customer(staff)


def free_jobs(quote: Any) -> list[dict[str, Any]]:
    """Return the jobs of a quote that its customer may leave out."""
    return [named(job) for job in quote["jobs"] if job["stays"] is None]


def extras_of(quote: Any) -> list[dict[str, Any]]:
    """Return the extras of a quote, one for each cylinder."""
    return [
        {"job": extra["job"], "cylinder": cylinder}
        for extra in quote["extras"]
        for cylinder in extra["cylinders"] or [None]
    ]


def named(job: Any) -> dict[str, Any]:
    return {"job": job["job"], "cylinder": job["cylinder"]}


def some(luck: random.Random, things: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return some things in any order."""
    return luck.sample(things, luck.randint(0, len(things)))


def asked_directly(request: Any, left: list[Any], added: list[Any]) -> dict[str, Any]:
    """Return the preview that asks for a choice in so many words."""
    kept = {"customer", "machine", "ticket", "chosen"}
    asked = {name: value for name, value in request.items() if name not in kept}
    asked["leave_out"] = [*request.get("leave_out", ()), *left]
    asked["add_jobs"] = [*request.get("add_jobs", ()), *added]
    return asked


@pytest.mark.parametrize("members", OFFERS)
def test_any_choice_is_the_quote_asked_for_directly(staff: Staff, members: dict[str, Any]) -> None:
    luck = random.Random(20270301)
    id = staff.issued(contingencies=False, **members)  # noqa: A001
    kept = staff.get(f"/v1/quotes/{id}")
    free, extras = free_jobs(kept["quote"]), extras_of(kept["quote"])
    assert free
    tried = 0
    for _ in range(COMBINATIONS // len(OFFERS)):
        left, added = some(luck, free), some(luck, extras)
        if len(left) == len(kept["quote"]["jobs"]):
            continue
        body = {"revision": 1, "leave_out": left, "extras": added}
        chosen = staff.post(f"/v1/quotes/{id}/choice", body)
        if chosen.status_code == 422:
            check_left_alone(staff, kept["request"], chosen, left, added)
            continue
        direct = staff.post(
            "/v1/quotes/preview",
            asked_directly(kept["request"], luck.sample(left, len(left)), added[::-1]),
        )
        assert chosen.status_code == direct.status_code == 200, chosen.text
        raw = msgspec.json.decode(chosen.content, type=dict[str, msgspec.Raw])["quote"]
        assert bytes(raw) == direct.content
        told = chosen.json()
        assert told["total"] == told["quote"]["totals"]["gross"]
        tried += 1
    assert tried > COMBINATIONS // len(OFFERS) // 2


def check_left_alone(
    staff: Staff, request: Any, chosen: Any, left: list[Any], added: list[Any]
) -> None:
    """Check that the extras of a refused choice are none of a quote without what it leaves out."""
    errors = refused(chosen)["errors"]
    assert {error["code"] for error in errors} == {"extra-left-alone"}
    rest = staff.post("/v1/quotes/preview", asked_directly(request, left, [])).json()
    sorted_extras = sorted(added, key=lambda job: (job["job"], job["cylinder"] or 0))
    for error in errors:
        alone = sorted_extras[int(error["pointer"].removeprefix("/extras/"))]
        assert alone not in extras_of(rest)


def test_extra_is_left_out_with_the_jobs_beside_which_it_is_offered(
    staff: Staff, customer: Customer
) -> None:
    jobs = [{"job": "J-OIL"}, {"job": "J-FINS"}, {"job": "J-VALVE-LAP", "cylinder": 1}]
    id = staff.issued(diagnoses=[], jobs=jobs)  # noqa: A001
    path = linked(staff, id)
    quote = customer.get(path).json()["quote"]
    lap, plug = jobs[2], {"job": "J-PLUG", "cylinder": 1}
    assert lap in free_jobs(quote)
    assert plug in extras_of(quote)

    told = refused(customer.post(f"{path}/choice", {"leave_out": [lap], "extras": [plug]}))
    free = ["J-OIL", "J-FINS", "J-VALVE-LAP@1"]
    form = [("free", job) for job in free] + [("keep", job) for job in free[:2]]
    page = customer.page_post(f"{path}/choice", urlencode([*form, ("extra", "J-PLUG@1")]))

    (error,) = told["errors"]
    assert (error["pointer"], error["code"]) == ("/extras/0", "extra-left-alone")
    assert "J-VALVE-LAP@1" in error["detail"]
    assert page.status_code == 422
    assert "only together with work that you left out" in page.text
    both = customer.post(f"{path}/choice", {"leave_out": [lap]})
    assert both.status_code == 200


def test_each_alone_differs_by_what_the_offer_says(staff: Staff) -> None:
    id = staff.issued(**OFFERS[0])  # noqa: A001
    quote = staff.get(f"/v1/quotes/{id}")["quote"]
    shown = [(named(job), job["saves_if_left_out"]) for job in quote["jobs"] if not job["stays"]]
    assert shown
    for job, saving in shown:
        told = staff.post(f"/v1/quotes/{id}/choice", {"revision": 1, "leave_out": [job]}).json()
        assert minor(told["more"]) == -minor(saving["price"])
    assert quote["extras"]
    for extra in quote["extras"]:
        jobs = [
            {"job": extra["job"], "cylinder": cylinder} for cylinder in extra["cylinders"] or [None]
        ]
        told = staff.post(f"/v1/quotes/{id}/choice", {"revision": 1, "extras": jobs}).json()
        assert minor(told["more"]) == minor(extra["price"])


def refused(answer: Any) -> dict[str, Any]:
    """Return a sound problem document."""
    return sound_problem(answer, answer.request.content)


def minor(amount: Any) -> int:
    return int(amount["amount"].replace(".", ""))


def test_choice_is_priced_from_what_the_offer_was_made_with(staff: Staff) -> None:
    id = staff.issued(**OFFERS[0])  # noqa: A001
    quote = staff.get(f"/v1/quotes/{id}")["quote"]
    body: dict[str, Any] = {"revision": 1, "extras": extras_of(quote)}
    first = staff.post(f"/v1/quotes/{id}/choice", body)
    item = next(line["item"] for order in quote["orders"] for line in order["lines"])
    row = {"kind": "receive", "quantity": "40", "bin": "Z9", "cost": "0.01"}
    staff.done(f"/v1/shelf/{item}/moves", {**row, "reason": "Found", "by": "Ada"})
    staff.counter.clock.pass_days(9)
    request = staff.get(f"/v1/quotes/{id}")["request"]
    today = staff.post("/v1/quotes/preview", asked_directly(request, [], body["extras"]))
    assert today.json()["orders"] != first.json()["quote"]["orders"]

    again = staff.post(f"/v1/quotes/{id}/choice", body)

    assert first.status_code == 200
    assert again.content == first.content


def test_what_is_chosen_is_agreed_whole(staff: Staff, customer: Customer) -> None:
    id = staff.issued(**OFFERS[0])  # noqa: A001
    path = linked(staff, id)
    quote = customer.get(path).json()["quote"]
    ticks = {"leave_out": free_jobs(quote)[:1], "extras": extras_of(quote)[:1]}
    shown = customer.post(f"{path}/choice", ticks).json()
    amount = shown["total"]["amount"]
    yes = {"who": "A. Customer", "amount": amount, **ticks}

    assert customer.post(f"{path}/accept", yes).json() == {
        "id": id,
        "revision": 2,
        "state": "accepted",
    }
    assert customer.post(f"{path}/accept", yes).json()["revision"] == 2

    kept = staff.get(f"/v1/quotes/{id}")
    assert (kept["agreed"], kept["shown"], kept["offered"]) == (2, 2, None)
    assert kept["request"]["chosen"] == {"revision": 1, "course": None, **ticks}
    assert kept["quote"]["totals"]["gross"] == shown["total"]
    (given,) = staff.get(f"/v1/quotes/{id}/authorisations")["authorisations"]
    assert given["revision"] == 2
    assert given["amount"]["amount"] == amount
    assert given["text"] == shown["text"]
    assert "Left out: " in given["text"]
    assert "Added: " in given["text"]
    offer = customer.get(path)
    told = offer.json()
    assert (told["revision"], told["state"], told["text"]) == (2, "accepted", given["text"])
    raw = msgspec.json.decode(offer.content, type=dict[str, msgspec.Raw])["quote"]
    assert sha256(bytes(raw)).hexdigest() == told["sha256"] == given["sha256"]
    assert bytes(raw) == msgspec.json.encode(shown["quote"])
    states = [one["state"] for one in staff.get(f"/v1/quotes/{id}/revisions")["items"]]
    assert states == ["superseded", "accepted"]
    last = staff.get(f"/v1/quotes/{id}/history")["items"][-1]
    assert last["facts"]["chosen_from"] == 1
    left, added = ticks["leave_out"][0], ticks["extras"][0]
    html = {"Accept": "text/html"}
    sheet = staff.client.get(f"/v1/quotes/{id}/bench-sheet", headers=html).text
    names = {job["job"]: job["name"] for job in quote["jobs"]}
    assert names[left["job"]] not in sheet
    assert next(one["name"] for one in quote["extras"] if one["job"] == added["job"]) in sheet


def test_another_choice_than_the_agreed_one_is_refused(staff: Staff, customer: Customer) -> None:
    id = staff.issued(**OFFERS[0])  # noqa: A001
    path = linked(staff, id)
    ticks = {"extras": extras_of(customer.get(path).json()["quote"])[:1]}
    amount = customer.post(f"{path}/choice", ticks).json()["total"]["amount"]
    yes = {"who": "A. Customer", "amount": amount, **ticks}
    assert customer.post(f"{path}/accept", yes).status_code == 200

    other = refused(customer.post(f"{path}/accept", {"who": "A. Customer"}))

    assert [error["code"] for error in other["errors"]] == ["agreed-otherwise"]
    assert other["errors"][0]["pointer"] == "/extras"


def test_choice_is_agreed_at_the_counter_at_its_own_amount(staff: Staff) -> None:
    id = staff.issued(**OFFERS[0])  # noqa: A001
    quote = staff.get(f"/v1/quotes/{id}")["quote"]
    ticks = {"leave_out": free_jobs(quote)[:1]}
    total = staff.post(f"/v1/quotes/{id}/choice", {"revision": 1, **ticks}).json()["total"]
    yes = {"revision": 1, "who": "A. Customer", "means": "telephone", **ticks}

    wrong = staff.refused(
        f"/v1/quotes/{id}/accept",
        {**yes, "amount": quote["totals"]["gross"]["amount"]},
        staff.tag(id),
    )
    assert wrong["errors"][0]["code"] == "amount-differs"

    head = staff.act(id, "accept", {**yes, "amount": total["amount"]})
    assert (head["agreed"], head["gross"]) == (2, total)


def test_draft_that_was_begun_stays_the_newest(staff: Staff, customer: Customer) -> None:
    id = staff.issued(**OFFERS[0])  # noqa: A001
    path = linked(staff, id)
    ticks = {"extras": extras_of(customer.get(path).json()["quote"])[:1]}
    amount = customer.post(f"{path}/choice", ticks).json()["total"]["amount"]
    asked = {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]}
    staff.act(id, "revise", asked)

    answer = customer.post(f"{path}/accept", {"who": "A", "amount": amount, **ticks})

    assert answer.json()["revision"] == 2
    kept = staff.get(f"/v1/quotes/{id}")
    assert (kept["revision"], kept["agreed"]) == (3, 2)
    assert kept["draft"]["request"]["jobs"] == asked["jobs"]
    assert kept["draft"]["state"] == "draft"


def test_what_may_not_be_left_out_says_why(staff: Staff, customer: Customer) -> None:
    id = staff.issued(**OFFERS[1])  # noqa: A001
    path = linked(staff, id)
    quote = customer.get(path).json()["quote"]
    stays = next(job for job in quote["jobs"] if job["stays"] is not None)
    assert stays["stays"]["code"] == "needed-by-diagnosis"

    told = refused(customer.post(f"{path}/choice", {"leave_out": [named(stays)]}))

    assert told["errors"][0]["code"] == "job-stays"
    assert stays["stays"]["text"] in told["errors"][0]["detail"]

    safe = staff.get(f"/v1/quotes/{staff.issued(**OFFERS[3])}")["quote"]["jobs"]
    reasons = {job["job"]: job["stays"] for job in safe}
    assert reasons["J-EXHAUST-GASKET"]["code"] == "unsafe-without"
    assert "burn" in reasons["J-EXHAUST-GASKET"]["text"]
    assert reasons["J-OIL"] is None


def test_choice_of_what_is_not_there_is_refused(staff: Staff, customer: Customer) -> None:
    path = linked(staff, staff.issued(**OFFERS[0]))
    body = {"leave_out": [{"job": "J-ENGINE"}], "extras": [{"job": "J-ENGINE"}]}
    told = refused(customer.post(f"{path}/choice", body))
    assert [error["pointer"] for error in told["errors"]] == ["/leave_out/0", "/extras/0"]

    extra = extras_of(customer.get(path).json()["quote"])[0]
    twice = refused(customer.post(f"{path}/choice", {"extras": [extra, extra]}))
    assert twice["errors"][0]["code"] == "named-twice"

    bare = refused(customer.post(f"{path}/accept", {"who": "A", "extras": [extra]}))
    assert bare["errors"][0]["code"] == "amount-not-given"


def dearer(service: Service) -> Service:
    """Return a service of the same shop whose catalogue and labour are twice as dear."""
    catalogue, shop = service.workshop.catalogue, service.workshop.shop
    rates = {name: rate * 2 for name, rate in shop.labour.rates.items()}
    other = structs.replace(shop, labour=structs.replace(shop.labour, rates=rates))
    suppliers = {
        name: structs.replace(
            supplier,
            offer=tuple(
                structs.replace(offer, cost=Figure(offer.cost * 2)) for offer in supplier.offer
            ),
        )
        for name, supplier in catalogue.suppliers.items()
    }
    shops = {**catalogue.shops, shop.id: other}
    made = structs.replace(catalogue, shops=shops, suppliers=suppliers, revision="d" * 64)
    return Service(Workshop(made, other), service._today)


def test_choices_are_priced_by_what_the_offer_was_made_with_after_a_restart(
    staff: Staff, customer: Customer
) -> None:
    id = staff.issued(**OFFERS[0])  # noqa: A001
    path = linked(staff, id)
    desk = staff.counter.desk
    service, before = desk.service, dict(desk.earlier)
    extra = extras_of(staff.get(f"/v1/quotes/{id}")["quote"])[:1]
    body = {"revision": 1, "extras": extra}
    first = staff.post(f"/v1/quotes/{id}/choice", body)
    amount = first.json()["total"]["amount"]
    preview = {"family": "QM-H27", **OFFERS[0]}
    cheap = staff.post("/v1/quotes/preview", preview).json()["totals"]["gross"]
    desk.service = dearer(service)
    desk.earlier.clear()
    try:
        assert staff.post("/v1/quotes/preview", preview).json()["totals"]["gross"] != cheap
        again = staff.post(f"/v1/quotes/{id}/choice", body)
        assert desk.earlier.keys() == {service.revision}
        page = customer.page(path)
        yes = {"who": "A. Customer", "amount": amount, "extras": extra}
        agreed = customer.post(f"{path}/accept", yes)
    finally:
        desk.service = service
        desk.earlier.clear()
        desk.earlier.update(before)

    assert again.status_code == first.status_code == 200
    assert again.content == first.content
    assert page.status_code == 200
    assert agreed.json()["state"] == "accepted"
    assert staff.get(f"/v1/quotes/{id}")["gross"]["amount"] == amount


def test_choices_end_with_a_catalogue_that_was_not_kept(staff: Staff) -> None:
    id = staff.issued(**OFFERS[0])  # noqa: A001
    desk = staff.counter.desk
    service, before = desk.service, dict(desk.earlier)
    extra = extras_of(staff.get(f"/v1/quotes/{id}")["quote"])[:1]
    body = {"revision": 1, "extras": extra}

    def spoil(records: Records, body: bytes) -> None:
        kept = records.catalogues.get(service.revision)
        assert kept is not None
        records.catalogues.session.run("DELETE FROM catalogues", ())  # type: ignore[attr-defined]
        records.catalogues.add(structs.replace(kept, body=body))

    desk.service = dearer(service)
    try:
        for spoilt in (b"no catalogue", zlib.compress(b"{}")):
            desk.earlier.clear()
            desk.store.write_now(partial(spoil, body=spoilt))  # type: ignore[attr-defined]
            told = staff.refused(f"/v1/quotes/{id}/choice", body)
            assert told["errors"][0]["code"] == "choices-closed"
    finally:
        desk.service = service
        desk.earlier.update(before)


def test_catalogue_is_kept_once_and_dropped_with_its_last_offer(staff: Staff) -> None:
    desk = staff.counter.desk

    def is_kept() -> bool:
        found = desk.store.read(lambda records: records.catalogues.get(desk.service.revision))
        return found is not None

    staff.quote()
    assert not is_kept()
    first, second = staff.issued(), staff.issued()
    assert is_kept()
    for id in (first, second):  # noqa: A001
        desk.store.write_now(lambda records: records.catalogues.drop_unused())  # type: ignore[attr-defined]
        assert is_kept()
        staff.act(id, "withdraw")
    desk.store.write_now(lambda records: records.catalogues.drop_unused())  # type: ignore[attr-defined]
    assert not is_kept()


def test_choice_that_a_change_by_hand_does_not_fit_is_refused(staff: Staff) -> None:
    asked = OFFERS[3] | {"diagnoses": []}
    ticks = {"revision": 1, "leave_out": [{"job": "J-LASH", "cylinder": 1}]}
    plain = staff.issued(**asked)
    before = staff.get(f"/v1/quotes/{plain}")["quote"]["lines"]
    after = staff.post(f"/v1/quotes/{plain}/choice", ticks).json()["quote"]["lines"]
    gone = {(line["code"], line["labour_class"]) for line in before}
    gone -= {(line["code"], line["labour_class"]) for line in after}
    code, labour_class = min(gone, key=str)
    line = {"code": code, "labour_class": labour_class}
    discount = {"line": line, "percent": "10", "reason": "Regular", "by": "Ada"}

    id = staff.issued(**asked | {"discounts": [discount]})  # noqa: A001
    told = refused(staff.post(f"/v1/quotes/{id}/choice", ticks))

    assert told["errors"][0]["code"] == "choice-not-priced"
    assert f"{code}" in told["errors"][0]["detail"]


def test_choice_with_more_jobs_than_a_request_may_have_is_refused() -> None:
    jobs = tuple(JobIn(job=f"J-{number}") for number in range(MOST_JOBS))
    asked = QuoteIn(family="QM-H27", leave_out=jobs)
    one = (JobIn(job="J-OIL"),)
    said = read_back(case("h27-generator-leak-down"))
    with pytest.raises(RequestRefused) as error:
        check_ticks(asked, said, ChosenIn(revision=1, leave_out=one))
    assert "too-many-choices" in [fault.code for fault in error.value.faults]
