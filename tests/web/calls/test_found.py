"""What is found once the work is agreed: a change order, and nothing before consent."""

import hashlib
from decimal import Decimal
from html import unescape
from typing import Any

import pytest
from tests.documents.printed import text as pdf_text
from tests.web.calls.conftest import Staff
from tests.web.calls.shop import png
from tests.web.calls.test_retaining import collect, outlast_warranty, settle

from kitwright.web.calls import found

AT_STEP = {
    "step": "hand 1",
    "what": "The stud's thread is stripped.",
    "why": "It would not hold the new gasket.",
    "by": "R. Okafor",
}
INSERT = {
    "description": "Thread insert",
    "kind": "part",
    "quantity": "1",
    "unit": "C62",
    "unit_price": "12.50",
    "reason": "Stripped.",
    "by": "R. Okafor",
}


HTML = {"Accept": "text/html"}


def in_work(staff: Staff, **members: Any) -> str:
    id = staff.accepted(**members)  # noqa: A001
    staff.supplied(id)
    staff.act(id, "start")
    return id


def first_step(staff: Staff, id: str) -> str:  # noqa: A002
    steps = staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]["work_plan"]["steps"]
    return str(steps[0]["step"])


def contingency_of(staff: Staff, id: str) -> Any:  # noqa: A002
    """Return a contingency of a quote that brings jobs, and that nothing has to be found before."""
    found = staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]["contingencies"]["each"]
    return next(one for one in found if one["jobs"] and one["after"] is None)


def find(staff: Staff, id: str, **members: Any) -> Any:  # noqa: A002
    body = {**AT_STEP, "step": first_step(staff, id), **members}
    return staff.done(f"/v1/quotes/{id}/found", body, staff.tag(id)).json()


def errors(staff: Staff, id: str, **members: Any) -> list[str]:  # noqa: A002
    body = {**AT_STEP, "step": first_step(staff, id), **members}
    told = staff.refused(f"/v1/quotes/{id}/found", body, staff.tag(id))
    return [one["code"] for one in told["errors"]]


def amount(told: Any) -> Decimal:
    return Decimal(told["amount"])


def test_contingency_that_is_found_becomes_an_offer(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    before = staff.get(f"/v1/quotes/{id}")
    turned_up = contingency_of(staff, id)
    place = {name: turned_up[name] for name in ("contingency", "cylinder")}

    made = find(staff, id, step=None, contingency=place)

    change = made["change"]
    assert made["revision"] == 2
    assert change["was"] == before["gross"]
    assert change["difference"] == turned_up["price"]
    assert amount(change["by_prices"]) == 0
    assert amount(change["now"]) == amount(change["was"]) + amount(change["difference"])
    (told,) = change["finds"]
    assert (told["name"], told["what"]) == (turned_up["name"], AT_STEP["what"])
    after = staff.get(f"/v1/quotes/{id}")
    # nothing is committed: what was agreed stays what counts
    assert (after["state"], after["agreed"], after["offered"]) == ("in_work", 1, 2)
    assert after["gross"] == before["gross"]
    assert after["quote"]["change"] is None
    assert after["offer"]["gross"] == change["now"]
    kinds = [event["kind"] for event in staff.get("/v1/events", limit=200)["items"][-3:]]
    assert kinds == ["quote.revised", "quote.issued", "quote.found"]


def test_customer_agrees_by_link_to_the_new_total_and_limit(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    made = find(staff, id, free_lines=[INSERT])
    link = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()
    shown = staff.client.get(link["path"], headers={"Accept": "application/json"}).json()

    change = shown["quote"]["change"]
    assert change["now"] == made["change"]["now"]
    # names of the shop's own people, and the bench's ids, are the shop's
    assert set(change["finds"][0]) == {
        "contingency",
        "name",
        "cylinder",
        "what",
        "why",
        "readings",
        "photographs",
    }
    staff.done(f"{link['path']}/accept", {"who": "A. Customer"})

    agreed = staff.get(f"/v1/quotes/{id}")
    assert (agreed["agreed"], agreed["gross"]) == (2, made["change"]["now"])
    limit = staff.get(f"/v1/quotes/{id}/authorisations")["limit"]
    assert limit["authorised"] == made["change"]["limit"]


def test_contingency_of_parts_alone_becomes_an_offer(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    listed = staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]["contingencies"]["each"]
    row = next(one for one in listed if not one["jobs"] and one["parts"] and one["after"] is None)
    turned_up = {"contingency": row["contingency"], "cylinder": row["cylinder"]}

    made = find(staff, id, contingency=turned_up)

    assert amount(made["change"]["difference"]) == amount(row["price"])
    offered = staff.get(f"/v1/quotes/{id}/revisions/2")["quote"]
    needed = {(need["role"], need["cylinder"]) for need in offered["kit"]["needs"]}
    assert {(part["role"], part["cylinder"]) for part in row["parts"]} <= needed
    staff.act(id, "accept", {"revision": 2, "who": "A. Customer", "means": "telephone"})
    again = find(staff, id, free_lines=[INSERT])
    later = staff.get(f"/v1/quotes/{id}/revisions/{again['revision']}")["quote"]
    assert needed <= {(need["role"], need["cylinder"]) for need in later["kit"]["needs"]}


@pytest.mark.parametrize("means", ["link", "counter"])
def test_change_below_the_limit_that_was_named_keeps_it(staff: Staff, means: str) -> None:
    id = in_work(staff, limit="2000.00")  # noqa: A001

    made = find(staff, id, free_lines=[INSERT])

    assert made["change"]["limit"]["amount"] == "2000.00"
    if means == "link":
        link = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()
        staff.done(f"{link['path']}/accept", {"who": "A. Customer"})
    else:
        yes = {"revision": 2, "who": "A. Customer", "means": "telephone"}
        staff.act(id, "accept", yes)
        # said again, it changes nothing
        staff.act(id, "accept", yes)
    limit = staff.get(f"/v1/quotes/{id}/authorisations")["limit"]
    assert limit["authorised"]["amount"] == "2000.00"


def test_what_is_declined_leaves_the_agreement(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    before = staff.get(f"/v1/quotes/{id}")
    find(staff, id, free_lines=[INSERT])
    assert "finish" not in staff.get(f"/v1/quotes/{id}")["acts"]

    staff.act(id, "decline", {"revision": 2})

    after = staff.get(f"/v1/quotes/{id}")
    assert (after["agreed"], after["gross"]) == (1, before["gross"])
    staff.act(id, "finish")


def test_second_find_is_added_to_the_one_on_offer(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    first = find(staff, id, free_lines=[INSERT])
    second = find(staff, id, what="A second thread.", free_lines=[INSERT])

    finds = second["change"]["finds"]
    assert [one["what"] for one in finds] == [AT_STEP["what"], "A second thread."]
    assert second["change"]["was"] == first["change"]["was"]
    assert amount(second["change"]["difference"]) == 2 * amount(first["change"]["difference"])
    states = [one["state"] for one in staff.get(f"/v1/quotes/{id}/revisions")["items"]]
    assert states == ["accepted", "superseded", "issued"]


def test_additions_are_in_what_was_agreed(staff: Staff) -> None:
    id = in_work(staff, limit="5000.00")  # noqa: A001
    more = {"description": "a hose", "kind": "part", "net": "10.00"}
    staff.done(f"/v1/quotes/{id}/additions", more, staff.tag(id))
    before = staff.get(f"/v1/quotes/{id}")["gross"]

    change = find(staff, id, free_lines=[INSERT])["change"]

    assert change["was"] == before
    assert amount(change["by_prices"]) == 0
    alone = in_work(staff)
    assert change["difference"] == find(staff, alone, free_lines=[INSERT])["change"]["difference"]


def test_trial_records_nothing(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    before = staff.get(f"/v1/quotes/{id}")

    made = find(staff, id, free_lines=[INSERT], trial=True)

    assert made["revision"] is None
    assert amount(made["change"]["difference"]) > 0
    assert staff.get(f"/v1/quotes/{id}") == before
    assert len(staff.get(f"/v1/quotes/{id}/revisions")["items"]) == 1


def photographed(staff: Staff, id: str, shade: int = 0) -> Any:  # noqa: A002
    """Add a photo to a quote; return it."""
    return staff.client.post(
        f"/v1/quotes/{id}/photos?subject=finding&code=plug_oil",
        content=png(shade),
        headers={"Content-Type": "image/png", "Idempotency-Key": f'"photo-{shade}"'},
    ).json()


def test_customer_sees_the_photographs_of_what_was_found(staff: Staff) -> None:
    id, other = in_work(staff), in_work(staff)  # noqa: A001
    shown, hidden = photographed(staff, id), photographed(staff, id, 9)
    foreign = photographed(staff, other, 20)
    find(staff, id, free_lines=[INSERT], photographs=[shown["id"]])
    path = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]
    customer = staff.client
    del customer.headers["Authorization"]

    page = customer.get(path, headers={"Accept": "text/html"}).text
    answer = customer.get(f"{path}/photos/{shown['id']}")

    token = path.rpartition("/")[2]
    assert f'href="{token}/photos/{shown["id"]}"' in page
    assert answer.status_code == 200
    assert answer.headers["Content-Type"] == "image/png"
    assert hashlib.sha256(answer.content).hexdigest() == shown["sha256"]
    for one in (hidden, foreign):
        assert customer.get(f"{path}/photos/{one['id']}").status_code == 404
    assert customer.get(f"/v1/photos/{shown['id']}/file").status_code == 401


def test_offer_that_has_ended_shows_no_photographs(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    shown = photographed(staff, id)
    find(staff, id, free_lines=[INSERT], photographs=[shown["id"]])
    path = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]
    staff.act(id, "withdraw")

    assert staff.client.get(f"{path}/photos/{shown['id']}").status_code == 410


def test_readings_and_photographs_are_kept_with_the_find(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    taken = photographed(staff, id)
    reading = {"what": "Journal", "value": "34.92", "unit": "mm"}

    made = find(staff, id, free_lines=[INSERT], readings=[reading], photographs=[taken["id"]])

    (told,) = made["change"]["finds"]
    assert (told["readings"], told["photographs"]) == ([reading], [taken["id"]])


def test_job_that_a_find_calls_for_can_not_be_left_out_of_the_change(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    turned_up = contingency_of(staff, id)
    place = {name: turned_up[name] for name in ("contingency", "cylinder")}
    made = find(staff, id, step=None, contingency=place, jobs=[{"job": "J-OIL"}])
    quote = staff.get(f"/v1/quotes/{id}/revisions/2")["quote"]
    stays = {(job["job"], job["cylinder"]): job["stays"] for job in quote["jobs"]}

    for job in (*turned_up["jobs"], {"job": "J-OIL", "cylinder": None}):
        reason = stays[job["job"], job["cylinder"]]
        assert reason["code"] == "needed-by-find"
        left = [{"job": job["job"], "cylinder": job["cylinder"]}]
        body = {"revision": made["revision"], "leave_out": left}
        told = staff.refused(f"/v1/quotes/{id}/choice", body)
        assert told["errors"][0]["code"] == "job-stays"
        assert "Without it, what was found stays as it is." in told["detail"]


@pytest.mark.parametrize(
    ("members", "code"),
    [
        ({"free_lines": [INSERT], "step": None}, "found-nowhere"),
        ({"free_lines": [INSERT], "step": "off nothing"}, "unknown-step"),
        (
            {"step": None, "contingency": {"contingency": "cracked-moon"}, "free_lines": [INSERT]},
            "no-such-contingency",
        ),
        ({"free_lines": [INSERT], "photographs": ["P99"]}, "no-such-photo"),
        ({}, "nothing-added"),
        ({"jobs": [{"job": "J-NOTHING"}]}, "unknown-job"),
    ],
)
def test_what_can_not_be_found_is_refused(staff: Staff, members: Any, code: str) -> None:
    id = in_work(staff)  # noqa: A001

    assert errors(staff, id, **members) == [code]


def test_change_has_a_limited_number_of_finds(
    staff: Staff, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(found, "MOST_FINDS", 1)
    id = in_work(staff)  # noqa: A001
    find(staff, id, free_lines=[INSERT])

    assert errors(staff, id, free_lines=[INSERT]) == ["too-many-finds"]

    staff.act(id, "accept", {"revision": 2, "who": "A. Customer", "means": "telephone"})
    change = find(staff, id, free_lines=[INSERT])["change"]
    # what was agreed to is no news, and its price is in what was agreed
    assert (change["agreed"], len(change["finds"])) == (2, 1)
    assert amount(change["by_prices"]) == 0


def test_nothing_is_found_before_the_yes(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001

    assert "found" not in staff.get(f"/v1/quotes/{id}")["acts"]
    assert errors(staff, id, free_lines=[INSERT]) == ["not-in-this-state"]


def test_request_can_not_name_a_change(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    find(staff, id, free_lines=[INSERT])
    asked = staff.get(f"/v1/quotes/{id}/revisions/2")["request"]
    assert asked["change"]["agreed"] == 1

    staff.act(id, "revise", asked)

    assert staff.get(f"/v1/quotes/{id}/revisions/3")["quote"]["change"] is None


def test_words_about_a_find_are_erased_with_its_customer(staff: Staff) -> None:
    customer = staff.done("/v1/customers", {"name": "Maud Ferrier"}).json()["id"]
    id = in_work(staff, customer=customer)  # noqa: A001
    reading = {"what": "Sorrel's journal", "value": "34.92", "unit": "mm"}
    find(staff, id, what="Fennel's stud.", why="Borage.", free_lines=[INSERT], readings=[reading])
    staff.act(id, "decline", {"revision": 2})
    staff.act(id, "finish")
    settle(staff, id)
    collect(staff, id)
    outlast_warranty(staff)
    path = f"/v1/quotes/{id}/revisions/2"
    assert "Fennel" in staff.client.get(path).text

    tag = staff.client.get(f"/v1/customers/{customer}").headers["ETag"]
    staff.done(f"/v1/customers/{customer}/erase", None, tag)

    told = staff.client.get(path).text
    assert not [word for word in ("Fennel", "Borage", "Sorrel", "Okafor") if word in told]
    assert "34.92" in told


def test_documents_of_a_change_say_why_and_what_a_no_leaves(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    agreed = staff.get(f"/v1/quotes/{id}")["gross"]["amount"]
    find(staff, id, free_lines=[INSERT])
    link = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]

    page = unescape(staff.client.get(link, headers=HTML).text)
    paper = staff.client.get(link, headers={"Accept": "application/pdf"}).content
    staff.done(f"{link}/decline", {"reason": "Too much."})
    declined = unescape(staff.client.get(link, headers=HTML).text)

    assert AT_STEP["what"] in page
    for told in (page, " ".join(pdf_text(paper).split()), declined):
        assert f"What you agreed to before, ${agreed}, still holds." in " ".join(told.split())
    assert "return your machine" not in pdf_text(paper)
    assert "You owe" not in declined


def test_change_says_the_day_told_before_and_the_new_one(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    before = staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]["ready_on"]
    made = find(staff, id, free_lines=[INSERT])
    kept = staff.get(f"/v1/quotes/{id}/revisions/2")["quote"]
    path = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]
    shown = staff.client.get(path, headers={"Accept": "application/json"}).json()
    page = unescape(staff.client.get(path, headers=HTML).text)

    change = made["change"]
    assert before is not None
    assert (change["was_ready_on"], change["ready_on"]) == (before, kept["ready_on"])
    assert shown["change"]["ready_on"] == kept["ready_on"]
    assert shown["quote"]["change"] == shown["change"]
    assert "by" not in shown["change"]["finds"][0]
    words = ("as before", "nothing more is found")
    assert all(word in page for word in words) or "instead of" in page


def test_revision_after_the_yes_says_what_it_changes(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    agreed = staff.get(f"/v1/quotes/{id}")
    request = staff.get(f"/v1/quotes/{id}/revisions/1")["request"]
    more = {**request, "free_lines": [INSERT]}
    staff.act(id, "revise", more)
    staff.act(id, "issue")
    path = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]
    shown = staff.client.get(path, headers={"Accept": "application/json"}).json()

    change = shown["change"]
    assert shown["quote"]["change"] is None
    assert (change["was"], change["finds"]) == (agreed["gross"], [])
    assert change["now"] == shown["quote"]["totals"]["gross"]
    assert amount(change["difference"]) == amount(change["now"]) - amount(change["was"])
    assert change["was_ready_on"] == agreed["quote"]["ready_on"]
