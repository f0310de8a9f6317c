"""Signature: what proves to a receiver that an event is ours, and when to send it again.

Source: Standard Webhooks 1.0.0, symmetric signatures (`v1`).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import re
import secrets as entropy
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from kitwright.errors import KitwrightError

ID_HEADER: Final = "webhook-id"
TIMESTAMP_HEADER: Final = "webhook-timestamp"
SIGNATURE_HEADER: Final = "webhook-signature"

TOLERANCE_SECONDS: Final = 300
"""How far a timestamp may be from the receiver's clock, either way; at this it is still good."""

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
"""The wait before each attempt, from the first, each counted from the attempt before it."""

_PREFIX: Final = "whsec_"
_FEWEST, _MOST = 24, 64
_NEW_BYTES: Final = 32
# Visible signs but the full stop: with one in it, a signed text could be read in two ways.
_ID: Final = re.compile(r"[!-\-/-~]{1,255}")
_TIMESTAMP: Final = re.compile(r"[0-9]{1,15}")
_SPREAD: Final = 0.1


class SignatureError(KitwrightError):
    """What keeps an event from being signed."""


class SecretUnfit(SignatureError):
    """A secret that the standard does not allow. The secret itself is no fact of the error."""

    code = "webhook-secret-unfit"

    def __init__(self, because: str) -> None:
        super().__init__(f"a webhook's secret {because}")
        self.because = because


class MessageIdUnfit(SignatureError):
    """An id that can't be signed without doubt: empty, too long, or with a full stop in it."""

    code = "webhook-message-id-unfit"

    def __init__(self, message_id: str) -> None:
        super().__init__(f"{message_id!r} is not a message id")
        self.message_id = message_id


def make_secret() -> str:
    """Return a new secret of 32 random bytes, as the standard writes it."""
    return _PREFIX + base64.b64encode(entropy.token_bytes(_NEW_BYTES)).decode("ascii")


def check_secret(secret: str) -> None:
    """Do nothing for a secret that can sign. Raises: SecretUnfit."""
    _key(secret)


def sign(secret: str, *, message_id: str, timestamp: int, body: bytes) -> str:
    """Return the signature of a message, `v1,` and base64 of HMAC-SHA256.

    Args:
        secret: `whsec_` and base64 of 24 to 64 bytes.
        message_id: visible ASCII without a full stop, the same at every attempt.
        timestamp: Unix seconds of this attempt, from 0.
        body: exactly the bytes that are sent.

    Raises: SecretUnfit; MessageIdUnfit.
    """
    if not _ID.fullmatch(message_id):
        raise MessageIdUnfit(message_id)
    signed = b"%s.%d.%s" % (message_id.encode("ascii"), timestamp, body)
    digest = hmac.digest(_key(secret), signed, hashlib.sha256)
    return "v1," + base64.b64encode(digest).decode("ascii")


def headers(
    secrets: Sequence[str], *, message_id: str, timestamp: int, body: bytes
) -> dict[str, str]:
    """Return the three headers of a message, signed with every secret in their order.

    Two secrets are in use while one takes over from the other.
    Raises: SecretUnfit, also where there is none; MessageIdUnfit.
    """
    if not secrets:
        raise SecretUnfit("is missing")
    signatures = [
        sign(secret, message_id=message_id, timestamp=timestamp, body=body) for secret in secrets
    ]
    return {
        ID_HEADER: message_id,
        TIMESTAMP_HEADER: str(timestamp),
        SIGNATURE_HEADER: " ".join(signatures),
    }


def is_signed(
    secrets: Sequence[str], received: Mapping[str, str], body: bytes, *, now: int
) -> bool:
    """Return whether any signature of a received message is of any of the secrets, and fresh.

    Args:
        secrets: those in use; none proves nothing.
        received: headers, their names in any case.
        body: the bytes as they came.
        now: Unix seconds by the receiver's clock.

    Raises: SecretUnfit; nothing for what was received.
    """
    named = {name.lower(): value for name, value in received.items()}
    message_id = named.get(ID_HEADER, "")
    written = named.get(TIMESTAMP_HEADER, "")
    if not _ID.fullmatch(message_id) or not _TIMESTAMP.fullmatch(written):
        return False
    timestamp = int(written)
    # A figure written otherwise would be signed otherwise than it is read.
    if str(timestamp) != written or abs(now - timestamp) > TOLERANCE_SECONDS:
        return False
    given = [part.encode("utf-8", "replace") for part in named.get(SIGNATURE_HEADER, "").split(" ")]
    matches = False
    for secret in secrets:
        wanted = sign(secret, message_id=message_id, timestamp=timestamp, body=body).encode("ascii")
        for signature in given:
            # No early end: how long it takes must not tell which one matched.
            matches |= hmac.compare_digest(wanted, signature)
    return matches


def retry_at(attempt: int, now: datetime, luck: float) -> datetime | None:
    """Return when to try again after an attempt that failed, None after the last.

    Args:
        attempt: the one that failed, 1 the first.
        now: when it failed.
        luck: from 0 to below 1; adds up to a tenth, so that what failed together spreads out.
    """
    if attempt >= len(RETRY_DELAYS):
        return None
    return now + RETRY_DELAYS[attempt] * (1 + _SPREAD * luck)


def _key(secret: str) -> bytes:
    if not secret.startswith(_PREFIX):
        raise SecretUnfit(f"does not begin with {_PREFIX}")
    try:
        key = base64.b64decode(secret.removeprefix(_PREFIX), validate=True)
    except (binascii.Error, ValueError) as error:
        raise SecretUnfit("is not base64") from error
    if not _FEWEST <= len(key) <= _MOST:
        raise SecretUnfit(f"has {len(key)} bytes, not {_FEWEST} to {_MOST}")
    return key
