"""The printed invoice: when and how it is paid, and what its prices are for."""

from datetime import timedelta
from typing import Any

import pytest
from msgspec import structs
from tests.documents.billing import SELLER, SELLING, Ledger, drawn_statements

from kitwright.documents.bill_pdf import bill_sheet
from kitwright.language.scribe import Scribe
from kitwright.quote import Bill, read_bill

SCRIBE = Scribe("en")


@pytest.fixture(scope="module")
def bill() -> Bill:
    ledger = Ledger()
    statement = next(iter(drawn_statements(range(1))))
    return read_bill(ledger.invoice(ledger.close(statement), SELLING).body)


def sheet(bill: Bill) -> dict[str, Any]:
    """Return the data of a printed bill."""
    return bill_sheet(bill, SCRIBE)


def named(bill: Bill, name: str) -> list[str]:
    """Return the facts of a printed bill under a name."""
    return [value for label, value in sheet(bill)["facts"] if label == name]


def test_invoice_without_days_to_pay_is_paid_on_collecting(bill: Bill) -> None:
    at_once = structs.replace(bill, due_on=bill.issued_on, terms=None)
    later = structs.replace(at_once, due_on=bill.issued_on + timedelta(days=14))

    assert named(at_once, "Payable by") == []
    assert "Payable when you collect the machine." in sheet(at_once)["terms"]
    (day,) = named(later, "Payable by")
    assert f"Payable by {day}." in sheet(later)["terms"]


def test_invoice_names_the_account_it_is_paid_to(bill: Bill) -> None:
    told = [line for line in sheet(bill)["terms"] if str(SELLER.account) in line]
    assert len(told) == 1

    without = structs.replace(bill, account=None)
    assert not any("Account" in line for line in sheet(without)["terms"])


def test_price_of_labour_is_by_the_hour(bill: Bill) -> None:
    line = structs.replace(
        bill.lines[0],
        role="item",
        kind="labour",
        unit="MIN",
        measure="minute",
        base_quantity="60",
        unit_price="65.00",
    )
    (row,) = sheet(structs.replace(bill, lines=(line,)))["rows"]

    assert row["each"] == SCRIBE.money("65.00", line.net.currency) + " an hour"
