"""Fonts: which letters are printed, from where, and what is told of the others."""

import unicodedata
from pathlib import Path

import pytest
from tests.documents.made_font import make_font

from kitwright.documents.fonts import Fonts, Source, fonts
from kitwright.documents.printable import letters
from kitwright.documents.scripts import SAMPLES, scripts, told_scripts

NAME = "山田太郎"


@pytest.fixture(scope="module")
def bare() -> Fonts:
    """Return what a machine without fonts of its own prints with."""
    return Fonts(machine=False)


@pytest.fixture
def japanese(tmp_path: Path) -> Fonts:
    """Return what a machine with one more font prints with."""
    return Fonts(machine=False, folders=[make_font(tmp_path / "fonts", NAME)])


# The letters of these scripts in Unicode 14, by its blocks.
_LATIN = ((0x41, 0x24F), (0x1E00, 0x1EFF), (0x2C60, 0x2C7F), (0xA722, 0xA7CA))
_GREEK = ((0x370, 0x3FF), (0x1F00, 0x1FFF))
_CYRILLIC = ((0x400, 0x52F), (0x1C80, 0x1C88), (0xA640, 0xA69B))


@pytest.mark.parametrize("blocks", [_LATIN, _GREEK, _CYRILLIC], ids=["latin", "greek", "cyrillic"])
def test_every_letter_of_the_western_scripts_comes_along(
    bare: Fonts, blocks: tuple[tuple[int, int], ...]
) -> None:
    every = [chr(point) for first, last in blocks for point in range(first, last + 1)]
    text = " ".join(sign for sign in every if unicodedata.category(sign)[0] == "L")

    assert bare.missing(text) == ()
    assert set(bare.sources([text]).values()) == {Source.own}
    assert len(text) > 200


@pytest.mark.parametrize(
    "name",
    [
        "Nguyễn Thị Hương",
        "Łukasz Żółć",
        "Ọláńrewájú Adéṣínà",
        "Şükrü Öğüt",
        "Аԥсуа",
        "Ўткір Қодиров",
        "Ἀθηνᾶ Παπαδοπούλου",
        # composed by whoever typed it, and not
        unicodedata.normalize("NFD", "Nguyễn Thị Hương, Łukasz Żółć, Йошкар-Ола"),
        "e\u0323\u0301",
    ],
)
def test_names_of_the_western_scripts_are_printed(bare: Fonts, name: str) -> None:
    assert bare.printable(name) == name


def test_letter_that_the_machine_has_is_taken_from_there(bare: Fonts, japanese: Fonts) -> None:
    assert bare.missing(f"{NAME} (Yamada Tarō)") == tuple(NAME)
    assert japanese.missing(f"{NAME} (Yamada Tarō)") == ()
    sources = japanese.sources([f"{NAME} ō"])
    assert sources == {**dict.fromkeys(NAME, Source.machine), " ": Source.own, "ō": Source.own}
    assert japanese.missing("太鈴郎") == ("鈴",)


def test_machine_is_not_looked_through_for_nothing() -> None:
    some = Fonts(machine=False)

    some.sources(["Zoë Müller", "Łukasz"])
    assert set(some._probes) == {Source.own}
    some.sources(["漢"])
    assert set(some._probes) == {Source.own, Source.machine}


def test_letter_that_would_get_lost_beside_its_mark_is_missing(japanese: Fonts) -> None:
    # the mark is of another font: typst sets it and drops the letter, without a word
    assert japanese.missing("山\u1dc6 太") == ("山\u1dc6",)


def test_font_that_claims_to_have_everything_is_not_believed(tmp_path: Path, bare: Fonts) -> None:
    resort = Fonts(machine=False, folders=[make_font(tmp_path, f"{NAME}\U0010ffff")])

    assert resort.missing(NAME) == bare.missing(NAME) == tuple(NAME)


def test_missing_tells_each_letter_once_in_its_order(bare: Fonts) -> None:
    assert bare.missing("太郎 a 太 é 山") == ("太", "郎", "山")
    assert bare.missing("plain") == ()


@pytest.mark.parametrize(
    "sign", ["\u0e01", "\U0001f527", "\u1200", "\u0e01\u0e34", "1\ufe0f\u20e3"]
)
def test_letters_that_nothing_shows_are_told(bare: Fonts, sign: str) -> None:
    assert bare.missing(f"a{sign}b") == (sign,)
    assert bare.printable(f"a{sign}b") == "a\ufffdb"


def test_fonts_forget_rather_than_grow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("kitwright.documents.fonts._MOST", 10)
    some = Fonts(machine=False)

    for start in range(0x4E00, 0x4E00 + 40, 8):
        text = "é" + "".join(map(chr, range(start, start + 8)))
        assert some.missing(text) == tuple(text[1:])
        assert len(some._sources) <= 10


def test_fonts_are_one_for_all() -> None:
    assert fonts() is fonts()


def test_scripts_tell_what_comes_along_and_what_the_machine_adds(
    tmp_path: Path, bare: Fonts
) -> None:
    more = Fonts(machine=False, folders=[make_font(tmp_path, SAMPLES["Japanese"])])

    own = scripts(bare)
    with_more = scripts(more)

    assert {"Latin", "Greek", "Cyrillic", "Hebrew", "Arabic"} <= set(own[Source.own])
    assert own[Source.machine] == ()
    assert {"Japanese", "Thai", "Korean"} <= set(own[Source.nowhere])
    assert with_more[Source.own] == own[Source.own]
    assert with_more[Source.machine] == ("Japanese",)
    told = dict(told_scripts(more))
    assert "this machine's fonts: Japanese" in told["scripts-printed"]
    assert "Thai" in told["scripts-not-printed"]
    assert "Japanese" not in told["scripts-not-printed"]


def test_samples_are_of_their_script() -> None:
    # by Unicode's names of the letters
    words = {
        "Persian and Urdu": "ARABIC",
        "Burmese": "MYANMAR",
        "simplified Chinese": "CJK",
        "traditional Chinese": "CJK",
        "Korean": "HANGUL",
    }
    for script, sample in SAMPLES.items():
        found = {
            unicodedata.name(letter[0]).split()[0] for letter in letters(sample.replace(" ", ""))
        }
        expected = (
            {"HIRAGANA", "KATAKANA", "CJK"}
            if script == "Japanese"
            else {words.get(script, script.upper())}
        )
        assert found == expected, script
