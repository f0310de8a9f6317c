from pathlib import Path

import pytest
from tests.language.pseudo import PSEUDO, pseudo, write_pseudo

from kitwright.language import texts
from kitwright.language.texts import UnknownLanguage, compiled_texts, languages, texts_of


def test_languages_begin_with_that_of_the_source() -> None:
    assert languages() == ("en", "de")


@pytest.mark.parametrize("language", ["xx", "", "qps", "de/../de", "DE", ".."])
def test_texts_of_names_the_languages_it_has(language: str) -> None:
    with pytest.raises(UnknownLanguage, match="known: en, de"):
        texts_of(language)


def test_texts_of_english_are_what_stands_in_the_source() -> None:
    english = texts_of("en")
    assert english.say("Until {day}", day="then") == "Until then"
    assert english.say("{untouched}") == "{untouched}"
    assert english.say_as("use", "word") == "word"
    assert english.say_many("one {x}", "many {x}", 2, x=1) == "many 1"
    assert english.of("job", "Head gasket") == "Head gasket"


def test_texts_of_an_empty_text_are_empty() -> None:
    # gettext keeps its header under the empty text
    assert texts_of("de").say("") == ""
    assert texts_of("de").of("job", "") == ""


def test_languages_are_found_by_their_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_pseudo(tmp_path)
    monkeypatch.setattr(texts, "FOLDER", tmp_path)
    assert languages() == ("en", PSEUDO)
    assert texts_of(PSEUDO).say("Customer") == pseudo("Customer")
    assert texts_of(PSEUDO).of("job", "Head gasket") == pseudo("Head gasket")


def test_texts_of_reads_compiled_files_as_it_does_sources(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_pseudo(tmp_path)
    for source in tmp_path.rglob("*.po"):
        source.with_suffix(".mo").write_bytes(compiled_texts(source))
        source.unlink()
    monkeypatch.setattr(texts, "FOLDER", tmp_path)
    assert languages() == ("en", PSEUDO)
    assert texts_of(PSEUDO).say_as("minutes", "here") == pseudo("here")
