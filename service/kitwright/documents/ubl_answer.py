"""UBL answer: a supplier's answer to an order, read from a UBL 2.1 OrderResponse.

The document is somebody else's. One with a document type is refused, so that it can define no
entities, and one that is too large, too deep or has too many elements.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Final
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from msgspec import Struct

from kitwright.errors import KitwrightError

MOST_BYTES: Final = 262_144
MOST_DEPTH: Final = 50
MOST_ELEMENTS: Final = 50_000

_UBL: Final = "urn:oasis:names:specification:ubl:schema:xsd:"
_CAC: Final = f"{{{_UBL}CommonAggregateComponents-2}}"
_CBC: Final = f"{{{_UBL}CommonBasicComponents-2}}"
_WHOLE: Final = f"{{{_UBL}OrderResponse-2}}OrderResponse"
_SIMPLE: Final = f"{{{_UBL}OrderResponseSimple-2}}OrderResponseSimple"
_REJECTED: Final = frozenset({"RE", "REJECTED"})
_PERIODS: Final = ("PromisedDeliveryPeriod", "EstimatedDeliveryPeriod")


class AnswerUnreadable(KitwrightError):
    """A document that is not an order response, or not one that is safe to read."""

    code = "answer-unreadable"

    def __init__(self, reason: str) -> None:
        super().__init__(f"this is not a UBL order response that can be read: {reason}")
        self.reason = reason


class UblLine(Struct, frozen=True, kw_only=True):
    """A line of an order response. `status` is its line status code, in lower case, empty for none;
    the other members are None if the document does not say them. `unit_cost` is for one unit.
    """

    line: str
    status: str
    sku: str | None
    quantity: Decimal | None
    back_ordered: Decimal | None
    promised: date | None
    unit_cost: Decimal | None
    currency: str | None
    note: str | None


class UblAnswer(Struct, frozen=True, kw_only=True):
    """An order response: its own number, the order that it answers, and its lines.

    `is_rejected` if it rejects the order as a whole.
    """

    number: str
    order: str
    is_rejected: bool
    lines: tuple[UblLine, ...]


def read_answer(document: bytes) -> UblAnswer:
    """Return what a UBL 2.1 OrderResponse or OrderResponseSimple says.

    Raises: AnswerUnreadable.
    """
    if len(document) > MOST_BYTES:
        raise AnswerUnreadable(f"it has more than {MOST_BYTES} bytes")
    root = _parsed(document)
    if root.tag not in (_WHOLE, _SIMPLE):
        raise AnswerUnreadable("its root is neither an OrderResponse nor an OrderResponseSimple")
    accepted = _text(root, "AcceptedIndicator")
    code = (_text(root, "OrderResponseCode") or "").upper()
    if root.tag == _SIMPLE and accepted not in ("true", "false", "1", "0"):
        raise AnswerUnreadable("AcceptedIndicator should be true or false")
    return UblAnswer(
        number=_needed(root, "ID"),
        order=_order(root),
        is_rejected=code in _REJECTED or accepted in ("false", "0"),
        lines=tuple(_lines(root)),
    )


def _parsed(document: bytes) -> Element:
    """Return the root of a document that has no document type.

    The parser of the standard library is used with this refusal: without a document type there are
    no entities to expand and nothing outside to be fetched.
    """
    builder, parser = TreeBuilder(), expat.ParserCreate(namespace_separator="}")
    counts = {"depth": 0, "elements": 0}

    def start(name: str, attributes: dict[str, str]) -> None:
        counts["depth"] += 1
        counts["elements"] += 1
        if counts["depth"] > MOST_DEPTH or counts["elements"] > MOST_ELEMENTS:
            raise AnswerUnreadable("it is too deep, or has too many elements")
        builder.start(_tag(name), {_tag(key): value for key, value in attributes.items()})

    def end(name: str) -> None:
        counts["depth"] -= 1
        builder.end(_tag(name))

    def refuse(*_: object) -> None:
        raise AnswerUnreadable("it has a document type (DOCTYPE)")

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = builder.data
    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    try:
        parser.Parse(document, True)
        return builder.close()
    except (expat.ExpatError, ValueError, LookupError, AssertionError) as error:
        raise AnswerUnreadable(f"it is not well-formed XML ({error})") from None


def _tag(name: str) -> str:
    return f"{{{name}" if "}" in name else name


def _order(root: Element) -> str:
    named = [_text(each, "ID") for each in root.findall(f"{_CAC}OrderReference")]
    found = [name for name in named if name]
    if len(found) != 1:
        raise AnswerUnreadable("it should name exactly one order in OrderReference")
    return found[0]


def _lines(root: Element) -> Iterator[UblLine]:
    for item in root.findall(f"{_CAC}OrderLine/{_CAC}LineItem"):
        price = item.find(f"{_CAC}Price")
        cost = None if price is None else _decimal(price, "PriceAmount")
        per = None if price is None else _decimal(price, "BaseQuantity")
        if per is not None and per <= 0:
            raise AnswerUnreadable("a BaseQuantity should be above zero")
        amount = None if price is None else price.find(f"{_CBC}PriceAmount")
        sku = item.find(f"{_CAC}Item/{_CAC}SellersItemIdentification")
        yield UblLine(
            line=_needed(item, "ID"),
            status=(_text(item, "LineStatusCode") or "").lower(),
            sku=None if sku is None else _text(sku, "ID"),
            quantity=_decimal(item, "Quantity"),
            back_ordered=_decimal(item, "MaximumBackorderQuantity"),
            promised=_promised(item),
            unit_cost=cost if cost is None or per is None else cost / per,
            currency=None if amount is None else amount.get("currencyID"),
            note=_text(item, "Note"),
        )


def _promised(item: Element) -> date | None:
    """Return the last day that a line's deliveries promise, None if they promise none."""
    days = []
    for delivery in item.findall(f"{_CAC}Delivery"):
        named = [_text(delivery, "LatestDeliveryDate")]
        for name in _PERIODS:
            period = delivery.find(f"{_CAC}{name}")
            if period is not None:
                named.append(_text(period, "EndDate") or _text(period, "StartDate"))
        days += [_day(text) for text in named if text]
    return max(days, default=None)


def _text(element: Element, name: str) -> str | None:
    """Return the text of the first child of a name, stripped; None if there is none."""
    found = element.find(f"{_CBC}{name}")
    text = "" if found is None else (found.text or "").strip()
    return text or None


def _needed(element: Element, name: str) -> str:
    text = _text(element, name)
    if text is None:
        raise AnswerUnreadable(f"{name} is missing")
    return text


def _decimal(element: Element, name: str) -> Decimal | None:
    text = _text(element, name)
    if text is None:
        return None
    try:
        number = Decimal(text)
    except InvalidOperation:
        number = Decimal("NaN")
    if not number.is_finite() or abs(number) >= 10**9 or not text.isascii():
        raise AnswerUnreadable(f"{name} should be a number")
    return number


def _day(text: str) -> date:
    try:
        # a zone may follow the day
        return date.fromisoformat(text[:10])
    except ValueError:
        raise AnswerUnreadable(f"{text[:40]!r} is not a day") from None
