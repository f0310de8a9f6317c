"""Advances over HTTP, where the tax area wants an invoice of each: made, deducted, given back."""

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from lxml import etree
from msgspec import structs
from tests.desks import DAY, client_of, open_counter
from tests.documents.printed import text as pdf_text
from tests.web.calls.conftest import Staff

from kitwright.app import make_app
from kitwright.catalogue.model import ShopId
from kitwright.keeping.store import Records
from kitwright.web.calls.service import Service
from kitwright.workshop import Workshop

CUSTOMER = {
    "name": "Maud Ferrier",
    "billing": {"street": "Mill Lane 4", "city": "Tollimoor", "country": "DE"},
}


@pytest.fixture
def vat_shop(service: Service, tmp_path: Path) -> Iterator[Staff]:
    """Return somebody at the counter of a shop whose area wants invoices of advances."""
    catalogue = service.workshop.catalogue
    shop = catalogue.shops[ShopId("orchard")]
    area = structs.replace(catalogue.tax_areas[shop.tax_area], advance_invoices=True)
    areas = {**catalogue.tax_areas, area.id: area}
    workshop = Workshop(structs.replace(catalogue, tax_areas=areas), shop)
    with (
        open_counter(Service(workshop, lambda: DAY), tmp_path / "vat") as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        yield Staff(counter, client)


def pay(staff: Staff, id: str, amount: str, **more: Any) -> Any:  # noqa: A002
    return staff.act(id, "payments", {"amount": amount, "means": "card", "by": "R", **more})


def amounts(staff: Staff, number: str) -> Any:
    """Return an invoice, after checking that every form of it has the same sums."""
    path = f"/v1/invoices/{number}"
    told = staff.client.get(path).json()
    printed = pdf_text(staff.client.get(path, headers={"Accept": "application/pdf"}).content)
    xml = staff.client.get(path, headers={"Accept": "application/xml"}).content
    document = etree.fromstring(xml)
    for name, tag in (("gross", "TaxInclusiveAmount"), ("payable", "PayableAmount")):
        (found,) = document.xpath(f"//*[local-name() = '{tag}']/text()")
        assert found == told[name]["amount"]
    assert told["gross"]["amount"].lstrip("-") in printed.replace(",", "")
    return told, document, printed


def test_advance_is_invoiced_and_deducted_at_its_rate(vat_shop: Staff) -> None:
    staff = vat_shop
    customer = staff.done("/v1/customers", CUSTOMER).json()["id"]
    id = staff.accepted(customer=customer)  # noqa: A001

    pay(staff, id, "120.00")

    listed = staff.get(f"/v1/quotes/{id}/payments")
    assert listed["invoices"] == ["I1-00001"]
    advance, document, printed = amounts(staff, "I1-00001")
    assert (advance["net"]["amount"], advance["tax"]["amount"]) == ("100.00", "20.00")
    assert document.xpath("string(//*[local-name() = 'InvoiceTypeCode'])") == "386"
    assert document.xpath("string(//*[local-name() = 'TaxPointDate'])") == advance["paid_on"]
    assert "Advance invoice" in printed
    staff.supplied(id)
    staff.act(id, "start")
    staff.act(id, "finish")
    staff.done(f"/v1/quotes/{id}/invoice", {}, staff.tag(id))
    final, document, printed = amounts(staff, "I1-00002")
    made = staff.get(f"/v1/quotes/{id}/statement")
    gross = Decimal(made["statement"]["gross"]["amount"])
    assert Decimal(final["gross"]["amount"]) == gross - 120
    assert Decimal(final["tax"]["amount"]) == Decimal(made["statement"]["tax"]["amount"]) - 20
    assert [one["number"] for one in final["deducts"]] == ["I1-00001"]
    assert final["prepaid"]["amount"] == "0.00"
    assert made["account"]["balance"] == final["payable"]
    references = document.xpath("//*[local-name() = 'InvoiceDocumentReference']/*[1]/text()")
    assert references == ["I1-00001"]
    assert "Deducted: advance invoice I1-00001" in printed
    month = staff.get("/v1/reports/month", month=f"{DAY:%Y-%m}")
    billed = sum(Decimal(one["gross"]["amount"]) for one in month["codes"])
    assert billed == gross == Decimal(month["billed"]["amount"])


def test_advance_without_what_its_invoice_needs_is_not_recorded(vat_shop: Staff) -> None:
    staff = vat_shop
    bare = staff.done("/v1/customers", {"name": "Maud Ferrier"}).json()["id"]
    id = staff.accepted(customer=bare)  # noqa: A001
    body = {"amount": "5.00", "means": "cash", "by": "R"}

    answer = staff.post(f"/v1/quotes/{id}/payments", body, staff.tag(id))

    (error,) = answer.json()["errors"]
    assert (answer.status_code, error["code"]) == (409, "invoice-needs")
    assert "customer.billing.city" in error["detail"]
    assert staff.get(f"/v1/quotes/{id}/payments")["items"] == []


def test_stopped_and_withdrawn_visits_give_advances_back(vat_shop: Staff) -> None:
    staff = vat_shop
    customer = staff.done("/v1/customers", CUSTOMER).json()["id"]
    stopped, withdrawn = (staff.accepted(customer=customer) for _ in range(2))
    for id in (stopped, withdrawn):  # noqa: A001
        pay(staff, id, "90.00")

    staff.act(stopped, "stop", {"by": "R"})
    staff.act(withdrawn, "withdraw", {})

    notes = [one for one in staff.get("/v1/invoices")["items"] if one["credits"]]
    assert {one["credits"] for one in notes} == {"I1-00001", "I1-00002"}
    owed = Decimal(staff.get(f"/v1/quotes/{stopped}/statement")["account"]["balance"]["amount"])
    for id, amount in ((stopped, str(-owed)), (withdrawn, "90.00")):  # noqa: A001
        assert "pay" in staff.get(f"/v1/quotes/{id}")["acts"]
        pay(staff, id, amount, paid_back=True)
        assert "pay" not in staff.get(f"/v1/quotes/{id}")["acts"]
    month = staff.get("/v1/reports/month", month=f"{DAY:%Y-%m}")
    assert month["open_items"] == []


def test_advance_that_is_recorded_again_keeps_the_invoice_that_was_entered(
    vat_shop: Staff,
) -> None:
    staff = vat_shop
    customer = staff.done("/v1/customers", CUSTOMER).json()["id"]
    before, id = (staff.accepted(customer=customer) for _ in range(2))  # noqa: A001
    pay(staff, before, "120.00")

    def enter(records: Records) -> None:
        made = records.bills.named("I1", 1)
        assert made is not None
        now = staff.counter.clock()
        records.bills.add(
            structs.replace(made, number=0, series="I0", quote=int(id[1:]), entered_at=now)
        )

    staff.counter.store.write_now(enter)

    pay(staff, id, "120.00")
    assert staff.get(f"/v1/quotes/{id}/payments")["invoices"] == ["I0-00001"]
    # another advance of the same amount is not that one
    pay(staff, id, "120.00")
    assert staff.get(f"/v1/quotes/{id}/payments")["invoices"] == ["I0-00001", "I1-00002"]
