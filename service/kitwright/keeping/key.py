"""Key: what a program shows to be let in, and what it may do with it."""

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
    """What a key lets its holder do; an owner may do everything."""

    READ = "read"
    QUOTE = "quote"
    ORDER = "order"
    CATALOGUE = "catalogue"
    OWNER = "owner"


class KeyMalformed(KitwrightError):
    """A text that is no key: cut, mistyped, or something else altogether."""

    code = "key-malformed"

    def __init__(self, reason: str) -> None:
        # never the text itself: messages end up in logs
        super().__init__(f"invalid key: {reason}")
        self.reason = reason


class NewKey(Struct, frozen=True, kw_only=True):
    """A key as it is shown once: its id, its whole text, and the hash that is kept in its place."""

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
    """Return the id that a key claims, and the hash to compare with the one kept under that id.

    That it is read only means that it is not mistyped; anybody can make up such a text.

    Raises: KeyMalformed, without a look-up, for every text of another form and where the checksum
        does not fit.
    """
    form = _FORM.fullmatch(text)
    if form is None:
        raise KeyMalformed("expected kw_, 10 letters or digits, _ and 49 more letters or digits")
    if form["check"] != _checksum(form["body"]):
        raise KeyMalformed("its checksum is wrong, so it was mistyped")
    return KeyId(form["id"]), _hash(text)


def is_same(kept: KeyHash, shown: KeyHash) -> bool:
    """Return whether two hashes are of the same key, in a time that does not tell where they
    differ.
    """
    return hmac.compare_digest(kept, shown)


def may(scopes: Collection[Scope], needed: Scope) -> bool:
    """Return whether a key of some scopes lets its holder do what needs one of them."""
    return needed in scopes or Scope.OWNER in scopes


def _hash(text: str) -> KeyHash:
    """Return the SHA-256 of a key's whole text.

    A slow hash protects words that people choose; nobody tries out 256 random bits.
    """
    return KeyHash(hashlib.sha256(text.encode()).digest())


def _checksum(body: str) -> str:
    return _base62(zlib.crc32(body.encode()), _CHECK_LENGTH)


def _base62(number: int, length: int) -> str:
    """Return a number in digits of base 62, the greatest first, filled up with zeros."""
    digits = []
    for _ in range(length):
        number, digit = divmod(number, 62)
        digits.append(_DIGITS[digit])
    return "".join(reversed(digits))
