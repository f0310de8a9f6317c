"""Kept quotes: made, read, revised, copied, compared and found."""

from typing import Any

import msgspec
import pytest
from msgspec import structs
from tests.web.calls.conftest import Staff
from tests.web.problem import sound_problem

from kitwright.web.calls.quotes import KeptQuoteOut, RevisionOut
from kitwright.web.calls.shown import shown


def test_created_quote_is_what_the_preview_says(staff: Staff) -> None:
    asked = {"family": "QM-H27", "serial": 2140077, "jobs": [{"job": "J-LASH", "cylinder": 1}]}
    looked_ahead = {**asked, "contingencies": True}
    preview = staff.client.post("/v1/quotes/preview", json=looked_ahead).json()

    answer = staff.done("/v1/quotes", asked)

    assert answer.status_code == 201
    told = answer.json()
    assert answer.headers["Location"] == f"/v1/quotes/{told['id']}"
    assert told["quote"] == preview
    assert (told["state"], told["revision"]) == ("draft", 1)
    assert told["gross"] == preview["totals"]["gross"]
    read = staff.client.get(answer.headers["Location"])
    assert read.headers["ETag"] == answer.headers["ETag"]
    assert read.content == answer.content
    msgspec.json.decode(read.content, type=shown(KeptQuoteOut)[0])


def test_created_quote_keeps_the_day_that_it_was_asked_on(staff: Staff) -> None:
    id = staff.quote()  # noqa: A001
    staff.counter.clock.pass_days(1)

    assert staff.get(f"/v1/quotes/{id}")["request"]["on"] == "2027-03-01"


def test_refused_quote_is_not_kept(staff: Staff) -> None:
    asked = {"family": "QM-H27", "jobs": [{"job": "J-NONE"}]}

    told = staff.refused("/v1/quotes", asked)

    assert told["code"] == "request-refused"
    assert staff.get("/v1/quotes") == {"items": []}


def test_draft_is_revised_in_place(staff: Staff) -> None:
    id = staff.quote()  # noqa: A001

    told = staff.act(id, "revise", {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]})

    assert told["revision"] == 1
    assert [job["job"] for job in told["quote"]["jobs"]] == ["J-LASH"]


@pytest.mark.parametrize("is_agreed", [False, True])
def test_draft_of_a_quote_in_force_stands_beside_it_in_every_answer(
    staff: Staff, *, is_agreed: bool
) -> None:
    id = staff.issued()  # noqa: A001
    if is_agreed:
        staff.act(id, "accept", {"revision": 1, "who": "A. Customer", "means": "telephone"})
    before = staff.get(f"/v1/quotes/{id}")

    told = staff.act(id, "revise", {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]})

    assert before["draft"] is None
    assert staff.get(f"/v1/quotes/{id}") == told
    assert (told["shown"], told["revision"]) == (1, 2)
    for member in ("net", "gross", "valid_until", "request", "quote"):
        assert told[member] == before[member]
    draft = staff.get(f"/v1/quotes/{id}/revisions/2")
    assert draft["state"] == "draft"
    assert told["draft"] == draft
    (listed,) = staff.get("/v1/quotes")["items"]
    assert listed["draft"] == {
        name: value for name, value in draft.items() if name not in ("request", "quote")
    }
    if not is_agreed:
        staff.act(id, "issue")
        assert (staff.get(f"/v1/quotes/{id}")["shown"], listed["shown"]) == (2, 1)
        assert staff.get(f"/v1/quotes/{id}")["draft"] is None


def test_offer_beside_the_agreed_revision_stands_in_every_answer(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    before = staff.get(f"/v1/quotes/{id}")
    more = {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]}
    drafted = staff.act(id, "revise", more)

    told = staff.act(id, "issue")

    assert (before["offer"], drafted["offer"]) == (None, None)
    assert (told["shown"], told["agreed"], told["offered"]) == (1, 1, 2)
    assert (told["gross"], told["draft"]) == (before["gross"], None)
    offer = staff.get(f"/v1/quotes/{id}/revisions/2")
    head = {name: value for name, value in offer.items() if name not in ("request", "quote")}
    assert (head["state"], head["gross"]) == ("issued", drafted["draft"]["gross"])
    (listed,) = staff.get("/v1/quotes")["items"]
    for answer in (told, staff.get(f"/v1/quotes/{id}"), listed):
        assert answer["offer"] == head

    again = staff.act(id, "revise", more)
    assert (again["offer"]["revision"], again["draft"]["revision"]) == (2, 3)
    yes = {"revision": 2, "who": "A. Customer", "means": "telephone"}
    agreed = staff.act(id, "accept", yes)
    assert (agreed["offer"], agreed["shown"], agreed["gross"]) == (None, 2, head["gross"])


def test_offer_that_is_shown_stands_nowhere_else(staff: Staff) -> None:
    told = staff.get(f"/v1/quotes/{staff.issued()}")

    assert (told["offered"], told["shown"], told["offer"]) == (1, 1, None)


def test_issued_revision_never_changes(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001
    path = f"/v1/quotes/{id}/revisions/1"
    before = staff.client.get(path).json()

    staff.act(id, "revise", {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]})
    staff.act(id, "issue")

    after = staff.client.get(path)
    assert after.json() == {**before, "state": "superseded"}
    assert before["sha256"] is not None
    msgspec.json.decode(after.content, type=shown(RevisionOut)[0])
    assert staff.get(f"/v1/quotes/{id}")["offered"] == 2


def test_compared_revision_names_each_line_that_differs(staff: Staff) -> None:
    id = staff.issued(diagnostic_done=True)  # noqa: A001
    kept = staff.client.get(f"/v1/quotes/{id}").content
    service = staff.counter.desk.service
    catalogue, shop = service.workshop.catalogue, service.workshop.shop
    dearer = structs.replace(
        shop,
        labour=structs.replace(shop.labour, rates={k: v * 2 for k, v in shop.labour.rates.items()}),
    )
    told = staff.get(f"/v1/quotes/{id}/revisions/1/difference")
    assert told["lines"] == []
    assert told["gross"]["was"] == told["gross"]["now"]

    service.workshop = type(service.workshop)(catalogue, dearer)
    try:
        told = staff.get(f"/v1/quotes/{id}/revisions/1/difference")
    finally:
        service.workshop = type(service.workshop)(catalogue, shop)

    lines = {(line["kind"], line["code"]): line for line in told["lines"]}
    assert any(kind == "labour" for kind, _ in lines)
    assert all(line["was"] != line["now"] for line in lines.values())
    assert told["same"] > 0
    assert float(told["gross"]["now"]["amount"]) > float(told["gross"]["was"]["amount"])
    assert staff.client.get(f"/v1/quotes/{id}").content == kept


def test_copied_quote_asks_the_same_today(staff: Staff) -> None:
    id = staff.issued(discounts=[{"reason": "regular", "by": "Owner", "percent": "5"}])  # noqa: A001
    staff.counter.clock.pass_days(3)

    copy = staff.done(f"/v1/quotes/{id}/copy").json()

    source = staff.get(f"/v1/quotes/{id}")
    assert copy["id"] != id
    assert copy["state"] == "draft"
    assert copy["request"] == {**source["request"], "on": "2027-03-04"}
    assert copy["gross"] == source["gross"]
    history = staff.get(f"/v1/quotes/{copy['id']}/history")["items"]
    assert history[0]["facts"]["copy_of"] == int(id[1:])


def test_found_quotes_come_in_pages_newest_first(staff: Staff) -> None:
    ids = [staff.quote() for _ in range(5)]
    found: list[str] = []
    path = "/v1/quotes?limit=2"
    while path:
        answer = staff.client.get(path)
        found += [one["id"] for one in answer.json()["items"]]
        links = answer.headers.get("Link", "")
        path = links.partition(">")[0].lstrip("<") if 'rel="next"' in links else ""

    assert found == ids[::-1]


def test_found_quotes_meet_every_filter(staff: Staff) -> None:
    first = staff.issued()
    staff.counter.clock.pass_days(2)
    second = staff.quote(serial=2140078)

    def ids(**parameters: Any) -> list[str]:
        return [one["id"] for one in staff.get("/v1/quotes", **parameters)["items"]]

    assert ids(state="issued") == [first]
    assert ids(state="issued,draft") == [second, first]
    assert ids(to="2027-03-01") == [first]
    assert ids(**{"from": "2027-03-02"}) == [second]
    assert ids(q="2140078") == [second]
    assert ids(q="21400") == [second, first]
    assert ids(q="no such") == []
    assert ids(q='"*" OR NEAR(') == []


@pytest.mark.parametrize(
    "query",
    ["state=open", "limit=0", "limit=many", "from=yesterday", "cursor=xx", "q=a&q=b", "customer=7"],
)
def test_found_quotes_refuse_what_is_no_filter(staff: Staff, query: str) -> None:
    assert sound_problem(staff.client.get(f"/v1/quotes?{query}"))["code"] == "query-invalid"


@pytest.mark.parametrize("id", ["Q9", "Q0", "Q", "q1", "Q1x", "Q" + "9" * 40, "C1", "Q%00"])
def test_unknown_quote_is_not_found(staff: Staff, id: str) -> None:  # noqa: A002
    staff.quote()

    assert sound_problem(staff.client.get(f"/v1/quotes/{id}"))["status"] == 404


def test_offer_runs_out_where_the_shop_is(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001
    until = staff.get(f"/v1/quotes/{id}")["valid_until"]
    assert until == "2027-03-15"
    # 05:30 UTC on the 16th is 23:30 on the 15th in Denver
    staff.counter.clock.now = staff.counter.clock.now.replace(day=16, hour=5, minute=30)
    assert staff.get(f"/v1/quotes/{id}")["state"] == "issued"

    staff.counter.clock.now = staff.counter.clock.now.replace(hour=6, minute=30)

    told = staff.get(f"/v1/quotes/{id}")
    assert (told["state"], told["offered"]) == ("expired", None)
    yes = {"revision": 1, "who": "A. Customer", "means": "telephone"}
    refused = staff.refused(f"/v1/quotes/{id}/accept", yes, staff.tag(id))
    assert refused["errors"][0]["code"] == "quote-expired"


def test_quote_without_tax_area_is_not_issued(staff: Staff) -> None:
    id = staff.quote(tax_area=None)  # noqa: A001

    refused = staff.refused(f"/v1/quotes/{id}/issue", None, staff.tag(id))

    assert refused["errors"][0]["code"] == "tax-not-known"


def test_copy_leaves_the_complaint_behind(staff: Staff) -> None:
    asked = {
        "family": "QM-H27",
        "jobs": [{"job": "J-LASH", "cylinder": 1}],
        "complaint": "Rattles.\nAnd smokes.",
    }
    first = staff.done("/v1/quotes", asked).json()
    assert first["quote"]["complaint"] == first["request"]["complaint"] == asked["complaint"]

    other = staff.done(f"/v1/quotes/{first['id']}/copy").json()

    assert (other["quote"]["complaint"], other["request"]["complaint"]) == (None, None)
