"""Press: printed documents, typeset by typst from a template and texts that are only data.

Texts are never inserted into a template: they are passed as JSON and become string values, in which
no character has a special meaning. Documents must conform to PDF/UA-1: a document that is not
accessible is refused.
"""

from __future__ import annotations

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

TEMPLATES: Final = Path(__file__).parent / "templates"
"""The templates of this package."""


class NotPrintable(KitwrightError):
    """A document that the typesetter refuses; this is always an error of a template."""

    code = "not-printable"

    def __init__(self, template: str, message: str) -> None:
        super().__init__(f"{template} can't be printed: {message}")
        self.template = template


class Press:
    """Prints from the templates of one folder; may be shared between threads.

    Compilers are reused, because the fonts and templates that they have read make the next document
    fast. Each works on one document at a time. The machine's fonts are used only in documents that
    need one of them.
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
        """Return a document as PDF; the same sheet with the same time gives the same bytes.

        Args:
            template: the name of a file in the folder.
            sheet: texts, numbers and lists of them, as the template reads them.
            at: the time of making that is recorded in the document.
            exact: values to use unchanged, by name: SVG documents and addresses. The words of an
                SVG document are also in the sheet, and are printable.

        Raises: NotPrintable.
        """
        sources = self._fonts.sources(_texts(sheet))
        missing = {letter for letter, source in sources.items() if source is Source.nowhere}
        told = _each(sheet, lambda text: set_in_type(printable(text, missing)))
        # the sentence that explains the mark contains it too
        is_whole = not any(UNKNOWN in text for text in _texts({**told, "unknown": None}))
        whole = {"sheet": told, "is_whole": is_whole, "exact": exact or {}}
        inputs = {"sheet": msgspec.json.encode(whole).decode()}
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
            raise NotPrintable(template, "no single file came of it")
        return made


@cache
def press() -> Press:
    """Return the press for this package's templates, created on first use."""
    return Press(TEMPLATES, fonts())


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for each in value.values():
            yield from _texts(each)
    elif isinstance(value, (list, tuple)):
        for each in value:
            yield from _texts(each)


def _each(value: Any, change: Callable[[str], str]) -> Any:
    if isinstance(value, str):
        return change(value)
    if isinstance(value, Mapping):
        return {name: _each(one, change) for name, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_each(one, change) for one in value]
    return value
