"""Key: an API key, its checksum and hash, and the actions that its scopes allow."""

from __future__ import annotations

import hashlib
import hmac
import re
import string
import zlib
from collections.abc import Callable, Collection
from enum import StrEnum
from secrets import token_bytes
from typing import Final, NewType

from msgspec import Struct

from kitwright.errors import KitwrightError

KeyId = NewType("KeyId", str)
KeyHash = NewType("KeyHash", bytes)

_DIGITS: Final = string.digits + string.ascii_uppercase + string.ascii_lowercase
_ID_LENGTH: Final = 10
_SECRET_BYTES: Final = 32
_SECRET_LENGTH: Final = 43
"""Digits of base 62 that hold 256 bits."""
_CHECK_LENGTH: Final = 6
"""Digits of base 62 that hold 32 bits."""
_FORM: Final = re.compile(
    rf"(?P<body>kw_(?P<id>[0-9A-Za-z]{{{_ID_LENGTH}}})_[0-9A-Za-z]{{{_SECRET_LENGTH}}})"
    rf"(?P<check>[0-9A-Za-z]{{{_CHECK_LENGTH}}})"
)


class Scope(StrEnum):
    """A permission of a key. An owner may do everything."""

    READ = "read"
    QUOTE = "quote"
    ORDER = "order"
    CATALOGUE = "catalogue"
    OWNER = "owner"


class KeyMalformed(KitwrightError):
    """A text that is not a key: cut off, mistyped, or something else."""

    code = "key-malformed"

    def __init__(self, reason: str) -> None:
        # never the text itself: messages end up in logs
        super().__init__(f"invalid key: {reason}")
        self.reason = reason


class NewKey(Struct, frozen=True, kw_only=True):
    """A new key, shown once: its id, its full text, and the hash that is stored instead of the
    text.
    """

    id: KeyId
    text: str
    hash: KeyHash

    def __repr__(self) -> str:
        # without the text, which must reach no log
        return f"NewKey(id={self.id!r})"


def make_key(draw: Callable[[int], bytes] = token_bytes) -> NewKey:
    """Return a new key: `kw_<id>_<secret>`, 63 characters, of which the last six are a checksum.

    Args:
        draw: returns as many random bytes as it is asked for. Outside tests they must be fit for
            secrets.
    """
    # far more bits than ten digits hold, so that none of them is likelier than another
    key = KeyId(_base62(int.from_bytes(draw(16)) % 62**_ID_LENGTH, _ID_LENGTH))
    secret = _base62(int.from_bytes(draw(_SECRET_BYTES)), _SECRET_LENGTH)
    body = f"kw_{key}_{secret}"
    text = body + _checksum(body)
    return NewKey(id=key, text=text, hash=_hash(text))


def read_key(text: str) -> tuple[KeyId, KeyHash]:
    """Return the id in a key's text, and the hash to compare with the one stored for that id.

    Reading a key only shows that it is not mistyped: anyone can make up such a text.

    Raises: KeyMalformed, without a look-up, for a text of any other form or with a wrong checksum.
    """
    form = _FORM.fullmatch(text)
    if form is None:
        raise KeyMalformed("expected kw_, 10 letters or digits, _ and 49 more letters or digits")
    if form["check"] != _checksum(form["body"]):
        raise KeyMalformed("its checksum is wrong, so it was mistyped")
    return KeyId(form["id"]), _hash(text)


def is_same(kept: KeyHash, shown: KeyHash) -> bool:
    """Return whether two hashes are equal. The time taken does not reveal where they differ."""
    return hmac.compare_digest(kept, shown)


def may(scopes: Collection[Scope], needed: Scope) -> bool:
    """Return whether a key with some scopes may do an action that needs one of `needed`."""
    return needed in scopes or Scope.OWNER in scopes


def _hash(text: str) -> KeyHash:
    """Return the SHA-256 of a key's full text.

    A slow hash protects passwords that people choose. It adds nothing to 256 random bits, which
    can't be guessed.
    """
    return KeyHash(hashlib.sha256(text.encode()).digest())


def _checksum(body: str) -> str:
    return _base62(zlib.crc32(body.encode()), _CHECK_LENGTH)


def _base62(number: int, length: int) -> str:
    """Return a number in base 62, most significant digit first, padded with zeros."""
    digits = []
    for _ in range(length):
        number, digit = divmod(number, 62)
        digits.append(_DIGITS[digit])
    return "".join(reversed(digits))
