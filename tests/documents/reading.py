"""Pages read back: a strict reader of HTML, and the figures that a page shows."""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

VOID = {"meta", "input", "link", "br", "hr", "img"}
PHRASES = {"a", "bdi", "span", "strong", "label", "input", "button", "time"}
MONEY = re.compile(r"(-?)\D{1,3}?([0-9][0-9,]*(?:\.[0-9]+)?)")


class NotStrict(AssertionError):
    """Markup that a lenient reader would have to guess at."""


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.builder = ET.TreeBuilder()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        if len(names) != len(set(names)):
            raise NotStrict(f"<{tag}> has an attribute twice: {names}")
        for name, _ in attrs:
            if not re.fullmatch(r"[a-z][a-z-]*[0-9]?", name.lower()):
                raise NotStrict(f"<{tag}> has an attribute {name!r}")
        if "p" in self.open and tag not in PHRASES:
            raise NotStrict(f"<{tag}> in a paragraph")
        self.builder.start(tag, {name: value or "" for name, value in attrs})
        if tag in VOID:
            self.builder.end(tag)
        else:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            raise NotStrict(f"</{tag}> closes what is not open")
        self.builder.end(tag)

    def handle_data(self, data: str) -> None:
        if self.open:
            self.builder.data(data)
        elif data.strip():
            raise NotStrict(f"text outside: {data!r}")

    def handle_comment(self, data: str) -> None:
        raise NotStrict(f"a comment: {data!r}")


def read(page: str) -> ET.Element:
    """Return a page as a tree. Raises: NotStrict, where a tag is not closed in its turn."""
    head, _, rest = page.partition("\n")
    assert head == "<!DOCTYPE html>"
    reader = _Reader()
    reader.feed(rest)
    reader.close()
    if reader.open:
        raise NotStrict(f"never closed: {reader.open}")
    return reader.builder.close()


def text(element: ET.Element) -> str:
    """Return the text of an element as it is seen: white space as one space."""
    return " ".join("".join(element.itertext()).split())


def having(root: ET.Element, name: str) -> Iterator[ET.Element]:
    """Yield the elements of a class, in order."""
    return (one for one in root.iter() if name in one.get("class", "").split())


def figure(told: str) -> Decimal:
    """Return the figure of an amount of money in English: `-$1,234.50`."""
    match = MONEY.fullmatch(told)
    assert match, told
    return Decimal(match[1] + match[2].replace(",", ""))


def rows(table: ET.Element, kind: str) -> list[tuple[str, Decimal]]:
    """Return label and figure of the rows of a class."""
    return [(text(row[0]), figure(text(row[1]))) for row in having(table, kind)]


def section(root: ET.Element, name: str) -> ET.Element | None:
    """Return the section that a heading's id labels."""
    found = (one for one in root.iter("section") if one.get("aria-labelledby") == name)
    return next(found, None)


def words_before_yes(page: str) -> list[str]:
    """Return the words that are seen on a screen up to the button that says yes, it included. On a
    page without one, those above the details. Of what is folded, only its heading is seen.
    """
    told: list[str] = []
    _seen(read(page), told)
    return " ".join(told).split()


def _seen(element: ET.Element, told: list[str]) -> bool:
    """Add what is seen of an element; return whether the answer is reached."""
    classes = element.get("class", "").split()
    if element.tag in ("head", "desc") or "signed" in classes:
        return False
    if "after" in classes:
        return True
    told.append(element.text or "")
    is_folded = element.tag == "details" and element.get("open") is None
    for child in element:
        if is_folded and child.tag != "summary":
            continue
        if _seen(child, told):
            return True
        told.append(child.tail or "")
    return element.tag == "button" and "yes" in classes
