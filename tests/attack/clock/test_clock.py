"""No jump of the clock, ahead or behind, loses an offer, refuses a customer in time or confuses the
feed: a shop's day at random over HTTP, with a clock that jumps between any two calls.
"""

from __future__ import annotations

import os
import random
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from tests.web.calls.conftest import Staff

TRUE = datetime(2027, 3, 1, 12, tzinfo=UTC)
JUMPS = (
    *(timedelta(days=days) for days in (-400, -30, -2, 2, 20, 45, 400, 3_650)),
    *(timedelta(seconds=seconds) for seconds in (-86_400, -3_601, -1, 1, 3_601)),
)
DAYS = 40 if os.environ.get("KITWRIGHT_LONG") == "1" else 4
CALLS = 25
YES = {"revision": 1, "who": "A. Customer", "means": "telephone"}


def at(staff: Staff, moment: datetime) -> None:
    staff.counter.clock.now = moment


def feed(staff: Staff) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    while page := staff.get("/v1/events", after=found[-1]["seq"] if found else 0)["items"]:
        found += page
    return found


@pytest.mark.parametrize("seed", range(DAYS))
def test_clock_that_jumps_harms_no_offer(staff: Staff, seed: int) -> None:
    chance, offers, agreed = random.Random(seed), dict[str, datetime](), list[str]()
    for _ in range(CALLS):
        wrong = TRUE + chance.choice(JUMPS)
        at(staff, chance.choice((TRUE, wrong)))
        act = chance.choice(("quote", "read", "list", "accept early"))
        if act == "quote":
            # issued at the true time, whatever the clock says before and after
            at(staff, TRUE)
            offers[staff.issued()] = TRUE
        elif act == "list":
            # a reader expires nothing for good
            staff.get("/v1/quotes", state="issued")
            staff.get("/v1/quotes", state="expired")
        elif offers:
            quote = chance.choice(sorted(offers))
            at(staff, wrong)
            if act == "read":
                assert staff.get(f"/v1/quotes/{quote}")["shown"] == 1
                continue
            answer = staff.post(f"/v1/quotes/{quote}/accept", YES, staff.tag(quote))
            if answer.is_success:
                agreed.append(quote)
                given = staff.get(f"/v1/quotes/{quote}/authorisations")["authorisations"]
                # nobody agrees before there is an offer
                assert datetime.fromisoformat(given[0]["at"]) >= offers.pop(quote)
            else:
                assert answer.json()["errors"][0]["code"] == "quote-expired"
                assert wrong > TRUE

    at(staff, TRUE)
    for quote in sorted(offers):
        assert staff.get(f"/v1/quotes/{quote}")["state"] == "issued"
        assert staff.act(quote, "accept", YES)["state"] == "accepted"
    for quote in agreed:
        assert staff.get(f"/v1/quotes/{quote}")["state"] == "accepted"
    events = feed(staff)
    assert [one["seq"] for one in events] == [*range(1, len(events) + 1)]
    accepted = [one["subject"] for one in events if one["kind"] == "quote.accepted"]
    assert sorted(accepted) == sorted([*offers, *agreed])


@pytest.mark.parametrize("jump", JUMPS)
def test_clock_that_jumps_between_a_call_and_its_repetition_does_it_once(
    staff: Staff, jump: timedelta
) -> None:
    asked = {"family": "QM-H27", "jobs": [{"job": "J-PLUG", "cylinder": 1}], "chassis": "PW-G5"}
    headers = {"Idempotency-Key": '"once"'}
    first = staff.client.post("/v1/quotes", json=asked, headers=headers)
    at(staff, TRUE + jump)
    again = staff.client.post("/v1/quotes", json=asked, headers=headers)

    assert first.status_code == 201, first.text
    # an answer is kept for a day
    assert (again.json()["id"] == first.json()["id"]) is (jump < timedelta(days=1))


@pytest.mark.parametrize("jump", JUMPS)
def test_link_works_again_once_the_clock_is_right(staff: Staff, jump: timedelta) -> None:
    quote = staff.issued()
    link = staff.done(f"/v1/quotes/{quote}/links", {"days": 10}, staff.tag(quote)).json()
    path = link["token"]
    at(staff, TRUE + jump)
    staff.client.get(f"/v1/links/{path}")
    at(staff, TRUE + timedelta(minutes=1))

    told = staff.client.get(f"/v1/links/{path}")

    assert told.status_code == 200, told.text
    assert told.json()["quote"]["totals"]
