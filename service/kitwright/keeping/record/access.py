"""Records of keys, answers that may be repeated, and photographs."""

from __future__ import annotations

from datetime import date, datetime

from msgspec import Struct

from kitwright.keeping.key import Scope


class Photo(Struct, frozen=True, kw_only=True):
    """A photograph of a finding or of a step of a quote, or of a machine as it was taken in: then
    `ticket` is its ticket, and `quote` None. The file is found by its SHA-256.
    """

    number: int
    quote: int | None
    sha256: str
    media_type: str
    size: int
    subject: str
    code: str
    cylinder: int | None
    made_at: datetime
    ticket: int | None = None


class KeyRecord(Struct, frozen=True, kw_only=True):
    """An API key, without its text. `last_used_on` is the last day on which it was used."""

    id: str
    name: str
    scopes: frozenset[Scope]
    hash: bytes
    made_at: datetime
    last_used_on: date | None
    revoked_at: datetime | None


class KeptAnswer(Struct, frozen=True, kw_only=True):
    """The answer to a call with an idempotency key, given again until it expires. `epoch` is that
    of the generation in which the call was made, None in those of versions without generations.
    """

    key: str
    idempotency_key: str
    fingerprint: bytes
    status: int
    headers: dict[str, str]
    body: bytes
    expires_at: datetime
    epoch: str | None = None
