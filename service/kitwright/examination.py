"""Examination: the result of reading, checking and verifying a catalogue folder."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

from msgspec import Struct

from kitwright.catalogue.check import check_catalogue
from kitwright.catalogue.doubts import doubt_catalogue
from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Catalogue
from kitwright.catalogue.problems import CatalogueInvalid, Doubt, Problem
from kitwright.language.texts import languages
from kitwright.proof import prove_catalogue


class Examined(Struct, frozen=True, kw_only=True):
    """A complete and verified catalogue, the numbers of repairs tried on it and of work plans gone
    through, and its warnings.
    """

    catalogue: Catalogue
    repairs: int
    plans: int
    doubts: tuple[Doubt, ...]


def read_sound(folder: Path) -> Catalogue:
    """Return the catalogue of a folder; all of its references have been checked.

    Raises: CatalogueUnreadable, CatalogueInvalid.
    """
    catalogue = load_catalogue(folder)
    _raise_any((*check_catalogue(catalogue), *_unspoken(catalogue)))
    return catalogue


def examine(folder: Path, today: date) -> Examined:
    """Return the catalogue of a folder, verified by running the flow over every possible repair.

    `today` selects the tax rates, and decides which values are out of date.

    Raises: CatalogueUnreadable, CatalogueInvalid.
    """
    catalogue = read_sound(folder)
    proof = prove_catalogue(catalogue, today)
    _raise_any(proof.problems)
    return Examined(
        catalogue=catalogue,
        repairs=proof.repairs,
        plans=proof.plans,
        doubts=doubt_catalogue(catalogue, today),
    )


def _raise_any(problems: tuple[Problem, ...]) -> None:
    if problems:
        raise CatalogueInvalid(problems)


def _unspoken(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield an error for each shop and supplier whose language has no texts: the one could not
    answer any call, the other be sent any order.
    """
    known = languages()
    spoken = {
        **{
            f"shops/{shop.id}.toml": (shop.language, shop.bench_language)
            for shop in catalogue.shops.values()
        },
        **{
            f"suppliers/{supplier.id}.toml": (supplier.language,)
            for supplier in catalogue.suppliers.values()
        },
    }
    for file, named in spoken.items():
        for language in named:
            if language is not None and language not in known:
                message = (
                    f"there are no texts in language {language!r}; available: {', '.join(known)}"
                )
                yield Problem(file=file, record="", code="language-without-texts", message=message)
                break
