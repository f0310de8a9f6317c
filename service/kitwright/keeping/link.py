"""Link: a token that lets a customer see one revision of one quote for a time, and nothing else.

A token is the url-safe base64, without padding, of these bytes, numbers with the greatest byte
first: version (1), expiry (8), revision (4), nonce (12), the quote's number in ASCII, and the
HMAC-SHA256 (32) of `PURPOSE`, a zero byte and everything before it.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import struct
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Iterable
from typing import Final

from msgspec import Struct

from kitwright.errors import KitwrightError

PURPOSE: Final = b"kitwright customer link"
"""Signed with every token, so that what else is signed with the same secret is no token."""
SECRET_BYTES: Final = 32
NONCE_BYTES: Final = 12

_VERSION: Final = 1
_HEAD: Final = struct.Struct(f">BQI{NONCE_BYTES}s")
_MAC_BYTES: Final = 32
_NUMBER: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/-]{0,39}")
_TEXT: Final = re.compile(r"[A-Za-z0-9_-]{1,130}")
"""As long as the longest number makes a token, and little more."""


class Link(Struct, frozen=True, kw_only=True):
    """What a customer's link stands for. `expires` in Unix seconds is the first moment at which it
    is no longer good; `nonce`, random, tells two links to the same revision apart.
    """

    number: str
    revision: int
    expires: int
    nonce: bytes

    def __post_init__(self) -> None:
        if not _NUMBER.fullmatch(self.number):
            raise ValueError(f"a quote's number must match {_NUMBER.pattern}")
        if not 0 <= self.revision < 2**32:
            raise ValueError("a revision must be from 0 to 4294967295")
        if not 0 <= self.expires < 2**63:
            raise ValueError("an expiry must be Unix seconds, 0 or more")
        if len(self.nonce) != NONCE_BYTES:
            raise ValueError(f"a nonce must have {NONCE_BYTES} bytes")


class LinkForged(KitwrightError):
    """A text that is no token made with one of the secrets: changed, cut or made up."""

    code = "link-forged"

    def __init__(self) -> None:
        super().__init__("this link was not made by this service, or it was changed")


class LinkExpired(KitwrightError):
    """A token whose time is over. `link` is what it stood for, as genuine as any."""

    code = "link-expired"

    def __init__(self, link: Link) -> None:
        super().__init__(f"this link to quote {link.number} has expired")
        self.link = link


class SecretUnfit(KitwrightError):
    """A signing secret of another length than `SECRET_BYTES`."""

    code = "secret-unfit"

    def __init__(self, length: int) -> None:
        super().__init__(f"a signing secret must have {SECRET_BYTES} bytes, not {length}")
        self.length = length


def make_token(secret: bytes, link: Link) -> str:
    """Return the token of a link: at most 130 characters, all fit for a path.

    Raises: SecretUnfit.
    """
    head = _HEAD.pack(_VERSION, link.expires, link.revision, link.nonce)
    signed = head + link.number.encode()
    return _written(signed + _mac(secret, signed))


def read_token(secrets: bytes | Iterable[bytes], text: str, now: float) -> Link:
    """Return what a token stands for.

    Args:
        secrets: the secret, or all those still honoured while they change.
        text: the token; it has one spelling only.
        now: Unix seconds.

    Raises: LinkForged; LinkExpired, for a genuine token; SecretUnfit.
    """
    raw = _read(text)
    signed, mac = raw[:-_MAC_BYTES], raw[-_MAC_BYTES:]
    known = (secrets,) if isinstance(secrets, bytes) else tuple(secrets)
    # all of them first, so that the time tells nobody which one fits
    fits = [hmac.compare_digest(mac, _mac(secret, signed)) for secret in known]
    if not any(fits):
        raise LinkForged
    link = _link(signed)
    if now >= link.expires:
        raise LinkExpired(link)
    return link


def _read(text: str) -> bytes:
    """Return the bytes of a text that may be a token."""
    if not _TEXT.fullmatch(text) or len(text) % 4 == 1:
        raise LinkForged
    raw = urlsafe_b64decode(text + "=" * (-len(text) % 4))
    # the last character has bits that no byte takes: only one of its spellings is ours
    if _written(raw) != text or len(raw) <= _HEAD.size + _MAC_BYTES:
        raise LinkForged
    return raw


def _link(signed: bytes) -> Link:
    """Return the link of bytes whose signature is good."""
    version, expires, revision, nonce = _HEAD.unpack_from(signed)
    if version != _VERSION:
        raise LinkForged
    try:
        number = signed[_HEAD.size :].decode("ascii")
        return Link(number=number, revision=revision, expires=expires, nonce=nonce)
    except ValueError:
        raise LinkForged from None


def _mac(secret: bytes, signed: bytes) -> bytes:
    if len(secret) != SECRET_BYTES:
        raise SecretUnfit(len(secret))
    return hmac.digest(secret, PURPOSE + b"\0" + signed, hashlib.sha256)


def _written(raw: bytes) -> str:
    return urlsafe_b64encode(raw).rstrip(b"=").decode()
