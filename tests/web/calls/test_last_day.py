"""A customer may answer to the end of an offer's last valid day, by link or at the counter."""

from datetime import UTC, datetime, time, timedelta, timezone
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from tests.web.calls.conftest import Staff
from tests.web.calls.shop import problem

DENVER = ZoneInfo("America/Denver")
"""Where the shop is."""
WESTERNMOST = timezone(timedelta(hours=-12))


def at(staff: Staff, days: int, hour: time) -> None:
    """Set the clock to a time of the shop, some days after the first of March."""
    day = datetime(2027, 3, 1).date() + timedelta(days=days)  # noqa: DTZ001 - a day alone
    staff.counter.clock.now = datetime.combine(day, hour, DENVER).astimezone(UTC)


def answer(staff: Staff, path: str, id: str, act: str) -> Any:  # noqa: A002
    """Return what a customer's yes or no comes to, at the counter or by a link."""
    if path:
        yes = {"who": "A. Customer"} if act == "accept" else {}
        return staff.client.post(f"{path}/{act}", json=yes, headers={"Authorization": ""})
    body: dict[str, Any] = {"revision": 1}
    if act == "accept":
        body |= {"who": "A. Customer", "means": "telephone"}
    return staff.post(f"/v1/quotes/{id}/{act}", body, staff.tag(id))


@pytest.mark.parametrize("is_by_link", [True, False])
@pytest.mark.parametrize("act", ["accept", "decline"])
def test_offer_is_answered_on_its_last_valid_day_and_not_the_day_after(
    staff: Staff, act: str, is_by_link: bool
) -> None:
    ids = [staff.issued() for _ in range(2)]
    paths = [staff.act(id, "links", {})["path"] if is_by_link else "" for id in ids]  # noqa: A001
    assert staff.get(f"/v1/quotes/{ids[0]}")["valid_until"] == "2027-03-15"

    at(staff, 14, time(23, 59))
    in_time = answer(staff, paths[0], ids[0], act)
    at(staff, 15, time(0, 1))
    late = answer(staff, paths[1], ids[1], act)

    assert in_time.status_code == 200, in_time.text
    assert staff.get(f"/v1/quotes/{ids[0]}")["state"] in ("accepted", "declined")
    assert "valid until 2027-03-15" in problem(late, 409, "act-refused")["detail"]
    assert staff.get(f"/v1/quotes/{ids[1]}")["state"] == "expired"


@pytest.mark.parametrize("hour", [time(0, 1), time(12), time(23, 59)])
def test_link_lasts_until_the_last_valid_day_is_over_everywhere(staff: Staff, hour: time) -> None:
    id = staff.issued()  # noqa: A001
    at(staff, 0, hour)

    link = staff.act(id, "links", {})

    over = datetime.combine(datetime(2027, 3, 16), time(), WESTERNMOST)  # noqa: DTZ001
    assert datetime.fromisoformat(link["expires_at"]) >= over


@pytest.mark.parametrize("hour", [time(0, 1), time(23, 59)])
def test_link_in_a_letter_lasts_as_long(staff: Staff, hour: time) -> None:
    id = staff.issued()  # noqa: A001
    at(staff, 0, hour)
    sent = staff.act(id, "messages", {"to": "a.customer@example.org"})
    (mail,) = staff.counter.store.read(lambda records: records.mails.of_quote(1))
    assert sent["revision"] == mail.revision == 1
    text = mail.body.decode("ascii", "replace").replace("=\r\n", "")
    token = text.split("/v1/links/")[1].split()[0].rstrip(".>\"'")

    told = staff.client.get(f"/v1/links/{token}", headers={"Authorization": ""})

    over = datetime.combine(datetime(2027, 3, 16), time(), WESTERNMOST)  # noqa: DTZ001
    assert datetime.fromisoformat(told.json()["expires_at"]) >= over
