"""Press: printed documents, set by typst from a template of ours and texts that are only data.

Nothing of a text is ever pasted into a template: it goes in as JSON and comes out as a string
value, in which no sign means anything. Documents ask for PDF/UA-1, so that one that could not be
read aloud is refused rather than made.
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
    """A document that the typesetter refuses; always a fault of a template."""

    code = "not-printable"

    def __init__(self, template: str, message: str) -> None:
        super().__init__(f"{template} can't be printed: {message}")
        self.template = template


class Press:
    """Prints from the templates of one folder; may be shared between threads.

    Compilers are kept, because what one has read of fonts and templates makes the next document
    fast; they work on one document at a time. The machine's fonts take part only in documents that
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
        """Return a document as PDF; the same sheet at the same moment gives the same bytes.

        Args:
            template: the name of a file in the folder.
            sheet: texts, numbers and lists of them, as the template reads them.
            at: the moment that stands in the document as its making.
            exact: what is not a text to read, by name: SVG documents and addresses, as they are.
                The words of an SVG document stand in the sheet too, and are printable.

        Raises: NotPrintable.
        """
        sources = self._fonts.sources(_texts(sheet))
        missing = {letter for letter, source in sources.items() if source is Source.nowhere}
        told = _each(sheet, lambda text: set_in_type(printable(text, missing)))
        # the sentence that explains the mark holds it too
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
    """Return the press of this package's templates, made on first use."""
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
