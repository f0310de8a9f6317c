"""Keys: who may call, and what with; the owner's business."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Annotated, Final, Literal

import msgspec
from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, structs

from kitwright.keeping import owner
from kitwright.keeping.key import Scope, make_key
from kitwright.keeping.record import KeyRecord
from kitwright.keeping.store import Records
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import Call, Reply, Work, acting, reading
from kitwright.web.calls.operations import BODY_PROBLEMS, Operation
from kitwright.web.calls.out import Out
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.refusals import ONCE_PROBLEMS
from kitwright.web.edge.problems import Refusal
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


CREATE: Final = Operation(
    method="post",
    path="/v1/keys",
    id="createKey",
    tag="owner",
    summary="Make a key",
    description=(
        "Answers with the key's text, once: it is not kept, so nobody can be told it again. Sent "
        "again under its Idempotency-Key, the call makes no second key, and its answer has `key` "
        "null; whoever never got the first answer revokes that key and makes another."
    ),
    takes=KeyIn,
    answers=NewKeyOut,
    status=201,
    problems=(*BODY_PROBLEMS, *ONCE_PROBLEMS),
    scope=Scope.OWNER,
    is_once=True,
)
LIST: Final = Operation(
    method="get",
    path="/v1/keys",
    id="listKeys",
    tag="owner",
    summary="All keys",
    description="Every key that was ever made, oldest first, the revoked ones among them.",
    answers=ListOut[KeyOut],
    problems=("not-acceptable", "storage-unavailable"),
    scope=Scope.OWNER,
)
GET: Final = Operation(
    method="get",
    path="/v1/keys/{id}",
    id="getKey",
    tag="owner",
    summary="One key",
    description="A key, without its text.",
    answers=KeyOut,
    problems=("unknown-record", "not-acceptable", "storage-unavailable"),
    variables=_ID,
    scope=Scope.OWNER,
)
REVOKE: Final = Operation(
    method="post",
    path="/v1/keys/{id}/revoke",
    id="revokeKey",
    tag="owner",
    summary="Revoke a key",
    description=(
        "From this answer on the key lets nobody in; it stays listed. Twice is once. The last key "
        "with the scope `owner` stays, since nobody could make another without it."
    ),
    answers=KeyOut,
    problems=(
        "body-invalid",
        "not-acceptable",
        "body-too-large",
        "unknown-record",
        "act-refused",
        *ONCE_PROBLEMS,
    ),
    variables=_ID,
    scope=Scope.OWNER,
    is_once=True,
)
OPERATIONS: Final = (CREATE, LIST, GET, REVOKE)


def make_handlers(desk: Desk) -> Iterator[HTTPRouteHandler]:
    """Yield the handlers of this module's operations."""
    yield acting(desk, CREATE, _create)
    yield acting(desk, REVOKE, _revoke)
    yield reading(LIST, desk, _list)
    yield reading(GET, desk, _get)


async def _create(call: Call) -> Work:
    desk, stamp, asked = call.desk, call.stamp, call.body(KeyIn)
    new, scopes = make_key(desk.draw), tuple(map(Scope, asked.scopes))

    def work(records: Records) -> Reply:
        key = owner.add_key(records, stamp, new, name=asked.name, scopes=scopes)
        out = NewKeyOut(**structs.asdict(key_out(key)), key=new.text)
        return Reply(
            body=msgspec.json.encode(out),
            kept=msgspec.json.encode(structs.replace(out, key=None)),
            after=lambda: desk.keyring.know(key),
            status=201,
            headers={"Location": f"/v1/keys/{key.id}"},
        )

    return work


async def _revoke(call: Call) -> Work:
    desk, stamp, name = call.desk, call.stamp, call.variable("id")

    def work(records: Records) -> Reply:
        key = owner.revoke_key(records, stamp, _key(records, name))
        body = msgspec.json.encode(key_out(key))
        return Reply(body=body, after=lambda: desk.keyring.know(key))

    return work


def _list(records: Records, _: Call) -> Reply:
    found = tuple(map(key_out, records.keys.every()))
    return Reply(body=msgspec.json.encode(ListOut(items=found)))


def _get(records: Records, call: Call) -> Reply:
    return Reply(body=msgspec.json.encode(key_out(_key(records, call.variable("id")))))


def _key(records: Records, name: str) -> KeyRecord:
    key = records.keys.get(name)
    if key is None:
        raise Refusal("unknown-record", f"no key {name[:64]!r}")
    return key


def key_out(key: KeyRecord) -> KeyOut:
    """Return a key without its hash."""
    return KeyOut(
        id=key.id,
        name=key.name,
        scopes=tuple(sorted(scope.value for scope in key.scopes)),
        made_at=key.made_at,
        last_used_on=key.last_used_on,
        revoked_at=key.revoked_at,
    )
