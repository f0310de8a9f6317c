"""A draft is issued at today's prices, or at its own where somebody says why."""

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from tests.desks import DAY
from tests.web.calls.conftest import Staff

from kitwright.app import make_service
from kitwright.settings import Settings, built_in_catalog


def mended(folder: Path, file: str, pattern: str, put: str) -> Path:
    """Return a copy of the starter catalogue with something else in one of its files."""
    shutil.copytree(built_in_catalog(), folder, dirs_exist_ok=True)
    text = (folder / file).read_text(encoding="utf-8")
    changed, count = re.subn(pattern, put, text, count=1)
    assert count == 1
    (folder / file).write_text(changed, encoding="utf-8")
    return folder


@contextmanager
def with_catalogue(staff: Staff, folder: Path, today: date = DAY) -> Iterator[None]:
    """Serve another catalogue to the same counter."""
    desk = staff.counter.desk
    before = desk.service
    desk.service = make_service(Settings(catalog=folder, shop="hire-yard"), lambda: today)
    try:
        yield
    finally:
        desk.service = before


def dearer(folder: Path) -> Path:
    """Return a catalogue whose bench labour is dearer."""
    return mended(folder, "shops/hire-yard.toml", r'tech = "95.00"', 'tech = "99.00"')


def refused(staff: Staff, quote: str, body: Any = None) -> Any:
    return staff.refused(f"/v1/quotes/{quote}/issue", body, staff.tag(quote))


def test_draft_of_older_prices_is_refused_line_by_line(staff: Staff, tmp_path: Path) -> None:
    quote = staff.quote()
    gross = staff.get(f"/v1/quotes/{quote}")["gross"]["amount"]

    with with_catalogue(staff, dearer(tmp_path / "dearer")):
        told = refused(staff, quote)
        now = staff.get(f"/v1/quotes/{quote}/revisions/1/difference")

    assert (told["status"], told["code"]) == (409, "prices-moved")
    details = [one["detail"] for one in told["errors"]]
    lines = [one for one in details if one.startswith("labour ")]
    changed = [one for one in now["lines"] if one["kind"] == "labour"]
    assert len(lines) == len(changed) > 0
    for line, one in zip(lines, changed, strict=True):
        was, today = one["was"], one["now"]
        assert f"was {was['amount']['amount']} USD" in line
        assert f"is {today['amount']['amount']} USD" in line
        assert (was["unit_price"], today["unit_price"]) == ("95.00", "99.00")
    assert f"total gross was {gross} USD, is {now['gross']['now']['amount']} USD today" in details
    assert staff.get(f"/v1/quotes/{quote}")["state"] == "draft"


def test_old_prices_are_kept_for_a_reason_that_history_tells(staff: Staff, tmp_path: Path) -> None:
    quote = staff.quote()
    gross = staff.get(f"/v1/quotes/{quote}")["gross"]

    with with_catalogue(staff, dearer(tmp_path / "dearer")):
        staff.act(quote, "issue", {"keep_prices": "promised by telephone"})

    read = staff.get(f"/v1/quotes/{quote}")
    assert (read["state"], read["gross"]) == ("issued", gross)
    for events in (staff.get(f"/v1/quotes/{quote}/history"), staff.get("/v1/events")):
        (facts,) = [one["facts"] for one in events["items"] if one["kind"] == "quote.issued"]
        assert facts["keep_prices"] == 1
        assert facts["moved"] > 1
    staff.act(quote, "accept", {"revision": 1, "who": "Ida", "means": "in_person"})
    (revision,) = staff.get(f"/v1/quotes/{quote}/revisions")["items"]
    assert revision["reason"] == "promised by telephone"


def test_reason_of_a_declined_offer_is_the_customers_only(staff: Staff, tmp_path: Path) -> None:
    quote = staff.quote()
    with with_catalogue(staff, dearer(tmp_path / "dearer")):
        staff.act(quote, "issue", {"keep_prices": "promised by telephone"})

    staff.act(quote, "decline", {"revision": 1})

    (revision,) = staff.get(f"/v1/quotes/{quote}/revisions")["items"]
    assert revision["reason"] is None


def test_reason_is_not_kept_where_nothing_moved(staff: Staff) -> None:
    quote = staff.quote()

    staff.act(quote, "issue", {"keep_prices": "just in case"})

    facts = staff.get(f"/v1/quotes/{quote}/history")["items"][-1]["facts"]
    assert "keep_prices" not in facts


def test_revised_draft_is_issued_at_the_new_prices(staff: Staff, tmp_path: Path) -> None:
    quote = staff.quote()

    with with_catalogue(staff, dearer(tmp_path / "dearer")):
        asked = staff.get(f"/v1/quotes/{quote}")["request"]
        staff.act(quote, "revise", asked)
        issued = staff.act(quote, "issue")

    assert issued["state"] == "issued"


def test_draft_across_a_change_of_rates_is_refused(staff: Staff, tmp_path: Path) -> None:
    rates = '{ valid_from = 2020-01-01, percent = "8" },\n  '
    rates += '{ valid_from = 2027-03-05, percent = "9" },'
    folder = mended(
        tmp_path / "rates",
        "tax/example-county.toml",
        r'\{ valid_from = 2020-01-01, percent = "8" \},',
        rates,
    )
    with with_catalogue(staff, folder):
        quote = staff.quote()
        early = staff.quote(on="2027-03-08")
        staff.act(early, "issue")
        staff.counter.clock.pass_days(5)

        told = refused(staff, quote)

    details = [one["detail"] for one in told["errors"]]
    assert any(one.startswith("tax sales (Sales tax) was ") and "(9%)" in one for one in details)
    assert not any(one.startswith(("part ", "labour ")) for one in details)
    # made for a day of the new rate, and compared on that day
    assert staff.get(f"/v1/quotes/{early}")["state"] == "issued"


def test_another_catalogue_with_the_same_prices_is_no_hindrance(
    staff: Staff, tmp_path: Path
) -> None:
    quote = staff.quote()
    renamed = mended(
        tmp_path / "renamed", "tax/example-county.toml", 'name = "Example county"', 'name = "Other"'
    )

    with with_catalogue(staff, renamed):
        staff.act(quote, "issue")

    assert staff.get(f"/v1/quotes/{quote}")["state"] == "issued"


def test_price_of_what_may_turn_up_counts_too(staff: Staff, tmp_path: Path) -> None:
    quote = staff.quote()
    turned_up = staff.get(f"/v1/quotes/{quote}")["quote"]["contingencies"]["each"]
    assert turned_up

    with with_catalogue(staff, dearer(tmp_path / "dearer")):
        told = refused(staff, quote)

    details = [one["detail"] for one in told["errors"]]
    assert any(one.startswith("contingency (") for one in details)
    assert any(one.startswith("dearest combination of the items listed was ") for one in details)


def test_request_that_cannot_be_answered_today_is_issued_for_a_reason_only(staff: Staff) -> None:
    quote = staff.quote(needed_by="2027-03-03")
    staff.counter.clock.pass_days(4)

    told = refused(staff, quote)
    (error,) = told["errors"]
    assert (told["code"], error["code"]) == ("act-refused", "not-quotable-today")

    staff.act(quote, "issue", {"keep_prices": "the customer knows that it comes late"})
    facts = staff.get(f"/v1/quotes/{quote}/history")["items"][-1]["facts"]
    assert (facts["keep_prices"], facts["moved"]) == (1, None)


@pytest.mark.parametrize("content", [b"", b"{}", b" {} "])
def test_issue_needs_no_body(staff: Staff, content: bytes) -> None:
    quote = staff.quote()
    headers = {"Idempotency-Key": '"bare"', "If-Match": staff.tag(quote)}

    answer = staff.client.post(f"/v1/quotes/{quote}/issue", content=content, headers=headers)

    assert answer.status_code == 200, answer.text


def test_issue_takes_no_other_form_of_body(staff: Staff) -> None:
    quote = staff.quote()
    headers = {"Idempotency-Key": '"form"', "If-Match": staff.tag(quote)}

    answer = staff.client.post(
        f"/v1/quotes/{quote}/issue", data={"keep_prices": "x"}, headers=headers
    )

    assert (answer.status_code, answer.json()["code"]) == (415, "wrong-media-type")
