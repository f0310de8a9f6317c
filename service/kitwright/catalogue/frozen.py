"""Frozen: a catalogue as bytes, and back, to be kept with what was made with it."""

from __future__ import annotations

import zlib
from typing import Any

import msgspec

from kitwright.catalogue.model import Catalogue
from kitwright.catalogue.problems import CatalogueError
from kitwright.units import read_figure


class CatalogueNotThawed(CatalogueError):
    """A kept catalogue that this version of the service can't read."""

    code = "catalogue-not-thawed"

    def __init__(self, why: Exception) -> None:
        super().__init__(f"a kept catalogue can't be read: {why}")


def freeze(catalogue: Catalogue) -> bytes:
    """Return a catalogue with its prices, compressed."""
    return zlib.compress(msgspec.json.encode(catalogue, enc_hook=str))


def thaw(body: bytes) -> Catalogue:
    """Return the catalogue that was frozen. Raises: CatalogueNotThawed."""

    def figure(_: type, text: Any) -> Any:
        # the only type of the catalogue that the decoder does not know
        return read_figure(text)

    try:
        return msgspec.json.decode(zlib.decompress(body), type=Catalogue, dec_hook=figure)
    except (zlib.error, msgspec.MsgspecError, ValueError) as error:
        raise CatalogueNotThawed(error) from None
