"""What is authorised: exactly one revision, an amount and a limit; and what may be added to it."""

from typing import Any

import pytest
from msgspec import structs
from tests.web.calls.conftest import Staff

from kitwright.language.scribe import Scribe

YES = {"revision": 1, "who": "A. Customer", "means": "telephone", "contact": "202-555-0142"}


def authorised(staff: Staff, id: str) -> Any:  # noqa: A002
    """Return what was authorised of a quote."""
    return staff.get(f"/v1/quotes/{id}/authorisations")


def test_yes_is_bound_to_one_revision_and_its_amount(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001
    gross = staff.get(f"/v1/quotes/{id}")["gross"]
    revision = staff.get(f"/v1/quotes/{id}/revisions/1")

    staff.act(id, "accept", {**YES, "amount": gross["amount"], "limit": "500.00"})

    told = authorised(staff, id)
    (given,) = told["authorisations"]
    assert given["revision"] == 1
    assert given["who"] == "A. Customer"
    assert (given["means"], given["contact"]) == ("telephone", "202-555-0142")
    assert (given["amount"], given["limit"]["amount"]) == (gross, "500.00")
    assert given["includes_tax"] is True
    assert given["sha256"] == revision["sha256"]
    assert Scribe("en").money(gross["amount"], gross["currency"]) in given["text"]
    assert told["limit"]["committed"] == gross
    assert told["limit"]["left"]["amount"] == f"{500 - float(gross['amount']):.2f}"


def test_yes_may_be_without_tax(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001

    staff.act(id, "accept", {**YES, "includes_tax": False})

    (given,) = authorised(staff, id)["authorisations"]
    assert given["amount"] == staff.get(f"/v1/quotes/{id}")["net"]
    assert given["includes_tax"] is False


@pytest.mark.parametrize(
    ("members", "pointer"),
    [
        ({"limit": "600.00"}, "/limit"),
        ({"limit": None}, "/limit"),
        ({"who": "B. Customer"}, "/who"),
        ({"means": "email"}, "/means"),
        ({"contact": "202-555-0199"}, "/contact"),
        ({"includes_tax": False}, "/includes_tax"),
        ({"amount": "1.00"}, "/amount"),
        ({"text": "I agree to something else."}, "/text"),
    ],
)
def test_yes_on_other_terms_than_those_agreed_is_refused(
    staff: Staff, members: dict[str, Any], pointer: str
) -> None:
    id = staff.issued()  # noqa: A001
    gross = staff.get(f"/v1/quotes/{id}")["gross"]["amount"]
    yes = {**YES, "limit": "500.00"}
    staff.act(id, "accept", yes)
    before = authorised(staff, id)

    refused = staff.refused(f"/v1/quotes/{id}/accept", {**yes, **members}, staff.tag(id))

    (error,) = refused["errors"]
    assert (refused["status"], error["code"]) == (409, "agreed-otherwise")
    assert error["pointer"] == pointer
    assert f"{gross}, with a limit of 500.00 USD, including tax" in error["detail"]
    assert authorised(staff, id) == before
    for same in (yes, {**yes, "amount": gross, "at": None, "contact": None}):
        assert staff.act(id, "accept", same)["state"] == "accepted"
    assert authorised(staff, id) == before


@pytest.mark.parametrize(
    ("members", "code", "pointer"),
    [
        ({"amount": "1.00"}, "amount-differs", "/amount"),
        ({"limit": "1.00"}, "limit-below-amount", "/limit"),
        ({"revision": 2}, "no-such-revision", ""),
        ({"at": "2027-02-28T10:00:00Z"}, "authorisation-time-invalid", "/at"),
        ({"at": "2027-03-02T10:00:00Z"}, "authorisation-time-invalid", "/at"),
    ],
)
def test_yes_to_something_else_is_refused(
    staff: Staff, members: dict[str, Any], code: str, pointer: str
) -> None:
    id = staff.issued()  # noqa: A001

    told = staff.refused(f"/v1/quotes/{id}/accept", {**YES, **members}, staff.tag(id))

    assert [(one["code"], one["pointer"]) for one in told["errors"]] == [(code, pointer)]
    assert staff.get(f"/v1/quotes/{id}")["state"] == "issued"


@pytest.mark.parametrize("amount", ["0", "-5.00", "1.001"])
def test_amount_that_no_bill_has_is_refused(staff: Staff, amount: str) -> None:
    id = staff.issued()  # noqa: A001

    told = staff.refused(f"/v1/quotes/{id}/accept", {**YES, "limit": amount}, staff.tag(id))

    assert [(one["code"], one["pointer"]) for one in told["errors"]] == [
        ("amount-invalid", "/limit")
    ]


def test_yes_to_an_old_revision_names_the_new_one(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001
    staff.act(id, "revise", {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]})
    staff.act(id, "issue")

    told = staff.refused(f"/v1/quotes/{id}/accept", YES, staff.tag(id))

    (error,) = told["errors"]
    assert error["code"] == "other-revision-offered"
    assert "revision 2 is" in error["detail"]


def test_addition_goes_on_until_the_limit(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    gross = float(staff.get(f"/v1/quotes/{id}")["gross"]["amount"])
    other = staff.accepted(limit=f"{gross + 20:.2f}")

    first = staff.act(
        other, "additions", {"description": "Fuel line", "kind": "part", "amount": "15.00"}
    )
    second = staff.act(
        other, "additions", {"description": "Clamps", "kind": "part", "amount": "5.01"}
    )
    third = staff.act(
        other, "additions", {"description": "Clamps", "kind": "part", "amount": "5.00"}
    )
    none = staff.act(id, "additions", {"description": "Clamps", "kind": "part", "amount": "0.01"})

    assert [one["decision"] for one in (first, second, third, none)] == ["go", "stop", "go", "stop"]
    assert first["limit"]["left"]["amount"] == "5.00"
    assert second["over_by"]["amount"] == "0.01"
    assert second["addition"] is None
    assert second["consent"]["up_to"]["amount"] == f"{gross + 20.01:.2f}"
    assert first["text"] == "Go: $5.00 including tax will remain of the authorised amount."
    most = Scribe("en").money(f"{gross + 20.01:.2f}", "USD")
    assert second["text"].startswith("Stop: this is $0.01 more than the customer authorised.")
    assert f"consent to {most} including tax, on a revision" in second["text"]
    assert third["limit"]["left"]["amount"] == "0.00"
    told = authorised(staff, other)
    assert [one["amount"]["amount"] for one in told["additions"]] == ["15.00", "5.00"]
    limit = {name: float(told["limit"][name]["amount"]) for name in ("spent", "committed", "left")}
    assert sum(limit.values()) == pytest.approx(float(told["limit"]["authorised"]["amount"]))


def test_addition_on_trial_records_nothing(staff: Staff) -> None:
    id = staff.accepted(limit="1000.00")  # noqa: A001
    tag = staff.tag(id)

    told = staff.act(
        id, "additions", {"description": "Belt", "kind": "part", "amount": "9.00", "trial": True}
    )

    assert (told["decision"], told["addition"]) == ("go", None)
    assert staff.tag(id) == tag
    assert authorised(staff, id)["additions"] == []


def test_shop_preset_raises_the_limit(staff: Staff) -> None:
    desk = staff.counter.desk
    workshop = desk.service.workshop
    preset = next(one for one in workshop.catalogue.overruns if "massachusetts" in one)
    chosen = structs.replace(workshop.shop, overrun=preset)
    id = staff.issued()  # noqa: A001
    desk.service.workshop = type(workshop)(workshop.catalogue, chosen)
    try:
        staff.act(id, "accept", YES)
    finally:
        desk.service.workshop = workshop

    (given,) = authorised(staff, id)["authorisations"]
    # Massachusetts, 940 CMR 5.05: 10 USD over the estimate
    assert float(given["limit"]["amount"]) == pytest.approx(float(given["amount"]["amount"]) + 10)


def test_new_agreement_takes_the_place_of_the_old(staff: Staff) -> None:
    id = staff.accepted(limit="1000.00")  # noqa: A001
    staff.act(id, "additions", {"description": "Belt", "kind": "part", "amount": "9.00"})
    staff.counter.clock.pass_days(1)
    staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]})
    staff.act(id, "start")
    more = {
        "family": "QM-H27",
        "serial": 2140077,
        "chassis": "PW-G5",
        "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
        "add_jobs": [{"job": "J-BREATHER"}],
    }
    staff.act(id, "revise", more)
    offered = staff.act(id, "issue")
    assert (offered["state"], offered["agreed"], offered["offered"]) == ("in_work", 1, 2)
    refused = staff.refused(f"/v1/quotes/{id}/finish", None, staff.tag(id))
    assert refused["errors"][0]["code"] == "not-in-this-state"
    assert "revision 2 is on offer" in refused["errors"][0]["detail"]
    assert "finish" not in offered["acts"]

    accepted = staff.act(id, "accept", {**YES, "revision": 2})

    assert (accepted["state"], accepted["agreed"], accepted["offered"]) == ("in_work", 2, None)
    limit = authorised(staff, id)["limit"]
    assert limit["revision"] == 2
    assert limit["spent"]["amount"] == "0.00"
    states = [one["state"] for one in staff.get(f"/v1/quotes/{id}/revisions")["items"]]
    assert states == ["superseded", "accepted"]


def test_finish_names_the_draft_that_it_leaves_behind(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    staff.supplied(id)
    staff.act(id, "start")
    staff.act(id, "revise", {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]})

    done = staff.act(id, "finish")

    assert (done["state"], done["agreed"], done["revision"]) == ("done", 1, 2)
    states = [one["state"] for one in staff.get(f"/v1/quotes/{id}/revisions")["items"]]
    assert states == ["accepted", "superseded"]
    facts = staff.get(f"/v1/quotes/{id}/history")["items"][-1]["facts"]
    assert (facts["revision"], facts["superseded"]) == (1, 2)


def test_second_order_asks_only_for_what_is_new(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    first = staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]}).json()["items"]
    more = {
        "family": "QM-H27",
        "serial": 2140077,
        "chassis": "PW-G5",
        "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
        "add_jobs": [{"job": "J-BREATHER"}],
    }
    staff.act(id, "revise", more)
    staff.act(id, "issue")
    staff.act(id, "accept", {**YES, "revision": 2})

    second = staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 2}]}).json()
    third = staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 2}]}).json()

    def packs(orders: Any) -> dict[tuple[str, str], int]:
        found: dict[tuple[str, str], int] = {}
        for one in orders:
            for line in one["order"]["lines"]:
                key = (one["order"]["supplier"], line["sku"])
                found[key] = found.get(key, 0) + line["packs"]
        return found

    planned = packs([{"order": one} for one in staff.get(f"/v1/quotes/{id}")["quote"]["orders"]])
    both = packs([*first, *second["items"]])
    surplus = {(one["supplier"], one["sku"]): one["packs"] for one in second["surplus"]}
    assert third["items"] == []
    assert packs(second["items"])
    assert both == {
        key: planned.get(key, 0) + surplus.get(key, 0) for key in planned.keys() | surplus.keys()
    }
    for one in second["items"]:
        nets = sum(float(line["net"]["amount"]) for line in one["order"]["lines"])
        assert nets == pytest.approx(float(one["order"]["goods"]["amount"]))


def test_work_needs_its_parts_ordered(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001

    told = staff.refused(f"/v1/quotes/{id}/start", None, staff.tag(id))

    assert "parts orders not yet placed: " in told["errors"][0]["detail"]


def test_parts_are_ordered_for_the_agreed_revision_only(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001

    told = staff.refused("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]})

    assert [(one["code"], one["pointer"]) for one in told["errors"]] == [
        ("not-agreed", "/revisions/0/revision")
    ]


def test_addition_after_a_revision_was_made_counts_for_its_agreement(staff: Staff) -> None:
    id = staff.accepted(limit="1000.00")  # noqa: A001
    staff.act(id, "additions", {"description": "Belt", "kind": "part", "amount": "9.00"})
    staff.counter.clock.pass_days(1)
    more = {
        "family": "QM-H27",
        "serial": 2140077,
        "chassis": "PW-G5",
        "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
        "add_jobs": [{"job": "J-BREATHER"}],
    }
    staff.act(id, "revise", more)
    staff.act(id, "issue")
    staff.counter.clock.pass_days(1)
    staff.act(id, "additions", {"description": "Fuel line", "kind": "part", "amount": "100.00"})

    staff.act(id, "accept", {**YES, "revision": 2})

    # the belt is in the revision's figures, the fuel line came too late for them
    assert authorised(staff, id)["limit"]["spent"]["amount"] == "100.00"
