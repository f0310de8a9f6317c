"""Quotations in UBL: sound by the schema, and figure for figure what the revision says."""

from collections import Counter
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import msgspec
import pytest
from lxml import etree
from msgspec import structs
from tests.documents.ubl_reader import (
    CASES,
    DAY_OF_ISSUE,
    HOSTILE,
    ISSUED,
    ZONE,
    Read,
    assert_parts_valid,
    case,
    codes,
    drawn_quotes,
    rounded,
    schema,
)

from kitwright.documents.ubl import AmountsNotKnown, RevisionNotIssued, quotation
from kitwright.documents.ubl_xml import safe_text
from kitwright.money import digits
from kitwright.quote import Amount, Envelope, Quote
from kitwright.stages.outcome import Outcome
from kitwright.units import REC20

SHOPS = range(30)
"""240 quotes, at eight a shop."""

UNKNOWN = structs.replace(
    ISSUED, customer_name=None, customer_address=" \n", customer_email=None, sha256=None
)
"""Nobody has said who the customer is."""

Drawn = tuple[Outcome, Quote, bytes]


@pytest.fixture(scope="module")
def drawn() -> list[Drawn]:
    return [
        (outcome, quote, quotation(quote, ISSUED, zone=ZONE))
        for outcome, quote in drawn_quotes(SHOPS)
        if quote.totals.gross is not None
    ]


KNOWN = [
    path.name.removesuffix(".answer.json")
    for path in sorted(CASES.glob("*.answer.json"))
    if msgspec.json.decode(path.read_bytes())["tax_state"] == "known"
]


def written(quote: Quote, envelope: Envelope = ISSUED) -> Read:
    return Read.of(quotation(quote, envelope, zone=ZONE))


def signed(found: Read) -> int:
    return 1 if found.text("ChargeIndicator") == "true" else -1


def test_drawn_quotes_are_of_every_kind(drawn: list[Drawn]) -> None:
    assert len(drawn) >= 200
    assert {quote.shop.currency for _, quote, _ in drawn} == {"JPY", "USD", "BHD"}
    assert {quote.shop.prices_include_tax for _, quote, _ in drawn} == {False, True}
    areas = [outcome.request.tax_area for outcome, _, _ in drawn]
    assert len({area.rounding for area in areas if area is not None}) >= 6
    for claim in (
        [quote.exemption for _, quote, _ in drawn],
        [quote.totals.discount.amount.startswith("-") for _, quote, _ in drawn],
        [Decimal(quote.totals.cash_rounding.amount) for _, quote, _ in drawn],
        [Decimal(quote.totals.prepaid.amount) for _, quote, _ in drawn],
        [quote.provisional for _, quote, _ in drawn],
        [len(quote.taxes) > 1 for _, quote, _ in drawn],
        [not quote.taxes for _, quote, _ in drawn],
        [any(line.kind == "free" for line in quote.lines) for _, quote, _ in drawn],
        [any(line.kind == "customer_part" for line in quote.lines) for _, quote, _ in drawn],
        [any(line.kind == "freight" for line in quote.lines) for _, quote, _ in drawn],
        [any(line.code == "diagnostic-credit" for line in quote.lines) for _, quote, _ in drawn],
        [outcome.request.asked.terms.machines > 1 for outcome, _, _ in drawn],
    ):
        assert any(claim)


def test_quotations_are_valid_by_their_own_schema(drawn: list[Drawn], shared: Path) -> None:
    """Needs the schema of a Quotation, which no package carries."""
    judge = schema(shared, "Quotation")
    hostile = [with_text(case("v68-zero-turn-exempt"), str(each.values[0])) for each in HOSTILE]
    for _, _, document in drawn:
        judge.assertValid(Read.of(document).element)
    for quote, envelope in (
        *((case(name), ISSUED) for name in KNOWN),
        (case("h27-generator-plug"), UNKNOWN),
        (of_discounts_alone(), ISSUED),
        *hostile,
    ):
        judge.assertValid(written(quote, envelope).element)
    without = written(case("h27-generator-plug"))
    total = without.one("QuotedMonetaryTotal").element
    total.getparent().remove(total)
    assert not judge.validate(without.element)


def test_quotations_are_made_of_valid_parts(drawn: list[Drawn]) -> None:
    for _, _, document in drawn:
        assert_parts_valid(Read.of(document))
    for name in KNOWN:
        assert_parts_valid(written(case(name)))


def test_common_schemas_refuse_a_line_without_its_item() -> None:
    document = written(case("h27-generator-plug"))
    item = document.one("QuotationLine[1]/LineItem/Item").element
    item.getparent().remove(item)
    with pytest.raises(etree.DocumentInvalid, match="Item"):
        assert_parts_valid(document)


def test_quotation_says_every_figure_of_the_revision(drawn: list[Drawn]) -> None:
    for _, quote, document in drawn:
        check_figures(quote, Read.of(document))


@pytest.mark.parametrize("name", KNOWN)
def test_quotation_of_a_case_says_every_figure_and_adds_up(name: str) -> None:
    quote = case(name)
    document = written(quote)
    check_figures(quote, document)
    check_sums(quote.shop.currency, document)


def check_figures(quote: Quote, document: Read) -> None:
    """Assert that every line, tax and total is in the document, to the letter."""
    found: dict[int, tuple[Amount, Amount]] = {}
    for line in document.every("QuotationLine/LineItem"):
        row = quote.lines[int(line.text("ID")) - 1]
        found[int(line.text("ID"))] = (
            line.amount("LineExtensionAmount"),
            line.amount("TotalTaxAmount"),
        )
        assert line.quantity("Quantity") == (row.quantity, row.unit)
        assert line.text("Item/Name") == row.description
        assert line.text("Item/SellersItemIdentification/ID") == row.code
        assert line.texts("Item/BrandName") == [one.make for one in row.makes if one.make]
        printed = line.every("PricingReference/AlternativeConditionPrice") or [line.one("Price")]
        assert printed[0].amount("PriceAmount") == Amount(row.unit_price, quote.shop.currency)
        assert printed[0].quantity("BaseQuantity") == (row.base_quantity, row.unit)
    for each in document.every("AllowanceCharge"):
        row = quote.lines[int(each.text("ID")) - 1]
        told = each.text("AllowanceChargeReason")
        if row.kind == "discount":
            # what its customer is told; not who of the shop gave it
            (why,) = row.why
            assert told.startswith(f"{row.description}: ")
            assert told.endswith(str(why.facts["reason"]))
        else:
            assert told == row.description
        found[int(each.text("ID"))] = (
            turned(each.amount("Amount"), signed(each)),
            turned(each.amount("TaxTotal/TaxAmount"), signed(each)),
        )
    assert found == {place: (row.net, row.tax) for place, row in enumerate(quote.lines, start=1)}
    if quote.taxes:
        assert [
            (
                each.text("TaxSubtotal[1]/TaxCategory/TaxScheme/ID"),
                each.text("TaxSubtotal[1]/TaxCategory/TaxScheme/Name"),
                each.text("TaxSubtotal[1]/TaxCategory/Percent"),
                each.amount("TaxSubtotal[1]/TaxableAmount"),
                each.amount("TaxSubtotal[1]/TaxAmount"),
                each.amount("TaxAmount"),
            )
            for each in document.every("TaxTotal")[: len(quote.taxes)]
        ] == [
            (tax.component, tax.name, tax.rate, tax.base, tax.amount, tax.amount)
            for tax in quote.taxes
        ]
    total = document.one("QuotedMonetaryTotal")
    for name, figure in (
        ("TaxExclusiveAmount", quote.totals.net),
        ("TaxInclusiveAmount", quote.totals.gross),
        ("PrepaidAmount", quote.totals.prepaid),
        ("PayableRoundingAmount", quote.totals.cash_rounding),
        ("PayableAmount", quote.totals.payable),
    ):
        assert total.amount(name) == figure


def turned(given: Amount, sign: int) -> Amount:
    """Return an amount with a sign, zero always without one."""
    if sign < 0 and Decimal(given.amount):
        text = given.amount.removeprefix("-")
        return Amount(text if given.amount.startswith("-") else f"-{text}", given.currency)
    return given


def test_quotation_adds_up_by_the_rules_of_en_16931(drawn: list[Drawn]) -> None:
    for _, quote, document in drawn:
        check_sums(quote.shop.currency, Read.of(document))


def check_sums(currency: str, document: Read) -> None:
    """Assert what EN 16931 and Peppol ask of an invoice's sums, exactly."""
    total = document.one("QuotedMonetaryTotal")
    lines = document.every("QuotationLine/LineItem")
    changes = document.every("AllowanceCharge")
    net = total.number("TaxExclusiveAmount")
    # BR-CO-10, BR-CO-11, BR-CO-12
    assert total.number("LineExtensionAmount") == sum(
        line.number("LineExtensionAmount") for line in lines
    )
    for name, sign in (("AllowanceTotalAmount", -1), ("ChargeTotalAmount", 1)):
        of_sign = [each.number("Amount") for each in changes if signed(each) == sign]
        assert total.number(name) == sum(of_sign)
        assert all(each >= 0 for each in of_sign)
    # BR-CO-13
    assert net == (
        total.number("LineExtensionAmount")
        - total.number("AllowanceTotalAmount")
        + total.number("ChargeTotalAmount")
    )
    # BR-CO-14, BR-CO-15
    taxes = [each.number("TaxAmount") for each in document.every("TaxTotal")]
    assert total.number("TaxInclusiveAmount") == net + sum(taxes)
    for each in document.every("TaxTotal"):
        assert each.number("TaxAmount") == sum(map(Decimal, each.texts("TaxSubtotal/TaxAmount")))
    # BR-CO-16
    assert total.number("PayableAmount") == (
        total.number("TaxInclusiveAmount")
        - total.number("PrepaidAmount")
        + total.number("PayableRoundingAmount")
    )
    # each line's and each change's tax, as far as they say it, is in the total
    assert sum(taxes) == sum(line.number("TotalTaxAmount") for line in lines) + sum(
        signed(each) * each.number("TaxTotal/TaxAmount") for each in changes
    )
    # Peppol R120, BR-27
    for line in lines:
        exact = (
            Fraction(line.text("Quantity"))
            * Fraction(line.text("Price/PriceAmount"))
            / Fraction(line.text("Price/BaseQuantity"))
        )
        assert rounded(exact, currency) == line.number("LineExtensionAmount")
        assert line.number("Price/PriceAmount") >= 0
        assert line.number("Price/BaseQuantity") > 0
    # BR-DEC, and one currency throughout
    for found in document.every("//*[@currencyID]"):
        assert found.element.get("currencyID") == currency
        if not found.element.tag.endswith("PriceAmount"):
            assert -Decimal(found.element.text).as_tuple().exponent == digits(currency)  # type: ignore[operator]
    assert document.text("PricingCurrencyCode") == currency
    assert document.text("LineCountNumeric") == str(len(lines))


def test_categories_are_those_of_the_area(drawn: list[Drawn]) -> None:
    said = 0
    for outcome, quote, document in drawn:
        area = outcome.request.tax_area
        assert area is not None
        applies = {each.id: each.applies_to for each in area.components}
        rates = {tax.component: Decimal(tax.rate) for tax in quote.taxes}
        read = Read.of(document)
        places = {
            each.text("ID"): each.every("TaxCategory") for each in read.every("AllowanceCharge")
        }
        places |= {
            each.text("ID"): each.every("Item/ClassifiedTaxCategory")
            for each in read.every("QuotationLine/LineItem")
        }
        for place, categories in places.items():
            line = quote.lines[int(place) - 1]
            kind = line.tax_kind
            for category in categories:
                scheme = category.text("TaxScheme/ID")
                is_applied = any(kind == each for each in applies.get(scheme, ()))
                right = "O"
                if is_applied and kind in outcome.request.exempt_kinds:
                    right = "E"
                elif is_applied:
                    right = "S" if rates[scheme] else "Z"
                assert category.text("ID") == right, (kind, scheme)
                if right in ("S", "Z"):
                    assert Decimal(category.text("Percent")) == rates[scheme]
            assert categories
            said += 1
            if line.tax is not None and Decimal(line.tax.amount):
                assert any(each.text("ID") == "S" for each in categories)
    assert said


def test_taxable_amounts_of_a_tax_sum_to_the_net_where_categories_are_said(
    drawn: list[Drawn],
) -> None:
    checked = 0
    for outcome, quote, document in drawn:
        area = outcome.request.tax_area
        read = Read.of(document)
        lines = read.every("QuotationLine/LineItem")
        assert all(line.every("Item/ClassifiedTaxCategory") for line in lines)
        if area is None or any(each.compounds for each in area.components):
            continue
        checked += 1
        for tax in read.every("TaxTotal"):
            bases = map(Decimal, tax.texts("TaxSubtotal/TaxableAmount"))
            assert sum(bases) == read.number("QuotedMonetaryTotal/TaxExclusiveAmount")
            assert quote.totals.net is not None
    assert checked >= 20


def test_every_code_is_in_its_published_list(drawn: list[Drawn]) -> None:
    allowances, charges, units = codes("BR-CL-19"), codes("BR-CL-20"), codes("BR-CL-23")
    assert {*REC20.values()} <= units
    assert "KIT" not in units
    seen = set()
    for _, _, document in drawn:
        read = Read.of(document)
        for found in read.every("//*[@unitCode]"):
            assert found.element.get("unitCode") in units
        for each in read.every("AllowanceCharge"):
            reasons = each.texts("AllowanceChargeReasonCode")
            assert set(reasons) <= (charges if signed(each) > 0 else allowances)
            seen.update(reasons)
        categories = read.texts("//ClassifiedTaxCategory/ID") + read.texts("//TaxCategory/ID")
        assert set(categories) <= codes("BR-CL-17") & codes("BR-CL-18")
        seen.update(categories)
        assert {read.text("PricingCurrencyCode")} <= codes("BR-CL-04")
    assert seen == {"FC", "95", "S", "Z", "E", "O"}


def test_quotation_has_the_quote_its_revision_and_its_days() -> None:
    quote = case("h27-generator-plug")
    document = written(quote)
    assert document.element.tag.endswith("}Quotation")
    assert document.text("UBLVersionID") == "2.1"
    assert document.text("ID") == "Q12-3"
    # 03:04 in UTC is the evening before by the shop's clock
    assert document.text("IssueDate") == DAY_OF_ISSUE.isoformat()
    assert document.text("IssueTime") == "22:04:05-05:00"
    assert document.text("ValidityPeriod/EndDate") == quote.valid_until.isoformat()
    reference = document.one("AdditionalDocumentReference")
    assert (reference.text("ID"), reference.text("VersionID")) == ("Q12", "3")
    assert reference.text("Attachment/ExternalReference/DocumentHash") == "ab" * 32


def test_quotation_names_its_parties() -> None:
    quote = case("h27-generator-plug")
    document = written(quote)
    seller, buyer = (
        document.one("SellerSupplierParty/Party"),
        document.one("BuyerCustomerParty/Party"),
    )
    assert seller.text("PartyName/Name") == quote.shop.name
    assert seller.text("PartyIdentification/ID") == quote.shop.id
    assert buyer.text("PartyName/Name") == "Maud Ferrier"
    assert buyer.texts("PostalAddress/AddressLine/Line") == ["Mill Lane 4", "Tollimoor"]
    assert buyer.text("Contact/ElectronicMail") == "maud@example.test"


def test_quotation_leaves_out_a_customer_who_is_not_known() -> None:
    document = written(case("h27-generator-plug"), UNKNOWN)
    assert not document.every("BuyerCustomerParty")
    assert not document.every("//DocumentHash")
    assert_parts_valid(document)


def test_quotation_notes_what_it_is_for_and_that_prices_are_provisional() -> None:
    quote = case("v68-zero-turn-one-head-no-serial")
    notes = written(quote).texts("Note")
    assert quote.provisional
    assert notes[0].startswith("Prices are provisional")
    assert "Machine: Upper orchard" in notes
    assert f"Engine: {quote.engine.name}" in notes
    assert "Operating hours: 412.5" in notes
    firm = structs.replace(quote, provisional=False)
    assert not any("provisional" in note for note in written(firm).texts("Note"))


def test_quotation_says_when_parts_come_and_what_is_asked_in_advance() -> None:
    quote = structs.replace(case("h27-generator-plug"), parts_by=DAY_OF_ISSUE)
    asked = structs.replace(
        quote, totals=structs.replace(quote.totals, deposit=Amount("12.50", "USD"))
    )
    document = written(asked)
    assert document.text("Delivery/EstimatedDeliveryPeriod/EndDate") == "2027-03-01"
    assert "$12.50" in document.text("TransactionConditions/Description")
    nothing = structs.replace(
        quote, parts_by=None, totals=structs.replace(quote.totals, deposit=Amount("0.00", "USD"))
    )
    assert not written(nothing).every("Delivery | TransactionConditions")


def test_quotation_names_the_certificate_that_frees_its_customer() -> None:
    quote = case("v68-zero-turn-exempt")
    assert quote.exemption is not None
    assert quote.exemption.kinds
    document = written(quote)
    found = document.every("//ClassifiedTaxCategory[cbc:ID = 'E']")
    assert found
    for category in found:
        assert quote.exemption.certificate_number in category.text("TaxExemptionReason")
        assert category.text("Percent") == "0"
    freed = [line for line in quote.lines if line.tax_kind in quote.exemption.kinds]
    assert document.number("//TaxSubtotal[cac:TaxCategory/cbc:ID = 'E']/TaxableAmount") == sum(
        Decimal(line.net.amount) for line in freed if line.net is not None
    )


def test_work_that_a_sales_tax_leaves_alone_is_outside_its_scope() -> None:
    document = written(case("h27-generator-exhaust-valve"))
    found = {
        line.text("Item/AdditionalItemProperty[cbc:Name = 'kind']/Value"): line.texts(
            "Item/ClassifiedTaxCategory/ID"
        )
        for line in document.every("QuotationLine/LineItem")
    }
    assert found["part"] == ["S"]
    assert found["labour"] == ["O"]


def of_discounts_alone() -> Quote:
    quote = case("h27-generator-discounts")
    taken = [line for line in quote.lines if line.kind == "discount"]
    return structs.replace(quote, lines=tuple(taken))


def test_quotation_of_discounts_alone_still_has_lines() -> None:
    quote = of_discounts_alone()
    document = written(quote)
    assert len(document.every("QuotationLine")) == len(quote.lines) > 0
    assert_parts_valid(document)


def test_quotation_says_nothing_of_costs_orders_and_reasons() -> None:
    quote = case("v68-zero-turn-head-gaskets")
    assert quote.orders
    bare = structs.replace(
        quote,
        orders=(),
        extras=(),
        assessment=None,
        lines=tuple(structs.replace(line, why=(), labour_class=None) for line in quote.lines),
    )
    assert quotation(bare, ISSUED, zone=ZONE) == quotation(quote, ISSUED, zone=ZONE)


def test_quotation_refuses_a_revision_that_was_never_issued() -> None:
    draft = structs.replace(ISSUED, issued_at=None)
    with pytest.raises(RevisionNotIssued, match="revision 3 of Q12"):
        quotation(case("h27-generator-plug"), draft, zone=ZONE)


def test_quotation_refuses_a_revision_whose_tax_is_not_known() -> None:
    with pytest.raises(AmountsNotKnown, match="revision 3 of Q12"):
        quotation(case("v68-zero-turn-stem-seals-tax-unknown"), ISSUED, zone=ZONE)


def with_text(plain: Quote, text: str) -> tuple[Quote, Envelope]:
    """Return a revision and its envelope with one text for every text that somebody writes."""
    assert plain.exemption is not None
    quote = structs.replace(
        plain,
        shop=structs.replace(plain.shop, id=text, name=text),
        engine=structs.replace(plain.engine, name=text, chassis_name=text, build_code=text),
        exemption=structs.replace(plain.exemption, certificate_number=text),
        taxes=tuple(structs.replace(tax, component=text, name=text) for tax in plain.taxes),
        lines=tuple(structs.replace(line, code=text, description=text) for line in plain.lines),
    )
    envelope = structs.replace(
        ISSUED,
        customer_name=text,
        customer_address=text,
        customer_email=text,
        machine_name=text,
        sha256=text,
    )
    return quote, envelope


@pytest.mark.parametrize("text", HOSTILE)
def test_quotation_with_any_text_is_made_of_valid_parts(text: str) -> None:
    assert_parts_valid(written(*with_text(case("v68-zero-turn-exempt"), text)))


@pytest.mark.parametrize("text", HOSTILE)
def test_quotation_keeps_any_text_in_any_field(text: str) -> None:
    plain = case("v68-zero-turn-exempt")
    document = written(*with_text(plain, text))
    safe = safe_text(text)
    for path in (
        "SellerSupplierParty/Party/PartyName/Name",
        "BuyerCustomerParty/Party/PartyName/Name",
        "BuyerCustomerParty/Party/Contact/ElectronicMail",
        "QuotationLine[1]/LineItem/Item/Name",
        "QuotationLine[1]/LineItem/Item/SellersItemIdentification/ID",
        "AdditionalDocumentReference/Attachment/ExternalReference/DocumentHash",
    ):
        assert document.text(path) == safe, path
    assert f"Machine: {safe}" in document.texts("Note")
    assert any(safe in reason for reason in document.texts("//TaxExemptionReason"))
    # the text makes no elements of its own; only an address and notes have as many as it has
    assert tags(document) == tags(written(plain))


def tags(document: Read) -> Counter[str]:
    found = Counter(str(each.element.tag).partition("}")[2] for each in document.every("//*"))
    for name in ("Note", "AddressLine", "Line"):
        del found[name]
    return found


def test_safe_text_marks_each_character_that_xml_cannot_hold() -> None:
    assert safe_text("a\x00b\x1f\ud800\ufffe") == "a\ufffdb\ufffd\ufffd\ufffd"
    assert (
        safe_text("a\r\nb\rc\n\td\x7f\x85\u202e\U0001f600")
        == "a\nb\nc\n\td\x7f\x85\u202e\U0001f600"
    )


def test_quotation_of_a_revision_is_the_same_bytes_each_time() -> None:
    quote = case("h27-generator-discounts")
    once = quotation(quote, ISSUED, zone=ZONE)
    assert once == quotation(quote, ISSUED, zone=ZONE)
    assert once.startswith(b"<?xml version='1.0' encoding='utf-8'?>\n<Quotation ")
