"""Records: every record of a catalogue, with its file and a label that identifies it for a
person.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from kitwright.catalogue.model import Offer, Record
from kitwright.catalogue.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from kitwright.catalogue.model import Catalogue, Supplier

JOBS: Final = "jobs.toml"
DIAGNOSIS: Final = "diagnosis.toml"
HAZARDS: Final = "hazards.toml"
FLAGS: Final = "flags.toml"
CONSUMABLES: Final = "consumables.toml"
OVERRUNS: Final = "overruns.toml"
PRICE_LISTS: Final = "price-lists.toml"

_NAMES: Final = ("id", "code", "sku", "role", "item", "component", "name", "job", "applies_to")


class Found(NamedTuple):
    """A record, its file, its label, and the record that its file belongs to."""

    file: str
    label: str
    record: Record
    root: Record


def problem(file: str, record: str, code: str, message: str) -> Problem:
    """Return an error of a record."""
    return Problem(file=file, record=record, code=code, message=message)


def layout_file(layout: str) -> str:
    """Return the file of a layout."""
    return f"layouts/{layout}.toml"


def family_file(family: str) -> str:
    """Return the file of a family, its parts, sets and fitments."""
    return f"families/{family}.toml"


def chassis_file(chassis: str) -> str:
    """Return the file of a chassis."""
    return f"chassis/{chassis}.toml"


def supplier_file(supplier: str) -> str:
    """Return the file of a supplier."""
    return f"suppliers/{supplier}.toml"


def area_file(area: str) -> str:
    """Return the file of a tax area."""
    return f"tax/{area}.toml"


def shop_file(shop: str) -> str:
    """Return the file of a shop."""
    return f"shops/{shop}.toml"


def offers_file(catalogue: Catalogue, supplier: Supplier) -> str:
    """Return the file that holds a supplier's offers: the CSV file next to its own if there is
    one.
    """
    beside = f"suppliers/{supplier.id}.csv"
    return beside if beside in catalogue.heads else supplier_file(supplier.id)


def every_record(catalogue: Catalogue) -> Iterator[Found]:
    """Yield all records: files in a fixed order, rows in the order of their file, holders
    first.


    """
    for file, root in _roots(catalogue):
        # In a file of many records, each is a root with a name; a single record needs no name.
        is_one_of_many = "/" not in file and file != DIAGNOSIS
        label = f"{_kind(root)} {_own_name(root)}" if is_one_of_many else ""
        for found in _below(file, label, root, root):
            if isinstance(found.record, Offer):
                # Only a supplier holds offers.
                yield found._replace(file=offers_file(catalogue, root))  # type: ignore[arg-type]
            else:
                yield found


def _roots(catalogue: Catalogue) -> Iterator[tuple[str, Record]]:
    yield from ((layout_file(row.id), row) for row in catalogue.layouts.values())
    yield from ((family_file(row.id), row) for row in catalogue.families.values())
    yield from ((chassis_file(row.id), row) for row in catalogue.chassis.values())
    shared: tuple[tuple[str, Iterable[Record]], ...] = (
        (JOBS, catalogue.visit_work.values()),
        (JOBS, catalogue.jobs.values()),
        (JOBS, catalogue.contingencies.values()),
        (JOBS, catalogue.ticks.values()),
        (CONSUMABLES, catalogue.consumables.values()),
        (HAZARDS, catalogue.hazards.values()),
        (FLAGS, catalogue.flags.values()),
        (PRICE_LISTS, catalogue.price_lists.values()),
        (OVERRUNS, catalogue.overruns.values()),
        (DIAGNOSIS, (catalogue.rules,)),
    )
    yield from ((file, row) for file, rows in shared for row in rows)
    yield from ((supplier_file(row.id), row) for row in catalogue.suppliers.values())
    yield from ((area_file(row.id), row) for row in catalogue.tax_areas.values())
    yield from ((shop_file(row.id), row) for row in catalogue.shops.values())


def _below(file: str, label: str, record: Record, root: Record) -> Iterator[Found]:
    yield Found(file, label, record, root)
    before = f"{label}, " if label else ""
    for field in record.__struct_fields__:
        value = getattr(record, field)
        if isinstance(value, Record):
            # Tables within tables read as files name them: fees.supplies.
            is_path = bool(label) and " " not in label
            yield from _below(file, (f"{label}." if is_path else before) + field, value, root)
        elif isinstance(value, tuple):
            word = "set" if field == "sets" else field
            for index, row in enumerate(value):
                if isinstance(row, Record):
                    own = _own_name(row) or f"[{index}]"
                    yield from _below(file, f"{before}{word} {own}", row, root)
        elif isinstance(value, dict):
            for key, row in value.items():
                if isinstance(row, Record):
                    yield from _below(file, f"{before}{field} {key}", row, root)


def _own_name(record: Record) -> str:
    for name in _NAMES:
        if name in record.__struct_fields__:
            return str(getattr(record, name) or "")
    return ""


def _kind(record: Record) -> str:
    """Return the type of a record as files spell it: VisitWork -> visit_work."""
    name = type(record).__name__
    return "".join(f"_{one.lower()}" if one.isupper() else one for one in name).removeprefix("_")
