"""Press: printed documents, set by typst from a template of ours and texts that are only data.

Nothing of a text is ever pasted into a template: it goes in as JSON and comes out as a string
value, in which no sign means anything. Documents ask for PDF/UA-1, so that one that could not be
read aloud is refused rather than made.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from functools import cache
from pathlib import Path
from threading import Lock
from typing import Final

import msgspec
import typst

from kitwright.documents.printable import UNKNOWN, set_in_type
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

    One compiler is kept, because what it has read of fonts and templates makes the next document
    fast. It works on one document at a time.
    """

    def __init__(self, root: Path) -> None:
        self._root = root
        self._lock = Lock()
        self._compiler = typst.Compiler(root=root, font_paths=[], ignore_system_fonts=True)

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
            exact: what is no text to read, by name: SVG documents and addresses, as they are.

        Raises: NotPrintable.
        """
        told = {name: _set(value) for name, value in sheet.items()}
        # the sentence that explains the mark holds it too
        shown = msgspec.json.encode({**told, "unknown": None})
        is_whole = UNKNOWN.encode() not in shown
        whole = {"sheet": told, "is_whole": is_whole, "exact": exact or {}}
        inputs = {"sheet": msgspec.json.encode(whole).decode()}
        with self._lock:
            try:
                made = self._compiler.compile(
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
    return Press(TEMPLATES)


def _set(value: object) -> object:
    if isinstance(value, str):
        return set_in_type(value)
    if isinstance(value, Mapping):
        return {name: _set(each) for name, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_set(each) for each in value]
    return value
