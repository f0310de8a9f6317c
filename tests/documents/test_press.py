"""The press: the same bytes whoever prints, and texts that never become markup."""

import hashlib
import io
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pypdf
import pytest
from hypothesis import given, strategies
from msgspec import structs
from tests.documents.made_font import make_font
from tests.documents.printed import ENVELOPE, even, every_pdf, full_quote, quote_of, text

from kitwright.documents.fonts import Fonts
from kitwright.documents.press import NotPrintable, Press, press
from kitwright.documents.printable import UNKNOWN, isolated, letters, printable, set_in_type
from kitwright.quote import Envelope

AT = datetime(2027, 3, 1, tzinfo=UTC)
PLAIN = b"""
#let input = json(bytes(sys.inputs.sheet))
#set document(title: "Plain")
#set text(font: ("Libertinus Serif", "Noto Serif", "DejaVu Sans Mono"), lang: "en")
#set page(width: 16cm, height: 2400cm)
= Plain
#for told in input.sheet.texts [#told\\ ]
"""

ELSEWHERE = """
import hashlib
import io
from tests.documents.made_font import make_font
from tests.documents.printed import every_pdf, full_quote
for made in every_pdf(full_quote()).values():
    print(hashlib.sha256(made).hexdigest())
"""


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Press:
    """Return a press with one template, which prints the texts it is given."""
    folder = tmp_path_factory.mktemp("plain")
    (folder / "plain.typ").write_bytes(PLAIN)
    return Press(folder, Fonts(machine=False))


def test_print_gives_the_same_bytes_again_after_something_else() -> None:
    quote = full_quote()
    first = every_pdf(quote)
    every_pdf(quote_of("s50-walk-behind-breather"))

    assert every_pdf(quote) == first


@pytest.mark.parametrize("seed", ["1", "2"])
def test_print_gives_the_same_bytes_in_another_process(seed: str) -> None:
    here = [hashlib.sha256(made).hexdigest() for made in every_pdf(full_quote()).values()]

    there = subprocess.run(
        [sys.executable, "-c", ELSEWHERE],
        cwd=Path(__file__).parents[2],
        env={**os.environ, "PYTHONHASHSEED": seed, "TZ": "Pacific/Auckland"},
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()

    assert there == here


def test_print_serves_threads_at_once() -> None:
    quote = full_quote()
    envelopes = [structs.replace(ENVELOPE, revision=number) for number in range(1, 5)]
    alone = [every_pdf(quote, envelope) for envelope in envelopes]

    def print_all(envelope: Envelope) -> dict[str, bytes]:
        return every_pdf(quote, envelope)

    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(print_all, envelopes))

    assert together == alone
    assert len({made["quote"] for made in together}) == len(envelopes)


def test_print_takes_texts_for_texts(plain: Press) -> None:
    told = '#panic("no") $x$ @y <z> `r` \\ *b* _i_ = h // c /* d */ #sys.inputs'
    made = plain.print("plain.typ", {"texts": [told]}, at=AT)

    # typographic quotation marks are typst's own doing in markup, not in values
    assert told in text(made)


def test_print_refuses_what_no_template_can_make(plain: Press) -> None:
    with pytest.raises(NotPrintable, match=r"gone\.typ"):
        plain.print("gone.typ", {}, at=AT)


def test_press_is_one_for_all() -> None:
    assert press() is press()


NAME = "山田太郎"


def test_print_shows_what_no_font_has_as_marks_and_says_so(plain: Press) -> None:
    made = plain.print("plain.typ", {"texts": [f"{NAME} (Yamada Tarō)"]}, at=AT)

    assert f"{UNKNOWN * 4} (Yamada Tarō)" in text(made)


def test_print_takes_letters_from_a_font_of_the_machine(tmp_path: Path) -> None:
    folder = make_font(tmp_path / "fonts", NAME)
    (tmp_path / "plain.typ").write_bytes(PLAIN)
    rich = Press(tmp_path, Fonts(machine=False, folders=[folder]))

    made = rich.print("plain.typ", {"texts": [f"{NAME} (Yamada Tarō)"]}, at=AT)
    again = rich.print("plain.typ", {"texts": ["Zoë Müller"]}, at=AT)

    assert f"{NAME} (Yamada Tarō)" in text(made)
    assert UNKNOWN not in text(made)
    assert any("Made" in name for name in faces(made))
    # whoever needs no letter from there gets none: the same bytes on every machine
    assert not any("Made" in name for name in faces(again))
    plain = Press(tmp_path, Fonts(machine=False))
    assert again == plain.print("plain.typ", {"texts": ["Zoë Müller"]}, at=AT)


def test_documents_say_once_that_a_mark_stands_for_a_letter() -> None:
    envelope = structs.replace(ENVELOPE, customer_name="\U000e0fff\U0001f9ff \u1200\u1201")
    told = "stands for a character that can't be printed"

    whole = text(every_pdf(full_quote())["quote"])
    marked = text(every_pdf(full_quote(), envelope)["quote"])

    assert UNKNOWN in marked
    assert marked.count(told) == 1
    assert told not in whole


def faces(made: bytes) -> set[str]:
    """Return the names of the fonts in a PDF."""
    reader = pypdf.PdfReader(io.BytesIO(made))
    found: set[str] = set()
    for page in reader.pages:
        resources = page["/Resources"].get_object()
        for font in resources.get("/Font", {}).values():  # type: ignore[union-attr]
            found.add(str(font.get_object()["/BaseFont"]))
    return found


@pytest.mark.parametrize("told", ["Ådne Łuczak-Ğ ŵ ő ș ț ß", "Ελλάδα", "Київ", "½ × ° € £ ₽"])
def test_printable_leaves_what_the_fonts_show(told: str) -> None:
    assert printable(told, ()) == told


@pytest.mark.parametrize("sign", ["\x00", "\x1b", "\n", "\u2028", "\ud800", "\ue000", "\uffff"])
def test_printable_replaces_what_acts(sign: str) -> None:
    assert printable(f"a{sign}b", ()) == f"a{UNKNOWN}b"
    assert printable(f"ä{sign}b", ()) == f"ä{UNKNOWN}b"


@pytest.mark.parametrize(
    "sign", ["\u202e", "\u2066", "\u200b", "\u200f", "\ufeff", "\u00ad", "\u2060", "\U000e0041"]
)
def test_printable_leaves_out_what_has_no_look(sign: str) -> None:
    assert printable(f"a{sign}b", ()) == "ab"


def test_printable_keeps_the_joiners_that_words_need() -> None:
    # a common Persian name is written with a non-joiner
    name = "\u0639\u0644\u06cc\u200c\u0631\u0636\u0627"
    assert printable(name, ()) == name


def test_letters_have_no_towers_of_marks() -> None:
    assert letters("z" + "\u0334\u0322\u0353\u0316" * 5 + "a") == (
        "z\u0334\u0322\u0353\u0316\u0334\u0322",
        "a",
    )


@pytest.mark.parametrize(
    ("told", "isolates"),
    [
        ("plain", "plain"),
        ("Zoë", "Zoë"),
        ("שלום כהן", "<שלום כהן>"),
        # a street and its number are read as one, from the right
        ("רחוב הרצל 12", "<רחוב הרצל 12>"),
        # beside other words a figure is not drawn in
        ("For שלום כהן 12 pieces, 3", "For <שלום כהן> 12 pieces, 3"),
        ("(שלום) and محمد بن", "(<שלום>) and <محمد بن>"),
        ("שָׁלוֹם x", "<שָׁלוֹם> x"),
        ("x שָׁ 1", "x <שָׁ> 1"),
    ],
)
def test_isolated_keeps_what_is_read_from_the_right_in_its_place(told: str, isolates: str) -> None:
    assert isolated(told) == isolates.replace("<", "\u2068").replace(">", "\u2069")


@pytest.mark.parametrize("name", ["שלום כהן", "محمد بن سلمان"])
def test_name_that_is_read_from_the_right_moves_nothing_beside_it(plain: Press, name: str) -> None:
    made = plain.print("plain.typ", {"texts": [f"For {name} 12 pieces"]}, at=AT)

    places = placed(made)
    words = [places[word] for word in name.split()]
    # the name's own words from the right to the left, and what follows them to the right of both
    assert words == sorted(words, reverse=True)
    assert places["For"] < min(words)
    assert max(words) < places["12"] < places["pieces"]


def placed(made: bytes) -> dict[str, float]:
    """Return where each word of a page with one line begins, from the left."""
    found: dict[str, float] = {}

    def visit(told: str, outer: list[float], inner: list[float], *_: object) -> None:
        word = even(told)
        if word:
            found[word] = outer[4] + inner[4]

    (page,) = pypdf.PdfReader(io.BytesIO(made)).pages
    page.extract_text(visitor_text=visit)
    return found


@given(told=strategies.text())
def test_any_text_is_printed(plain: Press, told: str) -> None:
    made = plain.print("plain.typ", {"texts": [told, f"Dear {told}, 12"]}, at=AT)

    assert len(pypdf.PdfReader(io.BytesIO(made)).pages) == 1


def test_set_in_type_lets_long_words_break_and_leaves_others() -> None:
    assert (
        set_in_type("Zylinderkopfdichtungssatz, 2 pieces") == "Zylinderkopfdichtungssatz, 2 pieces"
    )
    assert set_in_type("Hochentleerungsgrasfangeinrichtung") == "Hochentleerungsgrasfangeinrichtung"
    assert "\u200b" in set_in_type("Hochentleerungsgrasfangeinrichtung1")
    assert "\u200b" in set_in_type("a" * 81)
    broken = set_in_type("x" * 100)
    assert broken.replace("\u200b", "") == "x" * 100
    assert max(map(len, broken.split("\u200b"))) <= 14
