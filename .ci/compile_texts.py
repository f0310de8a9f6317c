"""Compiles the languages' gettext sources while a wheel is built; a checkout needs none of it.

Run by hatchling, in an environment that has Babel and nothing of Kitwright.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class CompileTexts(BuildHookInterface[Any]):
    """Puts a `.mo` into the wheel for every `.po` of the package."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile, unless the install is editable: that one reads the sources."""
        if version == "editable":
            return
        self._folder = TemporaryDirectory()
        package = Path(self.root, "service")
        for source in sorted(package.rglob("*.po")):
            place = source.relative_to(package).with_suffix(".mo")
            compiled = Path(self._folder.name, place)
            compiled.parent.mkdir(parents=True, exist_ok=True)
            with source.open("rb") as read, compiled.open("wb") as written:
                write_mo(written, read_po(read, abort_invalid=True))
            build_data["force_include"][str(compiled)] = place.as_posix()

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        """Remove what was compiled: the wheel has it now."""
        del build_data, artifact_path
        if version != "editable":
            self._folder.cleanup()
