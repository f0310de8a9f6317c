"""An invoice made since the backup, entered again over HTTP from its copy after a restore."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.desks import Clock, Counter, client_of, open_counter
from tests.documents.printed import text as pdf_text
from tests.web.calls.conftest import Staff
from tests.web.calls.test_accounts import CUSTOMER, in_work

from kitwright.app import make_app
from kitwright.desk_opening import open_desk
from kitwright.settings import Settings, built_in_catalog
from kitwright.store.backup import back_up
from kitwright.store.doctor import examine
from kitwright.store.restore import restore
from kitwright.web.calls.erasure import redact
from kitwright.web.calls.service import Service
from kitwright.web.edge.negotiate import PDF


@contextmanager
def again(service: Service, folder: Path, key: str) -> Iterator[Staff]:
    """Open a restored folder, with a key from before the backup."""
    clock = Clock()
    clock.pass_days(3)
    settings = Settings(catalog=built_in_catalog(), data=folder, rate=0)
    desk, store = open_desk(service, settings, now=clock)
    try:
        with client_of(make_app(desk), key) as client:
            yield Staff(Counter(desk, store, key, clock), client)
    finally:
        desk.pricing.close()
        store.close()


def codes(folder: Path) -> list[str]:
    return [one.code for one in examine(folder) if one.code == "missing-invoice"]


def error_of(answer: Any) -> tuple[int, str]:
    (error,) = answer.json()["errors"]
    return answer.status_code, error["code"]


def listed(staff: Staff) -> Any:
    """Return the document that was kept last."""
    return staff.get("/v1/invoices")["items"][0]


def test_invoice_of_a_lost_day_is_entered_from_its_copy(service: Service, tmp_path: Path) -> None:
    first, copy, later = (tmp_path / name for name in ("first", "copy", "later"))
    with (
        open_counter(service, first) as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        staff = Staff(counter, client)
        customer = staff.done("/v1/customers", CUSTOMER).json()["id"]
        ids = [in_work(staff, customer=customer) for _ in range(2)]
        for place, id in enumerate(ids):  # noqa: A001
            if place == 1:
                back_up(first, copy)
            staff.act(id, "finish")
            staff.done(f"/v1/quotes/{id}/invoice", {}, staff.tag(id))
        made = client.get("/v1/invoices/I1-00002")
        digest = client.get("/v1/invoices").json()["items"][0]["sha256"]
        told = pdf_text(client.get("/v1/invoices/I1-00002", headers={"Accept": PDF}).content)
        xml = client.get("/v1/invoices/I1-00002", headers={"Accept": "application/xml"}).text
        seal = made.json()["seal"]
        assert seal
        assert f"<cbc:ID>{seal}</cbc:ID>" in xml
        assert f"Seal: {seal}" in told
        key = counter.key
    restore(copy, later, redact=redact)

    with again(service, later, key) as staff:
        told = staff.get("/v1/release")
        assert told["last_numbers"] == ["I1-00001"]
        body = {"mail": "drop", "webhooks": "drop", "confirm": True, "last_numbers": ["I1-00009"]}
        staff.done("/v1/release", body)
        told = staff.done("/v1/release/last-numbers", {"last_numbers": ["I1-00002"]}).json()
        assert told["missing"] == ["I1-00002"]
        assert codes(later) == ["missing-invoice"]
        body = {"document": made.text, "sha256": digest}
        assert error_of(staff.post("/v1/invoices", {**body, "sha256": "0" * 64})) == (
            409,
            "copy-unsound",
        )
        assert error_of(staff.post("/v1/invoices", {**body, "quote": "Q99"})) == (
            409,
            "quote-not-here",
        )

        entered = staff.done("/v1/invoices", body)

        assert entered.status_code == 201
        assert entered.json() == made.json()
        assert listed(staff)["is_sealed"] is True
        assert staff.get("/v1/events", limit=200)["items"][-1]["facts"]["seal"] == "held"
        assert staff.get("/v1/release")["missing"] == []
        assert codes(later) == []
        id = ids[1]  # noqa: A001
        month = staff.get("/v1/reports/month", month="2027-03")
        assert {one["number"] for one in month["documents"]} == {"I1-00001", "I1-00002"}
        assert {one["quote"] for one in month["open_items"]} == {*ids}
        # the work is done, and is not billed twice
        staff.act(id, "finish")
        assert "invoice" not in staff.get(f"/v1/quotes/{id}")["acts"]
        account = staff.get(f"/v1/quotes/{id}/statement")["account"]
        assert account["balance"] == made.json()["gross"]
        assert error_of(staff.post("/v1/invoices", body)) == (409, "number-not-missing")
