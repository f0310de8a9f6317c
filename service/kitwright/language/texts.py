"""Texts: the translations of the English texts of the source and the catalogue.

A language is a folder of `locale/` with two gettext files: `interface` for Kitwright's own texts,
`catalogue` for those of the starter catalogue. A wheel contains them compiled (`.mo`). A checkout
has only the sources (`.po`); they are compiled in memory.
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
"""The language that the texts are written in."""

DOMAINS: Final = ("interface", "catalogue")

FOLDER = Path(__file__).with_name("locale")
"""The folder of all languages."""


class UnknownLanguage(KitwrightError):
    """A language without translations."""

    code = "unknown-language"

    def __init__(self, language: str) -> None:
        super().__init__(f"no language {language!r}; known: {', '.join(languages())}")
        self.language = language


class Texts(Struct, frozen=True, kw_only=True):
    """The translations of one language, and its locale for numbers and dates."""

    language: str
    locale: Locale
    interface: gettext.NullTranslations
    catalogue: gettext.NullTranslations

    def say(self, text: str, /, **facts: object) -> str:
        """Return the translation of one of Kitwright's own texts, with its `{names}` filled in."""
        translated = self.interface.gettext(text) if text else text
        return translated.format_map(facts) if facts else translated

    def say_as(self, use: str, text: str, /, **facts: object) -> str:
        """Return the translation of a text whose English has several uses; `use` names this one."""
        translated = self.interface.pgettext(use, text)
        return translated.format_map(facts) if facts else translated

    def say_many(self, one: str, many: str, count: int, /, **facts: object) -> str:
        """Return the translation for a count, with its `{names}` filled in."""
        return self.interface.ngettext(one, many, count).format_map(facts)

    def percent(self, number: str) -> str:
        """Return a number of per cent, given as the language writes numbers, with its sign."""
        pattern = self.locale.percent_formats[None].pattern
        return str(pattern).replace("#,##0", number)

    def of(self, kind: str, text: str) -> str:
        """Return the translation of a catalogue text, or the text itself if there is none.

        `kind` is the kind of its record, such as `job`.
        """
        return self.catalogue.pgettext(kind, text) if text else text


def languages() -> tuple[str, ...]:
    """Return the known languages, English first."""
    return _languages(FOLDER)


def texts_of(language: str) -> Texts:
    """Return the translations of a language. Raises: UnknownLanguage."""
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
    # the locale follows the language that the file declares
    locale = Locale.parse(interface.info().get("language", language))
    return Texts(language=language, locale=locale, interface=interface, catalogue=catalogue)


def _read(path: Path) -> gettext.GNUTranslations:
    compiled = path.with_suffix(".mo")
    source = path.with_suffix(".po")
    content = compiled.read_bytes() if compiled.is_file() else compiled_texts(source)
    return gettext.GNUTranslations(BytesIO(content))


def compiled_texts(source: Path) -> bytes:
    """Return a compiled gettext source, without texts that are untranslated or marked as fuzzy."""
    with source.open("rb") as file:
        read = read_po(file, abort_invalid=True)
    written = BytesIO()
    write_mo(written, read)
    return written.getvalue()
