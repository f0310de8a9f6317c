"""Load: reads the catalogue's files into records. No other module reads them."""

from __future__ import annotations

import hashlib
import os
import re
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar

from msgspec import Struct, structs

from kitwright.catalogue.decode import Table, decode
from kitwright.catalogue.model import (
    Catalogue,
    Chassis,
    ConsumablesFile,
    DiagnosisRules,
    Family,
    FileHead,
    FlagsFile,
    HazardsFile,
    JobsFile,
    Layout,
    OverrunsFile,
    PriceListsFile,
    Record,
    Shop,
    Supplier,
    TaxArea,
)
from kitwright.catalogue.offers import read_offers
from kitwright.catalogue.problems import CatalogueUnreadable, Problem
from kitwright.catalogue.unique import ids_twice
from kitwright.errors import reason_of

if TYPE_CHECKING:
    from collections.abc import Iterator

FOLDERS: Final[dict[str, type[Record]]] = {
    "chassis": Chassis,
    "families": Family,
    "layouts": Layout,
    "shops": Shop,
    "suppliers": Supplier,
    "tax": TaxArea,
}
"""Folders whose files hold one record each; a file is named after the record's id."""

FILES: Final[dict[str, type[Record]]] = {
    "consumables.toml": ConsumablesFile,
    "diagnosis.toml": DiagnosisRules,
    "flags.toml": FlagsFile,
    "hazards.toml": HazardsFile,
    "jobs.toml": JobsFile,
    "overruns.toml": OverrunsFile,
    "price-lists.toml": PriceListsFile,
}

NEED_NOT_BE: Final = frozenset({"chassis"})
"""Folders that may be empty: an engine on the bench has no chassis."""

PASSED_OVER: Final = re.compile(
    r"\..*|.*~|#.*#|~\$.*|.*\.(bak|old|orig|rej|sw[op]|tmp|md|txt)|thumbs\.db|desktop\.ini",
    re.IGNORECASE | re.DOTALL,
)
"""Names of files and folders that are ignored anywhere: hidden ones, copies left by editors and
other programs, and notes.
"""

_R = TypeVar("_R", bound=Record)


class Records(Struct, frozen=True, kw_only=True):
    """The content of a folder's files, by file, and a hash of their names and bytes."""

    heads: dict[str, FileHead]
    records: dict[str, Record]
    revision: str


class _Pile(Struct):
    """Everything read so far, by file."""

    heads: dict[str, FileHead] = {}
    records: dict[str, Record] = {}
    problems: list[Problem] = []


def load_catalogue(folder: Path) -> Catalogue:
    """Return the catalogue of a folder. Raises: CatalogueUnreadable."""
    return assemble(read_records(folder))


def read_records(folder: Path) -> Records:
    """Return the records of a folder's files.

    The files are decoded strictly and every id is unique. Whether ids resolve and figures make
    sense is checked by `check_catalogue`. Records are in the order of the files, and the files in
    the order of their names. `revision` is a hash of the names and bytes of the files. Names that
    match `PASSED_OVER` are ignored.

    Raises: CatalogueUnreadable, with the errors of all files.
    """
    if not folder.is_dir():
        raise CatalogueUnreadable([_problem(str(folder), "folder-missing", "no such folder")])
    pile = _Pile()
    texts = _read_folder(folder, pile)
    for file, raw in texts.items():
        if file.endswith(".toml"):
            _add_table(file, raw, pile)
    # A CSV file adds to the supplier next to it, which must have been read before.
    for file, raw in texts.items():
        if file.endswith(".csv"):
            _add_offers(file, raw, pile)
    pile.problems += ids_twice(pile.records)
    if pile.problems:
        raise CatalogueUnreadable(
            sorted(pile.problems, key=lambda problem: (problem.file, problem.code))
        )
    return Records(
        heads=dict(sorted(pile.heads.items())), records=pile.records, revision=_revision(texts)
    )


def _read_folder(folder: Path, pile: _Pile) -> dict[str, bytes]:
    """Return the bytes of every file of the catalogue, in the order of their names."""
    texts = {}
    for file in sorted(_files_below(folder)):
        if not _is_known(file):
            message = "a catalogue has no file of this name"
            pile.problems.append(_problem(file, "file-unknown", message))
            continue
        try:
            texts[file] = (folder / file).read_bytes()
        except OSError as error:
            pile.problems.append(_problem(file, "file-unreadable", reason_of(error)))
    for file in FILES:
        if file not in texts:
            pile.problems.append(_problem(file, "file-missing", "a catalogue needs this file"))
    for name in FOLDERS.keys() - NEED_NOT_BE:
        if not any(file.startswith(f"{name}/") for file in texts):
            message = "a catalogue needs at least one file in this folder"
            pile.problems.append(_problem(f"{name}/", "file-missing", message))
    return texts


def _files_below(folder: Path) -> Iterator[str]:
    """Yield the files of a folder and its subfolders, except those that are ignored."""
    for root, below, names in os.walk(folder):
        below[:] = [name for name in below if not PASSED_OVER.fullmatch(name)]
        for name in names:
            if not PASSED_OVER.fullmatch(name):
                yield Path(root, name).relative_to(folder).as_posix()


def _is_known(file: str) -> bool:
    folder, _, name = file.rpartition("/")
    if folder in FOLDERS:
        return name.endswith(".toml") or (folder == "suppliers" and name.endswith(".csv"))
    return file in FILES


def _revision(texts: dict[str, bytes]) -> str:
    digest = hashlib.sha256()
    for file, raw in texts.items():
        # Lengths first, so that two different folders can't give the same bytes.
        name = os.fsencode(file)
        digest.update(b"%d:%d:%s%s" % (len(name), len(raw), name, raw))
    return digest.hexdigest()


def _add_table(file: str, raw: bytes, pile: _Pile) -> None:
    try:
        table = tomllib.loads(raw.decode())
    except UnicodeDecodeError as error:
        pile.problems.append(_not_text(file, error))
        return
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        pile.problems.append(_problem(file, "not-toml", str(error)))
        return
    own: Table = {name: table.pop(name) for name in ("as_of", "source") if name in table}
    head = decode(file, own, FileHead, pile.problems)
    kind = FILES.get(file) or FOLDERS[file.partition("/")[0]]
    record = decode(file, table, kind, pile.problems)
    if head is None or record is None:
        return
    pile.heads[file] = head
    pile.records[file] = record
    own_id = str(getattr(record, "id", ""))
    if file not in FILES and own_id != Path(file).stem:
        message = f"the file holds {own_id!r} and must be named after it"
        pile.problems.append(_problem(file, "file-misnamed", message))


def _add_offers(file: str, raw: bytes, pile: _Pile) -> None:
    beside = file.removesuffix(".csv") + ".toml"
    try:
        # Spreadsheets begin UTF-8 with a byte order mark.
        head, offers = read_offers(file, raw.decode("utf-8-sig"), pile.problems)
    except UnicodeDecodeError as error:
        pile.problems.append(_not_text(file, error))
        return
    supplier = pile.records.get(beside)
    if not isinstance(supplier, Supplier):
        pile.problems.append(
            _problem(file, "offers-alone", f"its supplier's file {beside} is missing or unreadable")
        )
    elif supplier.offer:
        message = f"{beside} has offers as well: keep them in one of the two files"
        pile.problems.append(_problem(file, "offers-in-two-places", message))
    elif head is not None:
        pile.heads[file] = head
        pile.records[beside] = structs.replace(supplier, offer=offers)


def _not_text(file: str, error: UnicodeDecodeError) -> Problem:
    return _problem(file, "not-utf-8", f"byte {error.start} is not UTF-8 text")


def assemble(read: Records) -> Catalogue:
    """Return the catalogue of some records."""

    def all_of(kind: type[_R]) -> list[_R]:
        return [record for record in read.records.values() if isinstance(record, kind)]

    families = all_of(Family)
    (jobs,) = all_of(JobsFile)
    (rules,) = all_of(DiagnosisRules)
    return Catalogue(
        layouts={row.id: row for row in all_of(Layout)},
        families={row.id: row for row in families},
        chassis={row.id: row for row in all_of(Chassis)},
        jobs={row.id: row for row in jobs.job},
        visit_work={row.id: row for row in jobs.visit_work},
        contingencies={row.id: row for row in jobs.contingency},
        ticks={row.id: row for row in jobs.tick},
        hazards={row.id: row for file in all_of(HazardsFile) for row in file.hazard},
        flags={row.id: row for file in all_of(FlagsFile) for row in file.flag},
        rules=rules,
        diagnoses={row.code: row for row in rules.diagnosis},
        price_lists={row.id: row for file in all_of(PriceListsFile) for row in file.price_list},
        parts={row.id: row for family in families for row in family.part},
        sets={row.id: row for family in families for row in family.sets},
        consumables={row.id: row for file in all_of(ConsumablesFile) for row in file.consumable},
        suppliers={row.id: row for row in all_of(Supplier)},
        tax_areas={row.id: row for row in all_of(TaxArea)},
        overruns={row.id: row for file in all_of(OverrunsFile) for row in file.overrun},
        shops={row.id: row for row in all_of(Shop)},
        fitments={family.id: family.fitment for family in families},
        heads=read.heads,
        revision=read.revision,
    )


def _problem(file: str, code: str, message: str) -> Problem:
    return Problem(file=file, record="", code=code, message=message)
