"""Keys: the owner's calls on keys and their scopes."""

from __future__ import annotations

from typing import Annotated, Final

from msgspec import Meta, structs

from kitwright.keeping import owner
from kitwright.keeping.key import Scope, make_key
from kitwright.keeping.record import KeyRecord
from kitwright.keeping.store import Records
from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.shown import ListOut, ScopeName, extended
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Text, Wire

_ID: Final = {"id": "Which key, by its id: the ten letters and digits after `kw_`."}


class KeyIn(Wire, frozen=True, kw_only=True):
    """A new key: a name to recognise it by, and its scopes.

    `owner` includes everything. Every other scope includes only what it names, so most keys have
    several.
    """

    name: Text
    scopes: Annotated[tuple[ScopeName, ...], Meta(min_length=1, max_length=50)]


class NewKeyOut(KeyRecord, frozen=True, kw_only=True):
    """A new key. `key` is its text, shown only once: null if the call is retried."""

    key: str | None


@operation("POST /v1/keys", "createKey", "owner", status=201)
def create(records: Records, call: Call, body: KeyIn) -> Reply[NewKeyOut]:
    """Create a key.

    Answers with the key's text once. The text is not stored, so it can't be shown again. A retry
    with the same `Idempotency-Key` does not create a second key, and its answer has `key` null. If
    you did not receive the first answer, revoke that key and create another.
    """
    new, scopes = make_key(call.desk.draw), tuple(map(Scope, body.scopes))
    key = owner.add_key(records, call.stamp, new, name=body.name, scopes=scopes)
    out = extended(NewKeyOut, key, key=new.text)
    return Reply(
        body=out,
        kept=structs.replace(out, key=None),
        after=lambda: call.desk.keyring.know(key),
        headers={"Location": f"/v1/keys/{key.id}"},
    )


@operation("GET /v1/keys", "listKeys", "owner")
def listed(records: Records) -> Reply[ListOut[KeyRecord]]:
    """List all keys, oldest first, including revoked keys."""
    return Reply(body=ListOut(items=records.keys.every()))


@operation("GET /v1/keys/{id}", "getKey", "owner", variables=_ID)
def get(records: Records, call: Call) -> Reply[KeyRecord]:
    """Get a key, without its text."""
    return Reply(body=_key(records, call))


@operation("POST /v1/keys/{id}/revoke", "revokeKey", "owner", "act-refused", variables=_ID)
def revoke(records: Records, call: Call) -> Reply[KeyRecord]:
    """Revoke a key.

    After this answer the key is refused; it stays listed. Idempotent: repeating the call has no
    further effect. The last key with the scope `owner` can't be revoked, because no other key could
    then create keys.
    """
    key = owner.revoke_key(records, call.stamp, _key(records, call))
    return Reply(body=key, after=lambda: call.desk.keyring.know(key))


def _key(records: Records, call: Call) -> KeyRecord:
    """Return the key of a call's path. Raises: Refusal: unknown-record."""
    name = call.variable("id")
    key = records.keys.get(name)
    if key is None:
        raise Refusal("unknown-record", f"unknown key {name[:64]!r}")
    return key
