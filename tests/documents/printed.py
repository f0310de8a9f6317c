"""What the tests of printed documents share: a revision to print, and how a PDF is read back."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pikepdf
import pypdf
from msgspec import structs
from tests.stages.workbench import HIRE_YARD, starter

from kitwright.catalogue.model import Contact, Grade, Shop, ShopId, SupplierId, Verdict
from kitwright.documents.bench_sheet import bench_sheet_pdf
from kitwright.documents.order_sheet import order_sheet_pdf
from kitwright.documents.order_text import MadeOrder
from kitwright.documents.pick_list import pick_list_pdf
from kitwright.documents.quote_pdf import quote_pdf
from kitwright.language.scribe import Scribe
from kitwright.quote import (
    Assessment,
    CylinderLeakage,
    Envelope,
    LeakageBand,
    Order,
    Question,
    Quote,
    RankedFault,
    ScopedJobs,
    read_quote,
)
from kitwright.stages.finding import Standing

CASES = Path(__file__).parents[1] / "cases"
WHOLE = "v68-zero-turn-warped-heads"
SCRIBE = Scribe("en")
CONTACT = Contact(
    address=("4 Weir Lane", "Tollimoor"), telephone="+1 555 0142", email="bench@example.test"
)
SELLER = Contact(address=("7 Quay Road",), telephone="+1 555 0177", email="orders@example.test")
ACCOUNT = "TH-4410"
DELIVER_TO = ("Rear gate, 18 Gravel Row", "Tollimoor")
ORDERED_AT = datetime(2027, 3, 9, 16, 30, tzinfo=UTC)
"""When an order is made: days after its quote."""


def made(order: Order, *references: str) -> MadeOrder:
    """Return an order as it was made, every line of it for some revisions."""
    each = references or ("Q12-2",)
    return MadeOrder(
        order=order,
        id="O3",
        at=ORDERED_AT,
        references=(each,) * len(order.lines),
        seller=SELLER,
    )


def buyer(quote: Quote, contact: Contact = CONTACT) -> Shop:
    """Return the shop of a quote, with an account number with every supplier."""
    shop = starter().shops[HIRE_YARD]
    accounts = {SupplierId(order.supplier): ACCOUNT for order in quote.orders}
    return structs.replace(
        shop,
        id=ShopId(quote.shop.id),
        name=quote.shop.name,
        currency=quote.shop.currency,
        contact=contact,
        purchasing=structs.replace(shop.purchasing, accounts=accounts, deliver_to=DELIVER_TO),
    )


ENVELOPE = Envelope(
    quote_id="Q12",
    revision=2,
    state="issued",
    issued_at=datetime(2027, 3, 1, 9, tzinfo=UTC),
    sha256="0123456789abcdef" * 4,
    customer_name="Ada Pellow",
    customer_address="12 Mill Row\n90210 Tollimoor",
    machine_name="The blue one",
    machine_hours="412",
)
HOSTILE = (
    '#panic("x") $1/0$ @nowhere <b> `raw` \\ \\u{202e} // /* *_= #let #import "quote.typ" '
    "<script>alert(1)</script> {{ 7 * 7 }} \u202e\u2066\u0000\u0007\u001b[31m\ufeff\u200b 漢字"
)


def quoted() -> list[str]:
    """Return the names of all kept cases that are quotes."""
    names = (path.name.removesuffix(".answer.json") for path in CASES.glob("*.answer.json"))
    return sorted(name for name in names if b'"lines"' in answered(name))


def answered(name: str) -> bytes:
    return (CASES / f"{name}.answer.json").read_bytes()


def quote_of(name: str = WHOLE) -> Quote:
    return read_quote(answered(name))


def full_quote() -> Quote:
    """Return a revision that has something in every section."""
    return structs.replace(
        quote_of(),
        provisional=True,
        complaint="Smokes blue at full throttle.\n\nOil gone in a week.",
        assessment=Assessment(
            family="TB-V68",
            language="en",
            catalogue_revision="",
            background=(),
            stopped=False,
            diagnoses=(
                RankedFault(
                    code="HG-OUTSIDE",
                    name="Head gasket leaks to the outside",
                    cylinder=1,
                    probability="0.8731",
                    grade=Grade.confirmed,
                    is_seen=False,
                    contested=False,
                    is_weak=False,
                    has_job=True,
                    is_quotable=True,
                    held_by=(),
                    to_check=(),
                    speaks_for=(),
                    speaks_against=(),
                    plain="Air leaves the cylinder past the head gasket.",
                    say_not="",
                    scopes=ScopedJobs(least=(), recommended=(), thorough=()),
                ),
            ),
            none="0.0000",
            leakage=(
                _leakage(1, "39", "leakage over 30 %"),
                _leakage(2, None, None),
            ),
            leakage_bands=(
                LeakageBand(band="lt10", words="", upper_percent="10", verdict=Verdict.good),
                LeakageBand(band="10to20", words="", upper_percent="20", verdict=Verdict.watch),
                LeakageBand(band="gt20", words="", upper_percent=None, verdict=Verdict.bad),
            ),
            gates=(),
            conflicts=(),
            next_tests=(),
            cautions=(),
        ),
        questions=(
            Question(
                role="head_gasket",
                cylinder=1,
                parts=("V68-G-102", "V68-G-103"),
                options=(),
                priced="V68-G-103",
                held=(),
            ),
        ),
    )


def _leakage(cylinder: int, percent: str | None, words: str | None) -> CylinderLeakage:
    return CylinderLeakage(
        cylinder=cylinder,
        percent=percent,
        whole_percent=percent,
        band=None,
        words=words,
        standing=Standing.counts,
        readings=(),
    )


def every_pdf(
    quote: Quote, envelope: Envelope = ENVELOPE, contact: Contact = CONTACT
) -> dict[str, bytes]:
    """Return each printed document of a revision by name."""
    return {
        "quote": quote_pdf(quote, envelope, SCRIBE, contact=contact),
        "bench sheet": bench_sheet_pdf(quote, envelope, contact=contact),
        "pick list": pick_list_pdf(quote, envelope, SCRIBE, contact=contact),
        "order sheet": order_sheet_pdf(made(quote.orders[0]), buyer(quote, contact), SCRIBE),
    }


def pages(document: bytes) -> list[str]:
    """Return the text of each page, breaks inside words and all kinds of space evened out."""
    reader = pypdf.PdfReader(io.BytesIO(document))
    return [even(page.extract_text()) for page in reader.pages]


def text(document: bytes) -> str:
    return " ".join(pages(document))


def even(told: str) -> str:
    return " ".join(re.sub("[\u200b\u2068\u2069]", "", told).split())


def bare(told: str) -> str:
    """Return a text without spaces and hyphens, which fall differently where lines end."""
    return re.sub(r"[\s\u00ad\u200b-]", "", told)


def elements(pdf: pikepdf.Pdf) -> Iterator[pikepdf.Dictionary]:
    """Yield the structure elements of a tagged PDF in the order in which they are read."""
    root = pdf.Root.StructTreeRoot

    def walk(node: object) -> Iterator[pikepdf.Dictionary]:
        if isinstance(node, pikepdf.Array):
            for each in node:
                yield from walk(each)
        elif isinstance(node, pikepdf.Dictionary) and "/S" in node:
            yield node
            yield from walk(node.get("/K"))

    yield from walk(root.get("/K"))
