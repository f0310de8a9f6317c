"""Gate: which calls are answered while restored records are held."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from msgspec import Struct

from kitwright.keeping.generation import Generation
from kitwright.keeping.key import Scope
from kitwright.keeping.record import KeyRecord
from kitwright.web.edge.operation import Operation
from kitwright.web.edge.problems import Refusal

_OWNERS: Final = "owner"
_LINKS: Final = "links"
_EVENTS: Final = "events"
_ALSO_HELD: Final = frozenset({"eraseCustomer", "revokeLinks"})
"""Changes that the owner may have to make before everything is released."""


class Gate(Struct):
    """Admits keys and calls by the state of the current generation.

    Held records can be read, and changed only by the owner's own calls. Until the owner has
    confirmed them, only keys made since the restore are valid, and only the owner's may read
    records.
    """

    generation: Generation

    @property
    def epoch(self) -> str:
        """The epoch of the current generation."""
        return self.generation.epoch

    def knows(self, key: KeyRecord) -> bool:
        """Return whether a key may be used."""
        return self.generation.is_confirmed or key.made_at >= self.generation.begun_at

    def check(self, operation: Operation | None, scopes: Collection[Scope] = ()) -> None:
        """Raise if a call is not answered for now. Raises: Refusal: records-held."""
        if operation is None or not self.generation.is_held or not operation.keeps:
            return
        if operation.tag == _OWNERS:
            return
        if operation.id in _ALSO_HELD and Scope.OWNER in scopes:
            return
        if operation.tag == _LINKS:
            raise Refusal(
                "records-held",
                "records were restored, and offers can't be read for now: try again later",
            )
        if operation.keeps == "writes":
            raise Refusal(
                "records-held", "records were restored: nothing is changed until they are released"
            )
        is_personal = operation.tag != _EVENTS
        if is_personal and not self.generation.is_confirmed and Scope.OWNER not in scopes:
            raise Refusal(
                "records-held",
                "records were restored, and who was erased since is not known: only the owner may "
                "read them until they are released",
            )
