"""A font made for a test: a box for each of the letters that it is to have."""

from __future__ import annotations

from pathlib import Path

from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen


def make_font(folder: Path, letters: str, name: str = "Made") -> Path:
    """Write a font of some letters into a folder, as if it were one of a machine's; return the
    folder. Each letter is a box of a width of its own.
    """
    folder.mkdir(exist_ok=True)
    names = {ord(letter): f"u{ord(letter):X}" for letter in letters}
    glyphs = [".notdef", *names.values()]
    builder = FontBuilder(1000, isTTF=True)
    builder.setupGlyphOrder(glyphs)
    builder.setupCharacterMap(names)
    builder.setupGlyf({glyph: _box(300 + 7 * at) for at, glyph in enumerate(glyphs)})
    builder.setupHorizontalMetrics(dict.fromkeys(glyphs, (1000, 50)))
    builder.setupHorizontalHeader(ascent=800, descent=-200)
    builder.setupNameTable({"familyName": name, "styleName": "Regular", "psName": name})
    builder.setupOS2(sTypoAscender=800, sTypoDescender=-200)
    builder.setupPost()
    builder.save(folder / f"{name}.ttf")
    return folder


def _box(width: int) -> object:
    pen = TTGlyphPen(None)
    corners = ((50, 0), (50, 700), (width, 700), (width, 0))
    pen.moveTo(corners[0])
    for corner in corners[1:]:
        pen.lineTo(corner)
    pen.closePath()
    return pen.glyph()
