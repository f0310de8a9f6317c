"""Generations: those of a data folder, and whose folder it is, in SQLite."""

from __future__ import annotations

from typing import Final

from msgspec import structs

from kitwright.keeping.generation import Belonging, Generation
from kitwright.store.rows import Session
from kitwright.store.table import Table

COUNTED: Final = {
    "customers": "number",
    "machines": "number",
    "quotes": "number",
    "orders": "number",
    "mails": "number",
    "events": "seq",
}
"""Table -> the column whose numbers it counts by itself, from the largest or beyond a floor."""
_COUNTED_BY_SQLITE: Final = ("photos", "hooks")


class GenerationTable(Table[Generation]):
    """Generations, as `kitwright.keeping.store.Generations` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "generations", Generation)
        self._folder = Table(session, "folder", Belonging, key=())

    def every(self) -> tuple[Generation, ...]:
        """Return all generations, oldest first."""
        return self.select("ORDER BY number")

    def current(self) -> Generation:
        """Return the newest generation."""
        return self.select("ORDER BY number DESC LIMIT 1")[0]

    def begin(self, generation: Generation, left_out: int) -> Generation:
        """Begin a generation; return it with its number and its place in the feed."""
        session = self.session
        last = int(session.value("SELECT coalesce(max(seq), 0) FROM events"))
        begun = structs.replace(generation, number=self.current().number + 1, after=last)
        self.add(begun)
        for table, column in COUNTED.items():
            session.run(
                "UPDATE counters SET floor = ? + max(floor,"
                f" (SELECT coalesce(max({column}), 0) FROM {table})) WHERE name = ?",
                (left_out, table),
            )
        for table in _COUNTED_BY_SQLITE:
            if not session.run(
                "UPDATE sqlite_sequence SET seq = seq + ? WHERE name = ?", (left_out, table)
            ):
                session.insert("sqlite_sequence", {"name": table, "seq": left_out})
        return begun

    def belonging(self) -> Belonging:
        """Return whose folder it is."""
        return self._folder.select("")[0]

    def belong(self, to: Belonging) -> None:
        """Replace whose folder it is."""
        columns = self._folder._written(to)
        sets = ", ".join(f"{name} = ?" for name in columns)
        self.session.run(f"UPDATE folder SET {sets}", tuple(columns.values()))
