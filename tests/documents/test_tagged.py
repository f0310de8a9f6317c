"""Every printed document is a tagged PDF that can be read aloud (ISO 14289-1).

Checked here is what a machine can tell of it without a validator of its own; that typst itself
refuses a document that breaks the rest is asked for by its `ua-1`.
"""

import io
import re
from collections.abc import Iterator
from itertools import pairwise

import pikepdf
import pypdf
import pytest
from msgspec import structs
from tests.documents.printed import (
    CONTACT,
    ENVELOPE,
    HOSTILE,
    ORDERED_AT,
    elements,
    every_pdf,
    full_quote,
    pages,
    quote_of,
    text,
)

NAMES = ("quote", "bench sheet", "pick list", "order sheet")


@pytest.fixture(scope="module")
def made() -> dict[str, bytes]:
    return every_pdf(full_quote())


@pytest.fixture
def pdf(made: dict[str, bytes], request: pytest.FixtureRequest) -> Iterator[pikepdf.Pdf]:
    with pikepdf.open(io.BytesIO(made[request.param])) as opened:
        yield opened


each = pytest.mark.parametrize("pdf", NAMES, indirect=True)


@each
def test_pdf_says_what_it_is(pdf: pikepdf.Pdf) -> None:
    root = pdf.Root

    assert root.MarkInfo.Marked
    assert str(root.Lang) == "en"
    assert root.ViewerPreferences.DisplayDocTitle
    with pdf.open_metadata() as metadata:
        assert metadata["pdfuaid:part"] == "1"
        is_order = "Purchase order" in metadata["dc:title"]
        assert ("O3" if is_order else "Q12, revision 2") in metadata["dc:title"]
        assert metadata["dc:creator"] == ["Tollimoor Hire Yard"]
        made_on = ORDERED_AT.date().isoformat() if is_order else "2027-03-01"
        assert metadata["xmp:CreateDate"].startswith(made_on)


@each
def test_pdf_tells_in_words_what_its_figures_show(pdf: pikepdf.Pdf) -> None:
    for element in elements(pdf):
        if element.S == "/Figure":
            assert len(str(element.Alt)) > 20


@each
def test_pdf_heads_every_column_of_every_table(pdf: pikepdf.Pdf) -> None:
    tables = [element for element in elements(pdf) if element.S == "/Table"]

    assert tables
    for table in tables:
        heads = [cell for cell in _below(table) if cell.S == "/TH"]
        rows = [row for row in _below(table) if row.S == "/TR"]
        assert len(heads) >= 3 or len(tables) > 1
        assert len(rows) > 1
        assert all(_scope(cell) in ("/Column", "/Both") for cell in heads)


def _below(element: pikepdf.Dictionary) -> Iterator[pikepdf.Dictionary]:
    children = element.get("/K")
    for child in children if isinstance(children, pikepdf.Array) else [children]:
        if isinstance(child, pikepdf.Dictionary) and "/S" in child:
            yield child
            yield from _below(child)


def _scope(cell: pikepdf.Dictionary) -> str:
    attributes = cell.get("/A")
    listed = attributes if isinstance(attributes, pikepdf.Array) else [attributes]
    known = [one for one in listed if isinstance(one, pikepdf.Dictionary)]
    (scope,) = [str(one.Scope) for one in known if "/Scope" in one]
    return scope


@each
def test_pdf_nests_its_headings(pdf: pikepdf.Pdf) -> None:
    levels = [int(str(one.S)[2:]) for one in elements(pdf) if re.fullmatch(r"/H\d", str(one.S))]

    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


@each
def test_pdf_carries_its_fonts(pdf: pikepdf.Pdf) -> None:
    fonts = [
        one
        for one in pdf.objects
        if isinstance(one, pikepdf.Dictionary) and one.get("/Type") == "/Font"
    ]
    whole = [font for font in fonts if font.Subtype == "/Type0"]

    assert whole
    for font in whole:
        assert "/ToUnicode" in font
        descriptor = font.DescendantFonts[0].FontDescriptor
        assert {"/FontFile2", "/FontFile3"} & set(descriptor.keys())


@pytest.mark.parametrize("name", NAMES)
def test_pdf_names_quote_and_page_on_every_page(made: dict[str, bytes], name: str) -> None:
    told = pages(made[name])

    for number, page in enumerate(told, start=1):
        assert ("Purchase order O3" if name == "order sheet" else "Q12, revision 2") in page
        assert f"Page {number} of {len(told)}" in page


@pytest.mark.parametrize("name", NAMES)
def test_pdf_shows_hostile_texts_and_obeys_none(name: str) -> None:
    quote = full_quote()
    order = quote.orders[0]
    hostile = structs.replace(
        quote,
        shop=structs.replace(quote.shop, name=HOSTILE),
        jobs=tuple(structs.replace(job, name=HOSTILE) for job in quote.jobs),
        lines=tuple(structs.replace(line, description=HOSTILE) for line in quote.lines),
        orders=(
            structs.replace(
                order,
                name=HOSTILE,
                lines=tuple(
                    structs.replace(line, name=HOSTILE, sku=HOSTILE, brand=HOSTILE)
                    for line in order.lines
                ),
            ),
        ),
        kit=structs.replace(
            quote.kit,
            needs=tuple(structs.replace(need, name=HOSTILE) for need in quote.kit.needs),
        ),
    )
    envelope = structs.replace(
        ENVELOPE, customer_name=HOSTILE, customer_address=HOSTILE, machine_name=HOSTILE
    )

    told = text(every_pdf(hostile, envelope)[name])

    assert '#panic("x") $1/0$ @nowhere <b> `raw` \\ \\u{202e} // /* *_= #let' in told
    assert "stands for a character that can't be printed" in told
    assert "{{ 7 * 7 }}" in told


@pytest.mark.parametrize("name", NAMES)
def test_pdf_is_copied_without_signs_that_nobody_sees(name: str) -> None:
    # a place where a line may end must not get into a number or an address that is copied
    mail = "the-repair-counter-of-the-whole-yard@example.test"
    quote = full_quote()
    envelope = structs.replace(ENVELOPE, machine_name="X" * 60, customer_email=mail)
    made = every_pdf(quote, envelope, structs.replace(CONTACT, email=mail))[name]
    with pikepdf.open(io.BytesIO(made)) as pdf:
        streams = [one.read_bytes() for one in pdf.objects if isinstance(one, pikepdf.Stream)]
    told = "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(made)).pages)

    for one in streams:
        assert not re.search(rb"(?i)ActualText ?<[0-9A-F]*200B", one)
    assert "\u200b" not in told
    assert mail in told or name in ("bench sheet", "pick list")
    wanted = {
        "quote": [envelope.sha256 or "", "V68-B-205", "V68-G-140"],
        "order sheet": [line.sku for line in quote.orders[0].lines],
    }
    for code in wanted.get(name, ["V68-B-205"] if name == "bench sheet" else []):
        assert code in told


@pytest.mark.parametrize("name", NAMES)
def test_pdf_explains_no_mark_that_it_does_not_show(name: str) -> None:
    assert "can't be printed" not in text(every_pdf(quote_of())[name])


@pytest.mark.parametrize("long", ["W" * 10_000, "wide words " * 900], ids=["one word", "many"])
def test_pdf_loses_nothing_of_a_long_text(long: str) -> None:
    quote = full_quote()
    line = structs.replace(quote.lines[0], description=long)
    needs = tuple(structs.replace(need, name=long) for need in quote.kit.needs[:1])
    orders = (
        structs.replace(
            quote.orders[0], lines=(structs.replace(quote.orders[0].lines[0], name=long),)
        ),
    )
    long_quote = structs.replace(
        quote,
        lines=(line, *quote.lines[1:]),
        orders=orders,
        kit=structs.replace(quote.kit, needs=needs),
    )
    made = every_pdf(long_quote, structs.replace(ENVELOPE, customer_name=long))
    sign, count = long[0], long.count(long[0])

    for name in ("quote", "order sheet"):
        assert text(made[name]).count(sign) >= count, name
        assert len(pages(made[name])) > 1
