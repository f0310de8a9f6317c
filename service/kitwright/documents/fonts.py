"""Fonts: the fonts that have the letters of printed documents, and the letters that none has.

Three fonts come with the packages that Kitwright needs, under free licences: Libertinus Serif and
DejaVu Sans Mono inside typst, Noto Serif beside it. They have every letter of Latin, Greek and
Cyrillic, and some of other scripts. Other letters are taken from the fonts of this machine. Which
letters a font has is found out by typesetting them, because a font's own table does not say how a
letter with its marks is set.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from enum import IntEnum
from functools import cache
from pathlib import Path
from threading import Lock
from typing import Final, cast

import fontpkg_noto_serif
import msgspec
import typst

from kitwright.documents.printable import letters, printable

_OWN_FOLDER: Final = Path(fontpkg_noto_serif.ROOT) / "files"
_PROBE: Final = b"""
#set page(width: auto, height: auto)
#set text(font: ("Libertinus Serif", "Noto Serif", "DejaVu Sans Mono"))
#for told in json(bytes(sys.inputs.texts)) {
  for weight in ("regular", "semibold", "bold") { page(text(weight: weight, told)) }
}
"""
"""Sets texts as the templates do, in each of their weights, each on a page of its own."""
_WEIGHTS: Final = 3
_NOBODYS: Final = "\U0010ffff"
"""A noncharacter, which no font has: it shows the box that is set for a missing letter."""
_GLYPH: Final = re.compile(rb'xlink:href="#([0-9A-Za-z]+)"')
_MOST: Final = 50_000
"""The most letters that are remembered."""


class Source(IntEnum):
    """Where a letter is found, in the order of search."""

    own = 0
    """In the fonts that are installed with Kitwright."""
    machine = 1
    """In a font of this machine."""
    nowhere = 2


class Fonts:
    """The fonts that can be printed with; may be shared between threads.

    The machine's fonts are searched once, when a letter first needs one. Fonts that are installed
    later are found by the next process.

    Args:
        machine: whether the machine's fonts are used at all.
        folders: more folders with fonts, as if they were the machine's.
    """

    def __init__(self, *, machine: bool = True, folders: Sequence[Path] = ()) -> None:
        self._machine = machine
        self._folders = folders
        self._lock = Lock()
        self._books: dict[Source, typst.Fonts] = {}
        self._probes: dict[Source, typst.Compiler] = {}
        self._sources: dict[str, Source] = {}
        self._boxes: list[set[bytes]] = []
        """The glyphs that are set in place of a letter that no font has, by weight."""

    def compiler(self, source: Source, root: Path | None = None) -> typst.Compiler:
        """Return a new compiler with the fonts of a source and of those before it."""
        if source not in self._books:
            is_own = source is Source.own
            self._books[source] = typst.Fonts(
                include_system_fonts=self._machine and not is_own,
                font_paths=[_OWN_FOLDER, *(() if is_own else self._folders)],
            )
        return typst.Compiler(root=root, font_paths=self._books[source])

    def sources(self, texts: Iterable[str]) -> dict[str, Source]:
        """Return where the letters of some texts are found, each with its marks."""
        wanted = {letter for text in texts if not text.isascii() for letter in letters(text)}
        with self._lock:
            if len(self._sources) + len(wanted) > _MOST:
                self._sources.clear()
            self._learn(sorted(wanted - self._sources.keys()))
            return {letter: self._sources[letter] for letter in wanted}

    def missing(self, text: str) -> tuple[str, ...]:
        """Return the letters of a text that can't be printed here, each once, in their order."""
        sources = self.sources([text])
        found = (one for one in letters(text) if sources.get(one) is Source.nowhere)
        return tuple(dict.fromkeys(found))

    def printable(self, text: str) -> str:
        """Return a text with a mark for each letter that can't be printed here."""
        return printable(text, self.missing(text))

    def _learn(self, new: Sequence[str]) -> None:
        left = new
        for source in (Source.own, Source.machine):
            if left:
                shown = self._shown(left, source)
                self._sources.update(dict.fromkeys(shown, source))
                left = [letter for letter in left if letter not in shown]
        self._sources.update(dict.fromkeys(left, Source.nowhere))

    def _shown(self, asked: Sequence[str], source: Source) -> set[str]:
        """Return the letters that the typesetter shows completely.

        A letter that no font has is set as a box. If its mark comes from another font, the letter
        may be lost: then only the mark is set.
        """
        texts = {_NOBODYS, *(part for letter in asked for part in _parts(letter))}
        glyphs = self._glyphs(sorted(texts), source)
        boxes = glyphs[_NOBODYS]
        if source is Source.own:
            self._boxes = boxes
        elif boxes != self._boxes:
            # a font that claims to have everything shows boxes of its own: none can be believed
            return set()

        def is_shown(letter: str) -> bool:
            whole, base, marks = (glyphs[part] for part in _parts(letter))
            return not (_meet(whole, boxes) or _meet(base, boxes)) and not (
                len(letter) > 1 and any(map(set.issubset, whole, marks))
            )

        return set(filter(is_shown, asked))

    def _glyphs(self, texts: Sequence[str], source: Source) -> dict[str, list[set[bytes]]]:
        """Return the glyphs that texts are set in, by weight."""
        if source not in self._probes:
            self._probes[source] = self.compiler(source)
        inputs = {"texts": msgspec.json.encode(texts).decode()}
        made = self._probes[source].compile(_PROBE, format="svg", sys_inputs=inputs)
        # of several pages, always: one for each weight
        pages = cast("list[bytes]", made)
        found = [set(_GLYPH.findall(page)) for page in pages]
        return {text: found[at * _WEIGHTS : (at + 1) * _WEIGHTS] for at, text in enumerate(texts)}


def _parts(letter: str) -> tuple[str, str, str]:
    """Return a letter, the same without its marks, and its marks."""
    return letter, letter[0], letter[1:]


def _meet(some: list[set[bytes]], others: list[set[bytes]]) -> bool:
    """Return whether two texts have a glyph in common in any weight."""
    return any(map(set.intersection, some, others))


@cache
def fonts() -> Fonts:
    """Return the fonts of this process."""
    return Fonts()
