"""Hooks: the owner's calls on webhooks."""

from __future__ import annotations

from typing import Annotated, Final

from msgspec import Meta, structs

from kitwright.errors import KitwrightError
from kitwright.keeping import owner
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.record import Hook
from kitwright.keeping.store import Records
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls.call import Call, answer
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import HOOK
from kitwright.web.calls.shown import EventOut, ListOut, extended, traced
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire

Url = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=2048,
        description="http or https, in ASCII, without user info and fragment.",
        examples=["https://hooks.example/kitwright"],
    ),
]
Kinds = Annotated[tuple[EventKind, ...], Meta(max_length=50, description="None: all.")]


class HookIn(Wire, frozen=True, kw_only=True):
    """A new webhook: where events are posted, and which kinds."""

    url: Url
    kinds: Kinds = ()


class HookChangeIn(Wire, frozen=True, kw_only=True):
    """The complete new settings of a webhook."""

    url: Url
    kinds: Kinds
    is_active: bool


class NewHookOut(Hook, frozen=True, kw_only=True):
    """A new webhook. Its `secret` signs its events, and is shown only once: null if the call is
    retried.
    """

    signs_with: str | None


class TargetMalformed(RequestFault):
    """A webhook's URL is malformed."""

    code = "webhook-target-malformed"


class TargetNotAllowed(RequestFault):
    """A webhook's URL is not allowed, usually because it leads into the shop's own network."""

    code = "webhook-target-not-allowed"


_TARGET_FAULTS: Final = {one.code: one for one in (TargetMalformed, TargetNotAllowed)}


@operation("POST /v1/webhooks", "createWebhook", "owner", "request-refused", status=201)
def create(records: Records, call: Call, body: HookIn) -> Reply[NewHookOut]:
    """Create a webhook.

    From now on, every event of the named kinds is posted there as JSON, signed as Standard Webhooks
    defines. Events come in order. A failed event is retried for some days, and later events do not
    wait for it: `webhook-id` is the same for every attempt, and `data.seq` gives the order. The
    signing secret is answered once. A retry with the same `Idempotency-Key` does not create a
    second webhook, and its answer has `secret` null.
    """
    new = Hook(
        number=0,
        version=1,
        url=_target(call.desk, body.url),
        secret=call.desk.make_hook_secret(),
        kinds=_once_each(body.kinds),
        is_active=True,
        failure=None,
        made_at=call.stamp.at,
    )
    hook = owner.add_hook(records, call.stamp, new)
    out = extended(NewHookOut, hook, signs_with=hook.secret)
    return answer(call.desk, out, is_new=True, kept=structs.replace(out, signs_with=None))


@operation("GET /v1/webhooks", "listWebhooks", "owner")
def listed(records: Records) -> Reply[ListOut[Hook]]:
    """List webhooks, oldest first, each with the failure of its last attempt."""
    return Reply(body=ListOut(items=records.hooks.every()))


@operation("GET /v1/webhooks/{id}", "getWebhook", "owner")
def get(records: Records, call: Call) -> Reply[Hook]:
    """Get a webhook, with the failure of its last attempt."""
    return answer(call.desk, call.record(HOOK, records.hooks.get))


@operation("PUT /v1/webhooks/{id}", "changeWebhook", "owner", "request-refused")
def change(records: Records, call: Call, body: HookChangeIn) -> Reply[Hook]:
    """Change a webhook.

    Replaces all settings of the webhook; its secret stays. While it is inactive, it misses new
    events; events already waiting are posted when it is active again.
    """
    url = _target(call.desk, body.url)
    hook = call.checked(HOOK, records.hooks.get)
    kinds = _once_each(body.kinds)
    changed = owner.change_hook(
        records, call.stamp, hook, url=url, kinds=kinds, is_active=body.is_active
    )
    return answer(call.desk, changed)


@operation("DELETE /v1/webhooks/{id}", "deleteWebhook", "owner", is_guarded=True)
def drop(records: Records, call: Call) -> Reply[Hook]:
    """Delete a webhook.

    Answers with the deleted webhook. Events waiting for it are no longer posted.
    """
    hook = call.checked(HOOK, records.hooks.get)
    owner.drop_hook(records, call.stamp, hook)
    return Reply(body=hook)


@operation("POST /v1/webhooks/{id}/test", "testWebhook", "owner", "act-refused", status=202)
def post_test(records: Records, call: Call) -> Reply[EventOut]:
    """Post a test event to a webhook.

    Adds an event `webhook.test` for this webhook only, whichever kinds it takes. Read the webhook
    afterwards to see the result.
    """
    hook = call.record(HOOK, records.hooks.get)
    (event,) = traced(records, (owner.try_hook(records, call.stamp, hook),))
    return Reply(body=event)


def _target(desk: Desk, url: str) -> str:
    """Return a normalised URL. Raises: RequestRefused if events may not be posted there."""
    try:
        return desk.check_target(url)
    except KitwrightError as error:
        # the check belongs to another package: its errors are known here by their codes
        if error.code not in _TARGET_FAULTS:
            raise
        raise RequestRefused([_TARGET_FAULTS[error.code](str(error)).at("url")]) from None


def _once_each(kinds: tuple[EventKind, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(kinds))
