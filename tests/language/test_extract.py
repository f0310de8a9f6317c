from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from tests.language.extract import (
    LOCALE,
    NoLiteral,
    catalogue_texts,
    collected,
    errors,
    own_texts,
    update,
)
from tests.stages.workbench import starter

from kitwright.language.texts import DOMAINS, languages

SPOKEN = [language for language in languages() if language != "en"]


@pytest.mark.parametrize("language", SPOKEN)
def test_languages_are_complete_and_hold_nothing_stale(language: str) -> None:
    """Where it fails: run `python -m tests.language.extract`, then translate what is named."""
    assert list(errors(LOCALE / language, collected())) == []


def test_languages_are_all_that_have_a_folder() -> None:
    assert {path.name for path in LOCALE.iterdir()} == set(SPOKEN)
    assert "de" in SPOKEN


def small(**texts: str) -> dict[str, Catalog]:
    """Return templates with the texts of one domain; the other has none."""
    made = {domain: Catalog() for domain in DOMAINS}
    for text in texts.values():
        made["interface"].add(text)
    return made


def told(folder: Path, text: str, translation: str) -> list[str]:
    """Return the errors of a language that has one text with a translation."""
    language = folder / "de"
    update(language, small(text=text))
    file = language / "LC_MESSAGES" / "interface.po"
    written = file.read_text(encoding="utf-8")
    assert written.count('msgstr ""') == 2, "the header, and the text"
    head, _, tail = written.rpartition('msgstr ""')
    file.write_text(f'{head}msgstr "{translation}"{tail}', encoding="utf-8")
    return list(errors(language, small(text=text)))


@pytest.mark.parametrize(
    ("text", "translation", "fault"),
    [
        ("Net", "", "untranslated"),
        ("Until {day}", "Bis {tag}", "facts other than"),
        ("Until {day}", "Bis dann", "facts other than"),
        ("Net", "Netto ", "blanks at an end"),
    ],
)
def test_faults_names_what_a_translation_may_not_be(
    tmp_path: Path, text: str, translation: str, fault: str
) -> None:
    (found,) = told(tmp_path, text, translation)
    assert fault in found


def test_faults_finds_none_in_a_translation_with_the_same_facts(tmp_path: Path) -> None:
    assert told(tmp_path, "Until {day}", "Bis {day}") == []


def test_faults_names_files_and_texts_that_are_missing_or_stale(tmp_path: Path) -> None:
    assert len(list(errors(tmp_path / "fr", small()))) == len(DOMAINS)
    told(tmp_path, "Net", "Netto")
    found = list(errors(tmp_path / "de", small(text="Gross")))
    assert [fault.split(": ")[1:2] for fault in found] == [["stale"], ["untranslated"]]


def test_update_keeps_translations_and_drops_what_is_stale(tmp_path: Path) -> None:
    told(tmp_path, "Net", "Netto")
    update(tmp_path / "de", small(one="Net", two="Gross"))
    assert [error.split(": ")[1] for error in errors(tmp_path / "de", small(one="Net"))] == [
        "stale"
    ]
    update(tmp_path / "de", small(one="Net"))
    assert list(errors(tmp_path / "de", small(one="Net"))) == []


def test_own_texts_reads_calls_wherever_they_stand(tmp_path: Path) -> None:
    (tmp_path / "one.py").write_text(
        "f\"{speaker.say('inside')}\"\n"
        "self.say(\n    'in two ' 'pieces', day=1)\n"
        "speaker.say_as('use', 'word')\n"
        "scribe.say_many('one', 'many', 3)\n"
        "say('by its name')\n"
    )
    (tmp_path / "two.html").write_text("{{ say('called') }}{{ scribe.say('of', day=day) }}")
    found = [text for text, file in own_texts(tmp_path) if file in ("one.py", "two.html")]
    assert found == [
        (None, "inside", None),
        (None, "in two pieces", None),
        ("use", "word", None),
        (None, "one", "many"),
        (None, "by its name", None),
        (None, "called", None),
        (None, "of", None),
    ]


def test_own_texts_reads_typst(tmp_path: Path) -> None:
    (tmp_path / "one.typ").write_text('#let say(text) = text\n#say("plain") #say("{a}", a: 1)\n')
    found = [text for text, file in own_texts(tmp_path) if file == "one.typ"]
    assert found == [(None, "plain", None), (None, "{a}", None)]


@pytest.mark.parametrize("source", ["#say(text)", r'#say("a \"b\"")'])
def test_own_texts_refuses_other_texts_in_typst(tmp_path: Path, source: str) -> None:
    (tmp_path / "one.typ").write_text(source)
    with pytest.raises(NoLiteral, match=r"one\.typ:1"):
        list(own_texts(tmp_path))


@pytest.mark.parametrize(
    "source", ["speaker.say(text)", "speaker.say(f'{x}')", "s.say_as('use')", "say(TABLE[key])"]
)
def test_own_texts_refuses_what_is_no_literal(tmp_path: Path, source: str) -> None:
    (tmp_path / "one.py").write_text(source)
    with pytest.raises(NoLiteral, match=r"one\.py:1"):
        list(own_texts(tmp_path))


def test_catalogue_texts_holds_every_name_and_caution() -> None:
    catalogue = starter()
    found = {text for (_, text, _), _ in catalogue_texts(catalogue)}
    for records in (catalogue.jobs, catalogue.parts, catalogue.sets, catalogue.consumables):
        assert {row.name for row in records.values()} <= found
    for hazard in catalogue.hazards.values():
        assert {hazard.title, hazard.text} <= found
    for fault in catalogue.diagnoses.values():
        assert {fault.name, fault.plain, fault.say_not} <= found
