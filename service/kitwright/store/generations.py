"""Generations: those of a data folder, and whose folder it is, in SQLite."""

from __future__ import annotations

import msgspec
from msgspec import Struct, structs

from kitwright.keeping.generation import Belonging, Generation
from kitwright.keeping.store import RecordDamaged
from kitwright.store.rows import Session
from kitwright.store.table import Table


class Counter(Struct, frozen=True, kw_only=True):
    """The floor of a table's numbers: every new one is above it."""

    name: str
    floor: int


class _Folder(Belonging, frozen=True, kw_only=True):
    """Whose folder it is, as its only row."""

    place: int = 1


class GenerationTable(Table[Generation]):
    """Generations, as `kitwright.keeping.store.Generations` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "generations", Generation)
        self._folder = Table(session, "folder", _Folder, key=("place",))
        self._counters = Table(session, "counters", Counter, key=("name",))

    def every(self) -> tuple[Generation, ...]:
        """Return all generations, oldest first."""
        return self._some("ORDER BY number")

    def current(self) -> Generation:
        """Return the newest generation."""
        return self._some("ORDER BY number DESC LIMIT 1")[0]

    def _some(self, rest: str) -> tuple[Generation, ...]:
        found = self.select(rest)
        if not found:
            # every folder has one
            raise RecordDamaged("generations", ())
        return found

    def begin(self, generation: Generation, left_out: int) -> Generation:
        """Begin a generation; return it with its number and its place in the feed."""
        session = self.session
        last = int(session.value("SELECT coalesce(max(seq), 0) FROM events"))
        begun = structs.replace(generation, number=self.current().number + 1, after=last)
        self.add(begun)
        for counter in self._counters.select("ORDER BY name"):
            given = session.next_number(counter.name) - 1
            self._counters.put(structs.replace(counter, floor=given + left_out))
        return begun

    def belonging(self) -> Belonging:
        """Return whose folder it is."""
        kept = self._folder.get(1)
        if kept is None:
            raise RecordDamaged("folder", ())
        return msgspec.convert(kept, Belonging, from_attributes=True)

    def belong(self, to: Belonging) -> None:
        """Replace whose folder it is."""
        self._folder.put(_Folder(**structs.asdict(to)))
