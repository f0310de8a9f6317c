"""Seal: the checksum that every row carries, and the chain that runs through the events.

A seal covers the name of the row's table, and the name and value of each of its columns that is
not null. So a column that a later version adds, empty, breaks no seal. Bodies that are often left
out when a row is read have checksums of their own in the column `digests`, which the seal covers in
their place.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from hashlib import blake2b
from types import MappingProxyType
from typing import Any, Final

import msgspec

SEAL: Final = "seal"
"""The column of a row's checksum."""
DIGESTS: Final = "digests"
"""The column of the checksums of the bodies that are set apart, one after the other."""
CHAIN: Final = "chain"
"""The column of an event's link to the event before."""
SIZE: Final = 16
"""Bytes of a checksum."""

SEALED: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "customers": ("number",),
        "machines": ("number",),
        "quotes": ("number",),
        "revisions": ("quote", "number"),
        "authorisations": ("quote", "revision"),
        "additions": ("quote", "number"),
        "orders": ("number",),
        "photos": ("number",),
        "keys": ("id",),
        "secrets": ("name",),
        "events": ("seq",),
        "hooks": ("number",),
        "deliveries": ("hook", "event"),
        "mails": ("number",),
        "answers": ("key", "idempotency_key"),
        "erasures": ("number",),
        "disposals": ("number",),
        "holdings": ("number",),
        "moves": ("number",),
        "reorder_points": ("item",),
        "generations": ("number",),
        "counters": ("name",),
        "folder": ("place",),
        "allocations": ("order_number", "quote"),
        "order_entries": ("order_number", "number"),
        "statements": ("quote",),
        "payments": ("quote", "number"),
        "handovers": ("quote",),
        "bills": ("number",),
        "clock_entries": ("quote", "number"),
        "tickets": ("number",),
        "estimates": ("number",),
        "catalogues": ("revision",),
        "come_backs": ("quote",),
        "claims": ("number",),
        "notices": ("quote", "number"),
        "retentions": ("number",),
    }
)
"""Table -> the columns that identify a row, for every table whose rows carry a seal."""
APART: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {"revisions": ("request", "answer", "reckoning", "shown")}
)
"""Table -> its bodies that are set apart, in the order of their digests."""
_UNSEALED: Final[Mapping[str, frozenset[str]]] = MappingProxyType(
    {"keys": frozenset({SEAL, "place"})}
)
"""Table -> the columns outside its seal, if more than the seal itself: the order of keys."""
_UNCHAINED: Final = frozenset({SEAL, CHAIN, "request_id"})
"""Columns of an event outside its chain: a request's id may be erased later."""

_encode = msgspec.msgpack.Encoder().encode


def digest(data: bytes) -> bytes:
    """Return the checksum of some bytes."""
    return blake2b(data, digest_size=SIZE).digest()


def digests_of(bodies: Iterable[bytes]) -> bytes:
    """Return the checksums of bodies, one after the other."""
    return b"".join(map(digest, bodies))


def seal_of(table: str, columns: Iterable[tuple[str, Any]]) -> bytes:
    """Return the seal of a row from its columns, sorted by name.

    Raises: UnicodeError, ValueError: a value that no sound row holds.
    """
    parts: list[Any] = [table]
    for name, value in columns:
        if value is not None:
            parts += name, value
    return digest(_encode(parts))


def sealed_names(table: str, columns: Iterable[str]) -> tuple[str, ...]:
    """Return the columns of a table that its seal covers, sorted."""
    left_out = _UNSEALED.get(table, frozenset({SEAL}))
    return tuple(sorted({*columns} - left_out - {*APART.get(table, ())}))


def link_of(before: bytes, event: Mapping[str, Any]) -> bytes:
    """Return the chain's link of an event, given the link of the event before (empty for the
    first).
    """
    rest = ((name, event[name]) for name in sorted({*event} - _UNCHAINED))
    return digest(before + seal_of("events", rest))


def is_sound(table: str, row: Mapping[str, Any]) -> bool:
    """Return whether a row, given with all its columns, is as it was sealed."""
    names = sealed_names(table, row)
    apart = APART.get(table, ())
    try:
        if apart and digests_of(row[name] for name in apart) != row[DIGESTS]:
            return False
        return bool(seal_of(table, [(name, row[name]) for name in names]) == row[SEAL])
    except (UnicodeError, ValueError, TypeError):
        return False


def key_of(table: str, row: Mapping[str, Any]) -> tuple[Any, ...]:
    """Return the values that identify a row of a sealed table."""
    return tuple(row[name] for name in SEALED[table])


def seal_rows(connection: Any, tables: Sequence[str]) -> None:
    """Seal every row of some tables as it is now, for a step of the schema.

    Events are chained anew. Their triggers must be out of the way. Raises: sqlite3.Error.
    """
    for table in tables:
        link = b""
        # by row id, and read completely before anything is changed
        by = " AND ".join(f"{name} = ?" for name in SEALED[table])
        keys = connection.execute(
            f"SELECT {', '.join(SEALED[table])} FROM {table} ORDER BY {', '.join(SEALED[table])}"
        ).fetchall()
        for key in keys:
            found = connection.execute(f"SELECT * FROM {table} WHERE {by}", key)
            row = dict(zip((each[0] for each in found.description), found.fetchone(), strict=True))
            changed = {}
            if table == "events":
                link = changed[CHAIN] = row[CHAIN] = link_of(link, row)
            if table in APART:
                changed[DIGESTS] = row[DIGESTS] = digests_of(row[name] for name in APART[table])
            changed[SEAL] = seal_of(table, [(n, row[n]) for n in sealed_names(table, row)])
            sets = ", ".join(f"{name} = ?" for name in changed)
            connection.execute(f"UPDATE {table} SET {sets} WHERE {by}", (*changed.values(), *key))
