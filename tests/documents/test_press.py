"""The press: the same bytes whoever prints, and texts that never become markup."""

import hashlib
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pytest
from msgspec import structs
from tests.documents.printed import ENVELOPE, every_pdf, full_paper, paper_of, text

from kitwright.documents.paper import Envelope
from kitwright.documents.press import NotPrintable, Press, press
from kitwright.documents.printable import GLYPHS, UNKNOWN, printable, set_in_type

AT = datetime(2027, 3, 1, tzinfo=UTC)
PLAIN = b"""
#let input = json(bytes(sys.inputs.sheet))
#set document(title: "Plain")
#set text(font: ("Libertinus Serif", "DejaVu Sans Mono"), lang: "en")
#set page(width: 16cm, height: 2400cm)
= Plain
#for told in input.sheet.texts [#told\\ ]
"""

ELSEWHERE = """
import hashlib
from tests.documents.printed import every_pdf, full_paper
for made in every_pdf(full_paper()).values():
    print(hashlib.sha256(made).hexdigest())
"""


@pytest.fixture
def plain(tmp_path: Path) -> Press:
    """Return a press with one template, which prints the texts it is given."""
    (tmp_path / "plain.typ").write_bytes(PLAIN)
    return Press(tmp_path)


def test_print_gives_the_same_bytes_again_after_something_else() -> None:
    paper = full_paper()
    first = every_pdf(paper)
    every_pdf(paper_of("s50-walk-behind-breather"))

    assert every_pdf(paper) == first


@pytest.mark.parametrize("seed", ["1", "2"])
def test_print_gives_the_same_bytes_in_another_process(seed: str) -> None:
    here = [hashlib.sha256(made).hexdigest() for made in every_pdf(full_paper()).values()]

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
    paper = full_paper()
    envelopes = [structs.replace(ENVELOPE, revision=number) for number in range(1, 5)]
    alone = [every_pdf(paper, envelope) for envelope in envelopes]

    def print_all(envelope: Envelope) -> dict[str, bytes]:
        return every_pdf(paper, envelope)

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


def test_printable_knows_exactly_what_the_fonts_show(plain: Press) -> None:
    # each glyph beside a letter: marks that combine need one
    made = plain.print(
        "plain.typ", {"texts": [f"a{chr(point)}" for point in sorted(GLYPHS)]}, at=AT
    )

    assert len(made) > 100_000
    assert len(GLYPHS) > 3_500


@pytest.mark.parametrize("sign", ["\u6f22", "\u0e01", "\U0001f527", "\u1200"])
def test_printable_replaces_what_no_font_shows(plain: Press, sign: str) -> None:
    with pytest.raises(NotPrintable, match="could not be displayed"):
        _unchecked(plain, sign)
    assert printable(f"a{sign}b") == f"a{UNKNOWN}b"


def _unchecked(plain: Press, sign: str) -> None:
    """Print a sign past the check of the press, as a picture's text."""
    root = plain._root
    source = PLAIN.replace(b"input.sheet.texts", b"(input.exact.sign,)")
    (root / "sign.typ").write_bytes(source)
    plain.print("sign.typ", {}, at=AT, exact={"sign": sign})


@pytest.mark.parametrize("told", ["Ådne Łuczak-Ğ ŵ ő ș ț ß", "Ελλάδα", "Київ", "½ × ° € £ ₽"])
def test_printable_leaves_what_the_fonts_show(told: str) -> None:
    assert printable(told) == told


@pytest.mark.parametrize("sign", ["\u202e", "\u2066", "\x00", "\x1b", "\n", "\u2028", "\ud800"])
def test_printable_replaces_what_acts(sign: str) -> None:
    assert printable(f"a{sign}b") == f"a{UNKNOWN}b"


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
