"""Invoices and credit notes of drawn offers, judged by the official rules of EN 16931."""

import os
from collections import Counter
from functools import cache
from pathlib import Path

import pytest
from lxml import etree
from saxonche import PySaxonProcessor
from tests.documents.advances import drawn_advance_bills
from tests.documents.billing import drawn_bills
from tests.documents.ubl_reader import CARRIED, Read

from kitwright.documents.ubl_bill import ubl_bill
from kitwright.quote import Bill

SHOPS = range(int(os.environ.get("KITWRIGHT_DRAWN_SHOPS", "8")))
"""About 25 documents a shop, with the invoices of advances. With 40, they are about a thousand."""


@cache
def schema(kind: str) -> etree.XMLSchema:
    root = "CreditNote" if kind == "credit_note" else "Invoice"
    return etree.XMLSchema(etree.parse(CARRIED / "maindoc" / f"UBL-{root}-2.1.xsd"))


class Rules:
    """The official rules, compiled once."""

    def __init__(self) -> None:
        self._processor = PySaxonProcessor(license=False)
        compiler = self._processor.new_xslt30_processor()
        self._rules = compiler.compile_stylesheet(
            stylesheet_file=str(CARRIED / "EN16931-UBL-validation.xslt")
        )

    def failures(self, document: bytes) -> list[tuple[str, str]]:
        """Return the flag and the id of every rule that a document breaks."""
        node = self._processor.parse_xml(xml_text=document.decode())
        report = etree.fromstring(self._rules.transform_to_string(xdm_node=node).encode())
        failed = report.iterfind(".//{http://purl.oclc.org/dsdl/svrl}failed-assert")
        return [(str(one.get("flag")), str(one.get("id"))) for one in failed]


@pytest.fixture(scope="module")
def rules() -> Rules:
    return Rules()


@pytest.fixture(scope="module")
def drawn() -> list[tuple[Bill, bytes]]:
    made = (*drawn_bills(SHOPS), *drawn_advance_bills(SHOPS))
    return [(bill, ubl_bill(bill)) for bill in made]


def test_drawn_documents_are_of_every_kind(drawn: list[tuple[Bill, bytes]]) -> None:
    bills = [bill for bill, _ in drawn]

    assert len(bills) >= 7 * len(SHOPS)
    # yen rounded line by line may add up to another tax than the rules let through
    assert all(bill.profile for bill in bills if bill.currency != "JPY")
    assert sum(bill.profile is not None for bill in bills) > 0.8 * len(bills)
    assert Counter(bill.kind for bill in bills).keys() == {"invoice", "advance", "credit_note"}
    roles = {line.role for bill in bills for line in bill.lines}
    assert roles == {"item", "charge", "allowance"}
    categories = {tax.category for bill in bills for line in bill.lines for tax in line.taxes}
    assert {"S", "Z", "E"} <= categories
    assert any(bill.prepaid.money.minor for bill in bills)
    assert any(bill.deducts for bill in bills)


def test_documents_follow_the_schemas_and_the_official_rules(
    drawn: list[tuple[Bill, bytes]], rules: Rules
) -> None:
    for bill, document in drawn:
        schema(bill.kind).assertValid(etree.fromstring(document))
        if bill.profile is not None:
            assert rules.failures(document) == [], bill.number


def test_rules_find_what_is_wrong(drawn: list[tuple[Bill, bytes]], rules: Rules) -> None:
    document = drawn[0][1]
    gross = Read.of(document).text("LegalMonetaryTotal/TaxInclusiveAmount")
    end = b"</cbc:TaxInclusiveAmount>"
    wrong = document.replace(f">{gross}".encode() + end, b">1.00" + end)

    assert ("fatal", "BR-CO-15") in rules.failures(wrong)


def test_invoice_is_built_like_the_standards_own_example(
    shared: Path, drawn: list[tuple[Bill, bytes]]
) -> None:
    example = Read.of((shared / "ubl" / "examples" / "UBL-Invoice-2.1-Example.xml").read_bytes())
    theirs = [etree.QName(one).localname for one in example.element]
    document = next(made for bill, made in drawn if bill.kind == "invoice")
    ours = [etree.QName(one).localname for one in Read.of(document).element]

    common = [name for name in dict.fromkeys(ours) if name in theirs]
    assert common == sorted(common, key=theirs.index)
    assert {"AccountingSupplierParty", "TaxTotal", "LegalMonetaryTotal", "InvoiceLine"} <= {*common}
