"""Texts: what a language says in place of the English of the source and the catalogue.

A language is a folder of `locale/` with two gettext files: `interface` for Kitwright's own words,
`catalogue` for those of the starter catalogue. A wheel carries them compiled (`.mo`); in a
checkout, where only the sources (`.po`) lie, they are compiled in memory.
"""

from __future__ import annotations

import gettext
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Final

from babel import Locale
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from msgspec import Struct

from kitwright.errors import KitwrightError

SOURCE: Final = "en"
"""The language of the texts themselves."""

DOMAINS: Final = ("interface", "catalogue")

FOLDER = Path(__file__).with_name("locale")
"""Where the languages are."""


class UnknownLanguage(KitwrightError):
    """A language that quotes can't be written in."""

    code = "unknown-language"

    def __init__(self, language: str) -> None:
        super().__init__(f"no language {language!r}; known: {', '.join(languages())}")
        self.language = language


class Texts(Struct, frozen=True, kw_only=True):
    """The texts of one language, and the locale that its numbers and days are written by."""

    language: str
    locale: Locale
    interface: gettext.NullTranslations
    catalogue: gettext.NullTranslations

    def say(self, text: str, /, **facts: object) -> str:
        """Return one of Kitwright's own texts, its `{names}` filled in."""
        told = self.interface.gettext(text) if text else text
        return told.format_map(facts) if facts else told

    def say_as(self, use: str, text: str, /, **facts: object) -> str:
        """Return a text whose English serves several uses, in the one that is named."""
        told = self.interface.pgettext(use, text)
        return told.format_map(facts) if facts else told

    def say_many(self, one: str, many: str, count: int, /, **facts: object) -> str:
        """Return a text for a count, its `{names}` filled in."""
        return self.interface.ngettext(one, many, count).format_map(facts)

    def percent(self, number: str) -> str:
        """Return a number of per cent, given as the language writes numbers, with its sign."""
        pattern = self.locale.percent_formats[None].pattern
        return str(pattern).replace("#,##0", number)

    def of(self, kind: str, text: str) -> str:
        """Return a text of a kind of catalogue record; one that is not translated as it is."""
        return self.catalogue.pgettext(kind, text) if text else text


def languages() -> tuple[str, ...]:
    """Return the languages that there are, English first: each folder that holds texts."""
    return _languages(FOLDER)


def texts_of(language: str) -> Texts:
    """Return the texts of a language. Raises: UnknownLanguage."""
    if language not in languages():
        raise UnknownLanguage(language)
    return _texts(FOLDER, language)


@cache
def _languages(folder: Path) -> tuple[str, ...]:
    found = {path.parent.parent.name for path in folder.glob(f"*/LC_MESSAGES/{DOMAINS[0]}.[pm]o")}
    return (SOURCE, *sorted(found - {SOURCE}))


@cache
def _texts(folder: Path, language: str) -> Texts:
    if language == SOURCE:
        none = gettext.NullTranslations()
        locale = Locale.parse(SOURCE)
        return Texts(language=language, locale=locale, interface=none, catalogue=none)
    interface, catalogue = (_read(folder / language / "LC_MESSAGES" / name) for name in DOMAINS)
    # the file says what it is written in, and numbers and days follow it
    locale = Locale.parse(interface.info().get("language", language))
    return Texts(language=language, locale=locale, interface=interface, catalogue=catalogue)


def _read(place: Path) -> gettext.GNUTranslations:
    compiled = place.with_suffix(".mo")
    source = place.with_suffix(".po")
    content = compiled.read_bytes() if compiled.is_file() else compiled_texts(source)
    return gettext.GNUTranslations(BytesIO(content))


def compiled_texts(source: Path) -> bytes:
    """Return a gettext source compiled, what is untranslated or doubtful left out."""
    with source.open("rb") as file:
        read = read_po(file, abort_invalid=True)
    written = BytesIO()
    write_mo(written, read)
    return written.getvalue()
