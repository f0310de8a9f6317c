"""Keys: who may call, and what with; the owner's business."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Final, Literal

from msgspec import Meta, structs

from kitwright.keeping import owner
from kitwright.keeping.key import Scope, make_key
from kitwright.keeping.record import KeyRecord
from kitwright.keeping.store import Records
from kitwright.web.calls.call import Call
from kitwright.web.calls.declared import operation
from kitwright.web.calls.out import Out
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.shaped import shaped
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Text, Wire

_ID: Final = {"id": "Which key, by its id: the ten letters and digits after `kw_`."}

ScopeName = Literal["read", "quote", "order", "catalogue", "owner"]
"""The scopes by name: the catalogue has a `Scope` of its own, and shapes go by their names."""


class KeyIn(Wire, frozen=True, kw_only=True):
    """A key to make: a name to know it by, and what its holder may do.

    `owner` may do everything; the others are good for just what they say, so most keys have
    several.
    """

    name: Text
    scopes: Annotated[tuple[ScopeName, ...], Meta(min_length=1, max_length=50)]


class KeyOut(Out, frozen=True, kw_only=True):
    """A key, without its text. `last_used_on` is the last day on which it let somebody in."""

    id: Annotated[str, Meta(pattern="^[0-9A-Za-z]{10}$")]
    name: str
    scopes: tuple[ScopeName, ...]
    made_at: datetime
    last_used_on: date | None
    revoked_at: datetime | None


class NewKeyOut(KeyOut, frozen=True, kw_only=True):
    """A new key. `key` is its text, shown this once: null where the call is sent again."""

    key: str | None


@operation("POST /v1/keys", "createKey", "owner", scope=Scope.OWNER, is_once=True, status=201)
def create(records: Records, call: Call, body: KeyIn) -> Reply[NewKeyOut]:
    """Make a key.

    Answers with the key's text, once: it is not kept, so nobody can be told it again. Sent again
    under its Idempotency-Key, the call makes no second key, and its answer has `key` null; whoever
    never got the first answer revokes that key and makes another.
    """
    new, scopes = make_key(call.desk.draw), tuple(map(Scope, body.scopes))
    key = owner.add_key(records, call.stamp, new, name=body.name, scopes=scopes)
    out = shaped(NewKeyOut, key, scopes=_names(key), key=new.text)
    return call.made(
        out,
        kept=structs.replace(out, key=None),
        after=lambda: call.desk.keyring.know(key),
    )


@operation("GET /v1/keys", "listKeys", "owner", scope=Scope.OWNER)
def listed(records: Records, _: Call) -> Reply[ListOut[KeyOut]]:
    """All keys.

    Every key that was ever made, oldest first, the revoked ones among them.
    """
    return Reply(body=ListOut(items=tuple(map(key_out, records.keys.every()))))


@operation("GET /v1/keys/{id}", "getKey", "owner", scope=Scope.OWNER, variables=_ID)
def get(records: Records, call: Call) -> Reply[KeyOut]:
    """One key.

    A key, without its text.
    """
    return Reply(body=key_out(_key(records, call)))


@operation(
    "POST /v1/keys/{id}/revoke",
    "revokeKey",
    "owner",
    scope=Scope.OWNER,
    is_once=True,
    variables=_ID,
    problems=("act-refused",),
)
def revoke(records: Records, call: Call) -> Reply[KeyOut]:
    """Revoke a key.

    From this answer on the key lets nobody in; it stays listed. Twice is once. The last key with
    the scope `owner` stays, since nobody could make another without it.
    """
    key = owner.revoke_key(records, call.stamp, _key(records, call))
    return Reply(body=key_out(key), after=lambda: call.desk.keyring.know(key))


def _key(records: Records, call: Call) -> KeyRecord:
    """Return the key of a call's path. Raises: Refusal: unknown-record."""
    name = call.variable("id")
    key = records.keys.get(name)
    if key is None:
        raise Refusal("unknown-record", f"no key {name[:64]!r}")
    return key


def key_out(key: KeyRecord) -> KeyOut:
    """Return a key without its hash."""
    return shaped(KeyOut, key, scopes=_names(key))


def _names(key: KeyRecord) -> tuple[str, ...]:
    return tuple(sorted(scope.value for scope in key.scopes))
