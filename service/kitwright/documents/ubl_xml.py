"""Elements of UBL 2.1 documents: their names, amounts, quantities and safe text.

Elements are created with prefixes in their names, so that nothing global is registered. The schema
defines their order, and callers must follow it.
"""

from __future__ import annotations

import re
from typing import Final
from xml.etree.ElementTree import Element, SubElement, tostring

from kitwright.quote import Amount

_UBL: Final = "urn:oasis:names:specification:ubl:schema:xsd:"
UBL_VERSION: Final = "2.1"

_UNFIT: Final = re.compile("[^\t\n\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 can't contain, not even as character references."""


def document(name: str) -> Element:
    """Return the root of a document, such as `Quotation`, with its version."""
    root = Element(
        name,
        {
            "xmlns": f"{_UBL}{name}-2",
            "xmlns:cac": f"{_UBL}CommonAggregateComponents-2",
            "xmlns:cbc": f"{_UBL}CommonBasicComponents-2",
        },
    )
    value(root, "UBLVersionID", UBL_VERSION)
    return root


def group(parent: Element, *names: str) -> Element:
    """Return a new aggregate, the innermost if several names are nested."""
    for name in names:
        parent = SubElement(parent, f"cac:{name}")
    return parent


def value(parent: Element, name: str, text: str, **attributes: str) -> None:
    """Add a basic element with a text, which may contain any characters."""
    SubElement(parent, f"cbc:{name}", attributes).text = safe_text(text)


def amount(parent: Element, name: str, given: Amount) -> None:
    """Add an amount with its currency, with all its digits."""
    value(parent, name, given.amount, currencyID=given.currency)


def quantity(parent: Element, name: str, number: str, unit: str) -> None:
    """Add a quantity; `unit` is a code of UN/ECE Recommendation 20."""
    value(parent, name, number, unitCode=unit)


def safe_text(text: str) -> str:
    """Return a text as an XML reader will return it.

    Line ends become those that a reader produces. Characters that XML can't contain are replaced by
    U+FFFD, to show that something was there.
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    return _UNFIT.sub("\N{REPLACEMENT CHARACTER}", lines)


def encoded(root: Element) -> bytes:
    """Return a document in UTF-8, with its XML declaration."""
    written: bytes = tostring(root, encoding="utf-8", xml_declaration=True)
    return written
