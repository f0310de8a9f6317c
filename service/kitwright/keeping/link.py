"""Link: a token that lets a customer see one revision of one quote for a limited time, and nothing
else.

A token is a list of the quote's number, revision, expiry and nonce, signed by `itsdangerous` for a
purpose of its own. Anything else signed with the same secret is therefore not a token.
"""

from __future__ import annotations

import re
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Iterable
from hashlib import sha384
from typing import Final

from itsdangerous import BadData, URLSafeSerializer
from msgspec import Struct

from kitwright.errors import KitwrightError

SECRET_BYTES: Final = 32
NONCE_BYTES: Final = 12

_PURPOSE: Final = b"kitwright customer link"
_NUMBER: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/-]{0,39}")
# The 48 bytes of SHA-384 are 64 characters without a bit to spare: a signature has one spelling.
_TEXT: Final = re.compile(r"\.?[A-Za-z0-9_-]{1,140}\.[A-Za-z0-9_-]{64}")


class Link(Struct, frozen=True, kw_only=True):
    """The content of a customer's link. From `expires`, in Unix seconds, it is no longer valid.
    `nonce` is random and distinguishes two links to the same revision.
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
    """A text that is not a token made with one of the secrets: changed, cut off or made up."""

    code = "link-forged"

    def __init__(self) -> None:
        super().__init__("this link was not made by this service, or it was changed")


class LinkExpired(KitwrightError):
    """A genuine token that has expired. `link` is its content."""

    code = "link-expired"

    def __init__(self, link: Link) -> None:
        super().__init__(f"this link to quote {link.number} has expired")
        self.link = link


class SecretInvalid(KitwrightError):
    """A signing secret whose length is not `SECRET_BYTES`."""

    code = "secret-invalid"

    def __init__(self, length: int) -> None:
        super().__init__(f"a signing secret must have {SECRET_BYTES} bytes, not {length}")
        self.length = length


def make_token(secret: bytes, link: Link) -> str:
    """Return the token of a link: at most 200 characters, all valid in a URL path.

    Raises: SecretInvalid.
    """
    nonce = urlsafe_b64encode(link.nonce).decode()
    return _signer([secret]).dumps([link.number, link.revision, link.expires, nonce])


def read_token(secrets: bytes | Iterable[bytes], text: str, now: float) -> Link:
    """Return the content of a token.

    Args:
        secrets: the secret, or all secrets still accepted during a change.
        text: the token; only one spelling is valid.
        now: Unix seconds.

    Raises: LinkForged; LinkExpired, for a genuine token; SecretInvalid.
    """
    signer = _signer([secrets] if isinstance(secrets, bytes) else secrets)
    if not _TEXT.fullmatch(text):
        raise LinkForged
    try:
        number, revision, expires, nonce = signer.loads(text)
    except BadData:
        raise LinkForged from None
    link = Link(number=number, revision=revision, expires=expires, nonce=urlsafe_b64decode(nonce))
    if now >= link.expires:
        raise LinkExpired(link)
    return link


def _signer(secrets: Iterable[bytes]) -> URLSafeSerializer:
    known = list(secrets)
    for secret in known:
        if len(secret) != SECRET_BYTES:
            raise SecretInvalid(len(secret))
    return URLSafeSerializer(known, salt=_PURPOSE, signer_kwargs={"digest_method": sha384})
