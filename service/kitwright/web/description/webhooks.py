"""Webhooks: describes the messages that this service posts to the shop's own systems."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from kitwright.web.edge.negotiate import JSON

ATTEMPTS: Final = 10
"""How often a message is posted at most; a test compares it with the schedule."""
HOURS: Final = 76
"""Whole hours from the first attempt to the last, without the random part."""
_ID: Final = "evt_5f2b5f2b5f2b_5f2b5f2b5f_1_12"
_ABOUT: Final = f"""\
Every event of the kinds that a webhook takes is posted to its URL, signed as Standard Webhooks \
1.0.0 defines.

The `secret` of a webhook is `whsec_` and the Base64 of 32 bytes. To verify a message, take these \
bytes as the key of HMAC-SHA256 over `webhook-id`, a full stop, `webhook-timestamp`, a full stop, \
and the body exactly as it came. The Base64 of the result follows `v1,` in `webhook-signature`. \
Refuse a message whose `webhook-timestamp` is more than some minutes from now.

A message is delivered if it is answered with any 2xx within 15 seconds. Otherwise it is posted \
again, at most {ATTEMPTS} times within about {HOURS} hours. Redirects are not followed. 410 makes \
the webhook inactive. An answer may be lost, so a message may come more than once: with the same \
`webhook-id`. Later events do not wait for a failed one: `data.seq` is their order.

New kinds of events may be added. Answer 2xx to a kind that you do not know.\
"""


def _header(name: str, description: str, pattern: str, example: str) -> dict[str, object]:
    return {
        "name": name,
        "in": "header",
        "required": True,
        "description": description,
        "schema": {"type": "string", "pattern": pattern},
        "example": example,
    }


_HEADERS: Final = (
    _header(
        "webhook-id",
        "The id of this delivery: of one event to one webhook, the same for every attempt. "
        "`data.id` is the id of the event, the same at every webhook and in the feed.",
        "^evt_[0-9a-z_]+$",
        _ID,
    ),
    _header(
        "webhook-timestamp",
        "The time of this attempt, in seconds since 1970 (UTC).",
        "^[0-9]+$",
        "1795615200",
    ),
    _header(
        "webhook-signature",
        "The signature of this attempt, `v1,` and Base64. There may be several, each after a "
        "space, while one secret replaces another: one that fits is enough.",
        "^v1,[0-9A-Za-z+/]+=*( v1,[0-9A-Za-z+/]+=*)*$",
        "v1,K5oZfzN95Z9UVu1EsfQmfVNQhnkZ2pj9o9NDN/H/pI4=",
    ),
)


def describe_webhooks(message: Mapping[str, Any]) -> dict[str, object]:
    """Return the `webhooks` of the API description.

    Args:
        message: the schema of the message.
    """
    posted = {
        "operationId": "eventPosted",
        "tags": ["events"],
        "summary": "An event, posted to a webhook",
        "description": _ABOUT,
        "security": [],
        "parameters": list(_HEADERS),
        "requestBody": {"required": True, "content": {JSON: {"schema": message}}},
        "responses": {
            "2XX": {"description": "The message is delivered."},
            "410": {"description": "The webhook is inactive from now on."},
            "default": {"description": "The message is posted again later."},
        },
    }
    return {"event": {"post": posted}}
