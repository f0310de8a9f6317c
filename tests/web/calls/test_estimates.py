"""What is learned from finished quotes, applied from a day on and taken back, over the API."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from lxml import etree
from msgspec import structs
from tests.web.calls.conftest import Staff

from kitwright.keeping.record import Phase
from kitwright.keeping.store import Records

TODAY, TOMORROW = "2027-03-01", "2027-03-02"
SLOW = Decimal("1.5")
"""How many times as long as the catalogue says this shop takes to take things off."""


class Shop:
    """A shop whose mechanic clocks what its work takes."""

    def __init__(self, staff: Staff) -> None:
        self.staff = staff

    def finished(self, *, slow: Decimal = SLOW, **members: Any) -> str:
        """Return a finished quote, with its teardown clocked as slow, and its work as estimated."""
        quote = self.staff.accepted(**members)
        self.staff.supplied(quote)
        self.staff.act(quote, "start")
        for group, minutes in self.minutes(quote).items():
            if group in {"teardown", "refit"}:
                took = minutes * (slow if group == "teardown" else 1)
                body = {"act": "minutes", "by": "R. Okafor", "phase": group, "minutes": round(took)}
                self.staff.done(f"/v1/quotes/{quote}/clock", body)
        self.staff.act(quote, "finish")
        return quote

    def minutes(self, quote: str) -> dict[str, Decimal]:
        """Return the estimated minutes of each group of steps."""
        phases = self.staff.get(f"/v1/quotes/{quote}/clock")["phases"]
        return {one["phase"]: Decimal(one["billed"]) for one in phases}

    def report(self) -> Any:
        return self.staff.get("/v1/reports/estimates")

    def rows(self) -> dict[tuple[str, str], Any]:
        return {(one["group"], one["labour_class"]): one for one in self.report()["minutes"]}

    def apply(self, since: str = TODAY) -> Any:
        proposal = self.report()["proposal"]["id"]
        return self.staff.done("/v1/estimates", {"proposal": proposal, "since": since}).json()

    def draft(self, **members: Any) -> Any:
        """Return what a new quote of today is."""
        return self.staff.get(f"/v1/quotes/{self.staff.quote(**members)}")["quote"]


@pytest.fixture
def shop(staff: Staff) -> Shop:
    return Shop(staff)


def taught(shop: Shop, jobs: int = 9) -> Shop:
    """Return a shop with some jobs: copies of one, but for what was clocked."""
    first = int(shop.finished()[1:])

    def copy(records: Records) -> None:
        quote = records.quotes.get(first)
        revision = records.revisions.get(first, 1)
        assert quote is not None
        assert revision is not None
        for place in range(1, jobs):
            number = records.quotes.add(structs.replace(quote, number=0)).number
            records.revisions.add(structs.replace(revision, quote=number))
            for yes in records.authorisations.of_quote(first):
                records.authorisations.add(structs.replace(yes, quote=number))
            for entry in records.clock_entries.of_quote(first):
                more = (place - jobs // 2) if entry.phase is Phase.teardown else 0
                minutes = (entry.minutes or 0) + more
                records.clock_entries.add(
                    structs.replace(entry, quote=number, number=0, minutes=minutes)
                )

    shop.staff.counter.store.write_now(copy)
    return shop


def test_report_of_no_quotes_is_empty(shop: Shop) -> None:
    told = shop.report()

    assert told["quotes"] == 0
    assert (told["complete"], told["revision"], told["proposal"]) == (True, None, None)
    assert (told["minutes"], told["odds"], told["reliability"], told["worst"]) == ([], [], [], [])


def test_report_compares_what_was_clocked_with_what_was_estimated(shop: Shop) -> None:
    quote = shop.finished()

    told, row = shop.report(), shop.rows()["teardown", "tech"]

    assert told["quotes"] == 1
    assert (row["jobs"], row["factor"], row["interval"], row["proposal"]) == (1, "1", None, None)
    assert abs(Decimal(row["ratio"]) - SLOW) < Decimal("0.02")
    (worst,) = told["worst"]
    assert worst["quote"] == quote
    assert Decimal(1) < Decimal(worst["ratio"]) < SLOW


def test_seven_jobs_propose_nothing_and_eight_do(shop: Shop) -> None:
    taught(shop, 7)
    assert shop.report()["proposal"] is None

    shop.finished()

    changes = shop.report()["proposal"]["minutes"]
    assert [(one["group"], one["labour_class"], one["was"]) for one in changes] == [
        ("teardown", "senior", "1"),
        ("teardown", "tech", "1"),
    ]
    assert Decimal("1.4") < Decimal(changes[0]["now"]) <= SLOW + Decimal("0.02")


def test_an_applied_proposal_is_used_by_quotes_from_its_day_on(shop: Shop) -> None:
    taught(shop)
    before = shop.draft()
    preview = {"family": "QM-H27", "serial": 2140077, "chassis": "PW-G5", "on": TODAY}
    preview |= {"diagnoses": [{"code": "VALVE-EX", "cylinder": 1}]}
    changes = shop.report()["proposal"]["minutes"]
    factors = {(one["group"], one["labour_class"]): Decimal(one["now"]) for one in changes}

    made = shop.apply(TOMORROW)

    assert (made["revision"], made["since"], made["taken_back_at"]) == (1, TOMORROW, None)
    assert shop.staff.get("/v1/estimates")["in_force"] is None
    assert shop.draft() == before
    shop.staff.counter.clock.now += timedelta(days=1)
    assert shop.staff.get("/v1/estimates")["in_force"] == 1
    after = shop.draft()
    assert (before["estimates"], after["estimates"]) == (None, 1)
    for was, now in zip(steps(before), steps(after), strict=True):
        group = "teardown" if was["kind"] in {"remove", "hold"} else was["kind"]
        times = factors.get((group, was["labour_class"]), Decimal(1))
        assert was["step"] == now["step"]
        wanted = Decimal(was["exact_minutes"]) * times
        assert abs(Decimal(now["exact_minutes"]) - wanted) <= Decimal("0.01")
    assert Decimal(after["totals"]["net"]["amount"]) > Decimal(before["totals"]["net"]["amount"])
    # a quote for a day before is made as then
    of_then = shop.staff.client.post("/v1/quotes/preview", json=preview).json()
    assert of_then["estimates"] is None
    assert of_then["totals"] == before["totals"]


def steps(quote: Any) -> list[Any]:
    return sorted(quote["work_plan"]["steps"], key=lambda one: str(one["step"]))


def test_quotes_of_before_stay_as_they_are(shop: Shop) -> None:
    taught(shop)
    old = shop.staff.issued()
    before = shop.staff.get(f"/v1/quotes/{old}")

    shop.apply()

    assert shop.staff.get(f"/v1/quotes/{old}") == before
    assert before["quote"]["estimates"] is None
    text = shop.staff.client.get(f"/v1/quotes/{old}/sheet", headers={"Accept": "application/json"})
    assert "estimates" not in text.json()


def test_choices_of_an_offer_are_priced_by_its_own_estimates(shop: Shop) -> None:
    taught(shop)
    old = shop.staff.issued()
    extra = shop.staff.get(f"/v1/quotes/{old}")["quote"]["extras"][0]
    cylinder = extra["cylinders"][0] if extra["cylinders"] else None
    body = {"revision": 1, "extras": [{"job": extra["job"], "cylinder": cylinder}]}
    before = shop.staff.done(f"/v1/quotes/{old}/choice", body).json()

    shop.apply()

    assert shop.staff.done(f"/v1/quotes/{old}/choice", body).json() == before


def test_a_draft_from_before_is_not_issued_at_its_old_price(shop: Shop) -> None:
    taught(shop)
    draft = shop.staff.quote()
    shop.apply()

    told = shop.staff.refused(f"/v1/quotes/{draft}/issue", etag=shop.staff.tag(draft))

    assert told["code"] == "prices-moved"


def test_once_applied_nothing_is_proposed_until_jobs_say_more(shop: Shop) -> None:
    taught(shop)
    first = shop.rows()["teardown", "tech"]

    shop.apply()

    told, row = shop.report(), shop.rows()["teardown", "tech"]
    assert (told["revision"], told["proposal"]) == (1, None)
    assert row["factor"] == first["proposal"]
    assert row["shrunk"] == first["shrunk"]
    assert abs(Decimal(row["ratio"]) - 1) < Decimal("0.05")
    # a quote by the new estimates teaches the same of the catalogue's
    shop.finished(slow=Decimal(1))
    again = shop.rows()["teardown", "tech"]
    assert again["jobs"] == first["jobs"] + 1
    assert abs(Decimal(again["shrunk"]) - Decimal(first["shrunk"])) < Decimal("0.05")


def test_estimates_are_taken_back(shop: Shop) -> None:
    taught(shop)
    before = shop.draft()
    shop.apply()
    assert shop.draft()["totals"] != before["totals"]

    told = shop.staff.done("/v1/estimates/back", {"revision": 1}).json()

    assert told["in_force"] is None
    assert told["items"][0]["taken_back_at"] is not None
    assert shop.draft() == before
    refused = shop.staff.refused("/v1/estimates/back", {"revision": 1})
    assert refused["errors"][0]["code"] == "estimates-not-newest"
    kinds = [one["kind"] for one in shop.staff.get("/v1/events", limit=1000)["items"]]
    assert [one for one in kinds if one.startswith("estimates.")] == [
        "estimates.applied",
        "estimates.undone",
    ]


def test_only_what_the_report_proposes_is_applied_and_not_from_the_past(shop: Shop) -> None:
    taught(shop)
    proposal = shop.report()["proposal"]["id"]
    past = shop.staff.refused("/v1/estimates", {"proposal": proposal, "since": "2027-02-28"})
    assert past["errors"][0]["code"] == "estimates-from-past"
    shop.finished(slow=Decimal(3))

    told = shop.staff.refused("/v1/estimates", {"proposal": proposal, "since": TODAY})

    assert told["errors"][0]["code"] == "proposal-changed"
    assert shop.staff.get("/v1/estimates") == {"in_force": None, "items": []}


def test_a_forgotten_clock_teaches_nothing(shop: Shop) -> None:
    quote = shop.staff.accepted()
    shop.staff.supplied(quote)
    shop.staff.act(quote, "start")
    body = {"act": "start", "by": "R. Okafor", "phase": "teardown"}
    shop.staff.done(f"/v1/quotes/{quote}/clock", body)
    shop.staff.counter.clock.now += timedelta(days=1)
    shop.staff.act(quote, "finish")

    told = shop.report()

    assert (told["quotes"], told["left_out"], told["minutes"]) == (1, 1, [])


def test_contingencies_are_found_if_a_later_agreed_revision_has_their_jobs(shop: Shop) -> None:
    quote = shop.staff.accepted()
    shop.staff.supplied(quote)
    shop.staff.act(quote, "start")
    listed = shop.staff.get(f"/v1/quotes/{quote}/revisions/1")["quote"]["contingencies"]["each"]
    one = next(each for each in listed if each["jobs"] and each["after"] is None)
    added = [{"job": job["job"], "cylinder": job["cylinder"]} for job in one["jobs"]]
    asked = {"family": "QM-H27", "serial": 2140077, "chassis": "PW-G5", "add_jobs": added}
    asked |= {"diagnoses": [{"code": "VALVE-EX", "cylinder": 1}]}
    shop.staff.act(quote, "revise", asked)
    shop.staff.act(quote, "issue")
    yes = {"revision": 2, "who": "A. Customer", "means": "telephone", "limit": None}
    shop.staff.act(quote, "accept", yes)
    shop.staff.supplied(quote, revision=2)
    shop.staff.act(quote, "finish")

    odds = {row["code"]: row for row in shop.report()["odds"] if row["kind"] == "contingency"}

    assert odds[one["contingency"]]["found"] == 1
    assert Decimal(odds[one["contingency"]]["said"]) == Decimal(one["probability"])
    others = [row["found"] for code, row in odds.items() if code != one["contingency"]]
    assert others
    assert sum(others) < len(others)


def test_picture_shows_a_point_for_each_band(shop: Shop) -> None:
    shop.finished()
    bands = shop.report()["reliability"]

    answer = shop.staff.client.get("/v1/reports/estimates", headers={"Accept": "image/svg+xml"})

    root = etree.fromstring(answer.content)
    shapes = [one.get("class") for one in root if one.get("class") in ("contingency", "diagnosis")]
    # two of them are in the key
    assert bands
    assert len(shapes) == len(bands) + 2
    words = root.findtext("{*}desc")
    assert all(f"{band['found']} of {band['cases']} found" in words for band in bands)


def test_an_order_key_reads_the_report_and_applies_nothing(shop: Shop) -> None:
    taught(shop)
    proposal = shop.report()["proposal"]["id"]
    made = shop.staff.done("/v1/keys", {"name": "orders", "scopes": ["read", "order"]}).json()
    headers = {"Authorization": f"Bearer {made['key']}", "Idempotency-Key": '"k"'}

    told = shop.staff.client.post(
        "/v1/estimates", json={"proposal": proposal, "since": TODAY}, headers=headers
    )

    assert told.status_code == 403
