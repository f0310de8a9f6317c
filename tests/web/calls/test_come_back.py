"""Machines that come back over HTTP: what the shop bears by cause, and what is charged."""

from decimal import Decimal
from typing import Any

from tests.web.calls.conftest import Staff

BY = {"reason": "Seat ring loose again.", "by": "R. Okafor"}


def finished(staff: Staff, **members: Any) -> str:
    """Return a visit whose work is finished and whose machine was collected."""
    id = staff.accepted(**members)  # noqa: A001
    staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]})
    staff.act(id, "start")
    staff.act(id, "finish")
    staff.act(id, "collected", {"collector": "Maud Ferrier", "old_parts": False, "by": "R. Okafor"})
    return id


def quoted(staff: Staff, id: str) -> Any:  # noqa: A002
    return staff.client.get(f"/v1/quotes/{id}").json()


def test_work_within_the_warranty_costs_nothing_and_says_why(staff: Staff) -> None:
    first = finished(staff)
    staff.counter.clock.pass_days(30)

    again = staff.quote(comes_back={"quote": first, "cause": "work", **BY})

    made = quoted(staff, again)["quote"]
    back = made["comes_back"]
    assert (back["quote"], back["state"], back["cause"]) == (first, "borne", "work")
    assert made["totals"]["gross"]["amount"] == "0.00"
    assert Decimal(made["totals"]["discount"]["amount"]) == -Decimal(back["amount"]["amount"])
    assert Decimal(made["margin"]["left"]["amount"]) < 0
    print([n["text"] for n in made["notes"]])
