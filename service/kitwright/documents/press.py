"""Press: printed documents, set by typst from our own templates.

A text is never inserted into a template. It is passed as JSON and becomes a string value, in which
no character has a special meaning. Documents have to conform to PDF/UA-1: typst refuses one that
could not be read aloud.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from functools import cache
from pathlib import Path
from threading import Lock
from typing import Any, Final

import msgspec
import typst

from kitwright.documents.fonts import Fonts, Source, fonts
from kitwright.documents.printable import UNKNOWN, printable, set_in_type
from kitwright.errors import KitwrightError
from kitwright.language.scribe import Scribe

TEMPLATES: Final = Path(__file__).parent / "templates"
"""The templates of this package."""

Sheet = dict[str, object]
"""The data of a template: texts, numbers, structs and lists of these, by name."""

_SAID: Final = re.compile(r'\bsay\("([^"\\]+)"')
"""A text of ours in a typst template; it has neither quotation marks nor backslashes."""


class NotPrintable(KitwrightError):
    """A document that the typesetter refuses; always an error of a template."""

    code = "not-printable"

    def __init__(self, template: str, message: str) -> None:
        super().__init__(f"{template} can't be printed: {message}")
        self.template = template


class Press:
    """Prints from the templates of one folder; may be shared between threads.

    Compilers are reused, because they cache fonts and templates. They compile one document at a
    time. The machine's fonts are used only for documents that need them.
    """

    def __init__(self, root: Path, fonts: Fonts) -> None:
        self._root = root
        self._fonts = fonts
        self._lock = Lock()
        self._compilers: dict[Source, typst.Compiler] = {}

    def print(
        self,
        template: str,
        sheet: Mapping[str, object],
        *,
        at: datetime,
        exact: Mapping[str, str] | None = None,
    ) -> bytes:
        """Return a document as PDF; the same arguments give the same bytes.

        Args:
            template: the name of a file in the folder.
            sheet: the data of the template.
            at: the creation time in the document.
            exact: SVG documents and addresses, by name; they are not changed. The words of an SVG
                document have to be printable, and to be in the sheet as well.

        Raises: NotPrintable.
        """
        plain = msgspec.to_builtins(sheet)
        sources = self._fonts.sources(_texts(plain))
        missing = {letter for letter, source in sources.items() if source is Source.nowhere}
        shown = with_texts(plain, lambda text: set_in_type(printable(text, missing)))
        # the sentence that explains the mark contains it as well
        is_whole = not any(UNKNOWN in text for text in _texts({**shown, "unknown": None}))
        data = {"sheet": shown, "is_whole": is_whole, "exact": exact or {}}
        inputs = {"sheet": msgspec.json.encode(data).decode()}
        source = Source.machine if Source.machine in sources.values() else Source.own
        with self._lock:
            if source not in self._compilers:
                self._compilers[source] = self._fonts.compiler(source, self._root)
            try:
                made = self._compilers[source].compile(
                    self._root / template,
                    format="pdf",
                    sys_inputs=inputs,
                    pdf_standards=["ua-1"],
                    timestamp=int(at.timestamp()),
                )
            except RuntimeError as error:
                # typst's own errors are among these
                raise NotPrintable(template, str(error)) from error
        if not isinstance(made, bytes):
            raise NotPrintable(template, "the result is not a single file")
        return made


@cache
def press() -> Press:
    """Return the press of this package's templates, created on first use."""
    return Press(TEMPLATES, fonts())


def said(template: str, scribe: Scribe) -> dict[str, str]:
    """Return the translations of the texts that a typst template says, by their English."""
    return scribe.translations(_said_in(template))


@cache
def _said_in(template: str) -> tuple[str, ...]:
    return tuple(_SAID.findall((TEMPLATES / template).read_text(encoding="utf-8")))


def with_texts(value: Any, change: Callable[[str], str]) -> Any:
    """Return a sheet with every text in it changed; its names stay as they are."""
    if isinstance(value, str):
        return change(value)
    if isinstance(value, Mapping):
        return {name: with_texts(member, change) for name, member in value.items()}
    if isinstance(value, (list, tuple)):
        return [with_texts(member, change) for member in value]
    return value


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for member in value.values():
            yield from _texts(member)
    elif isinstance(value, (list, tuple)):
        for member in value:
            yield from _texts(member)
