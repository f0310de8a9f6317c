"""Parts orders in UBL: sound by the schema, and figure for figure what was ordered."""

from collections.abc import Iterator
from datetime import UTC, datetime
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from msgspec import structs
from tests.documents.printed import ACCOUNT, CONTACT, DELIVER_TO, SELLER, buyer
from tests.documents.ubl_reader import (
    CASES,
    HOSTILE,
    Read,
    assert_parts_valid,
    codes,
    drawn_quotes,
    rounded,
    schema,
)

from kitwright.documents.order_text import MadeOrder
from kitwright.documents.ubl_order import ubl_order
from kitwright.documents.ubl_xml import safe_text
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Order, OrderFee, Quote, read_quote

Ordered = tuple[Quote, Order]


MADE_AT = datetime(2027, 3, 2, 3, 4, 5, tzinfo=UTC).astimezone(ZoneInfo("America/Toronto"))


def written(quote: Quote, order: Order) -> Read:
    made = MadeOrder(
        order=order,
        id="O3",
        at=MADE_AT,
        references=(("Q12-3",),) * len(order.lines),
        seller=SELLER,
    )
    return Read.of(ubl_order(made, buyer(quote), Scribe(quote.language)))


def ordered() -> Iterator[Ordered]:
    quotes = [read_quote(path.read_bytes()) for path in sorted(CASES.glob("*.answer.json"))]
    quotes += [quote for _, quote in drawn_quotes(range(100, 108), terms=2)]
    for quote in quotes:
        for order in quote.orders:
            yield quote, order


@pytest.fixture(scope="module")
def orders() -> list[Ordered]:
    found = [*ordered()]
    assert len(found) > 60
    assert any(order.fees for _, order in found)
    assert {order.net.currency for _, order in found} == {"BHD", "EUR", "JPY", "USD"}
    return found


def test_orders_are_valid_by_their_own_schema(orders: list[Ordered], shared: Path) -> None:
    """Needs the schema of an Order, which no package carries."""
    quote, plain = orders[0]
    hostile = [(quote, with_text(plain, str(each.values[0]))) for each in HOSTILE]
    for each in (*orders, *hostile):
        schema(shared, "Order").assertValid(written(*each).element)


def test_orders_are_made_of_valid_parts(orders: list[Ordered]) -> None:
    for each in orders:
        assert_parts_valid(written(*each))


def test_order_says_every_figure_and_adds_up(orders: list[Ordered]) -> None:
    for quote, order in orders:
        document = written(quote, order)
        total = document.one("AnticipatedMonetaryTotal")
        lines = document.every("OrderLine/LineItem")
        assert [
            (
                line.text("Item/SellersItemIdentification/ID"),
                line.text("Item/BuyersItemIdentification/ID"),
                line.text("Item/Name"),
                line.text("Item/BrandName"),
                line.text("Item/PackSizeNumeric"),
                line.quantity("Quantity"),
                line.amount("Price/PriceAmount"),
                line.amount("LineExtensionAmount"),
                line.text("Delivery/RequestedDeliveryPeriod/EndDate"),
            )
            for line in lines
        ] == [
            (
                line.sku,
                line.item,
                line.name,
                line.brand,
                str(line.pack_size),
                (str(line.packs), "C62"),
                Amount(line.unit_cost, order.net.currency),
                line.net,
                line.promised.isoformat(),
            )
            for line in order.lines
        ]
        assert total.amount("LineExtensionAmount") == order.goods
        assert total.amount("TaxExclusiveAmount") == total.amount("PayableAmount") == order.net
        nets = [line.number("LineExtensionAmount") for line in lines]
        charges = [each.number("Amount") for each in document.every("AllowanceCharge")]
        assert total.number("LineExtensionAmount") == sum(nets)
        assert total.number("ChargeTotalAmount") == sum(charges)
        assert total.number("TaxExclusiveAmount") == sum(nets) + sum(charges)
        for line, net in zip(lines, nets, strict=True):
            exact = Fraction(line.text("Quantity")) * Fraction(line.text("Price/PriceAmount"))
            assert rounded(exact, order.net.currency) == net


def test_order_codes_its_freight_and_words_its_fees(orders: list[Ordered]) -> None:
    quote, order = next((quote, order) for quote, order in orders if Decimal(order.freight.amount))
    fees = (
        OrderFee(code="small-order", amount=Amount("1.00", "USD")),
        OrderFee(code="storage", amount=order.freight),
    )
    document = written(quote, structs.replace(order, fees=fees))
    assert document.texts("AllowanceCharge/AllowanceChargeReason") == [
        "Small order fee",
        "storage",
        "Freight",
    ]
    assert document.texts("AllowanceCharge/AllowanceChargeReasonCode") == ["FC"]
    assert "FC" in codes("BR-CL-20")
    assert set(document.texts("AllowanceCharge/ChargeIndicator")) == {"true"}


def test_order_names_its_parties_and_its_day(orders: list[Ordered]) -> None:
    quote, order = orders[0]
    document = written(quote, order)
    assert document.text("ID") == "O3"
    assert document.text("CustomerReference") == "Q12-3"
    assert document.text("IssueDate") == "2027-03-01"
    assert document.text("IssueTime") == "22:04:05-05:00"
    assert document.text("BuyerCustomerParty/Party/PartyName/Name") == quote.shop.name
    assert document.text("SellerSupplierParty/Party/PartyName/Name") == order.name
    assert document.text("Delivery/RequestedDeliveryPeriod/EndDate") == order.promised.isoformat()


def test_order_says_who_buys_where_from_and_for_which_account(orders: list[Ordered]) -> None:
    document = written(*orders[0])
    buyer_, seller = document.one("BuyerCustomerParty"), document.one("SellerSupplierParty")
    line = "Party/PostalAddress/AddressLine/Line"
    assert buyer_.text("SupplierAssignedAccountID") == ACCOUNT
    assert buyer_.texts(line) == [*CONTACT.address]
    assert buyer_.text("Party/Contact/ElectronicMail") == CONTACT.email
    assert seller.texts(line) == [*SELLER.address]
    assert seller.text("Party/Contact/Telephone") == SELLER.telephone
    assert document.texts("Delivery/DeliveryAddress/AddressLine/Line") == [*DELIVER_TO]


def test_order_for_several_quotes_names_them_line_by_line(
    orders: list[Ordered], shared: Path
) -> None:
    quote, order = orders[0]
    made = MadeOrder(
        order=order, id="O3", at=MADE_AT, references=(("Q1-1", "Q2-4"),) * len(order.lines)
    )
    document = Read.of(ubl_order(made, buyer(quote), Scribe("en")))
    schema(shared, "Order").assertValid(document.element)
    assert document.text("CustomerReference") == "O3"
    assert document.texts("OrderLine/LineItem/Note") == ["Q1-1, Q2-4"] * len(order.lines)


def with_text(plain: Order, text: str) -> Order:
    """Return an order with one text for every text of the catalogue."""
    return structs.replace(
        plain,
        supplier=text,
        name=text,
        fees=(OrderFee(code=text, amount=plain.goods),),
        lines=tuple(
            structs.replace(line, sku=text, item=text, name=text, brand=text)
            for line in plain.lines
        ),
    )


@pytest.mark.parametrize("text", HOSTILE)
def test_order_with_any_text_is_made_of_valid_parts(text: str, orders: list[Ordered]) -> None:
    quote, plain = orders[0]
    assert_parts_valid(written(quote, with_text(plain, text)))


@pytest.mark.parametrize("text", HOSTILE)
def test_order_keeps_any_text_in_any_field(text: str, orders: list[Ordered]) -> None:
    quote, plain = orders[0]
    document = written(quote, with_text(plain, text))
    safe = safe_text(text)
    assert document.text("SellerSupplierParty/Party/PartyName/Name") == safe
    assert document.texts("AllowanceCharge/AllowanceChargeReason")[0] == safe
    for name in ("Name", "BrandName", "SellersItemIdentification/ID"):
        assert set(document.texts(f"OrderLine/LineItem/Item/{name}")) == {safe}
