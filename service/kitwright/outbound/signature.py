"""Signature: signs events so that receivers can verify them, and schedules retries.

Source: Standard Webhooks 1.0.0, symmetric signatures (`v1`), with the standard's own library.
"""

from __future__ import annotations

import base64
import secrets as entropy
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from standardwebhooks.webhooks import Webhook

RETRY_DELAYS: Final = (
    timedelta(0),
    timedelta(seconds=5),
    timedelta(minutes=5),
    timedelta(minutes=30),
    timedelta(hours=2),
    timedelta(hours=5),
    timedelta(hours=10),
    timedelta(hours=14),
    timedelta(hours=20),
    timedelta(hours=24),
)
"""The wait before each attempt, starting with the first; each counts from the previous attempt."""

_NEW_BYTES: Final = 32
_SPREAD: Final = 0.1


def make_secret() -> str:
    """Return a new secret of 32 random bytes, in the standard's format."""
    return f"whsec_{base64.b64encode(entropy.token_bytes(_NEW_BYTES)).decode('ascii')}"


def headers(
    secrets: Sequence[str], *, message_id: str, at: datetime, body: bytes
) -> dict[str, str]:
    """Return the three headers of a message, signed with every secret in the given order.

    Two secrets are valid while one replaces the other.

    Args:
        secrets: as `make_secret` makes them.
        message_id: visible ASCII without a full stop, the same for every attempt.
        at: the time of this attempt, in UTC.
        body: the exact bytes that are sent, JSON.
    """
    text = body.decode()
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(int(at.timestamp())),
        "webhook-signature": " ".join(
            Webhook(secret).sign(message_id, at, text) for secret in secrets
        ),
    }


def retry_at(attempt: int, now: datetime, luck: float) -> datetime | None:
    """Return the time of the next attempt after a failed one, None after the last.

    Args:
        attempt: the number of the failed attempt, from 1.
        now: when it failed.
        luck: from 0 to below 1; adds up to a tenth of the wait, so that retries spread out.
    """
    if attempt >= len(RETRY_DELAYS):
        return None
    return now + RETRY_DELAYS[attempt] * (1 + _SPREAD * luck)
