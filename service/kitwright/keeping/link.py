"""Link: a token that lets a customer see one revision of one quote, or one ticket, for a limited
time, and nothing else.

A token is a list of the quote's number, revision, expiry, nonce, round, epoch and digest, signed by
`itsdangerous` for a purpose of its own. Anything else signed with the same secret is therefore not
a token. Epoch and digest bind it to what it was made for, because a restore undoes revisions, and
their numbers may then be given to others.
"""

from __future__ import annotations

import re
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Sequence
from hashlib import sha384
from typing import Any, Final

from itsdangerous import BadData, URLSafeSerializer
from msgspec import Struct

from kitwright.errors import KitwrightError
from kitwright.keeping.generation import Generation

SECRET_BYTES: Final = 32
LINK_SECRET: Final = "customer-links"
"""The name of the secret by which links are signed."""
NONCE_BYTES: Final = 12
_DIGEST_LENGTH: Final = 16

_PURPOSE: Final = b"kitwright customer link"
# The 48 bytes of SHA-384 are 64 characters without a bit to spare: a signature has one spelling.
_TEXT: Final = re.compile(r"\.?[A-Za-z0-9_-]{1,220}\.[A-Za-z0-9_-]{64}")


class Link(Struct, frozen=True, kw_only=True):
    """The content of a customer's link: `number` is the id of a quote (Q12) or of a ticket (T5); a
    ticket's `revision` is its version. From `expires`, in Unix seconds, it is no longer valid.
    `nonce` is random and distinguishes two links to the same revision. `round` is the number of
    times that the quote's links had been revoked when it was made.

    `epoch` is that of the generation in which it was made, and `digest` the start of the revision's
    SHA-256, in hex. Both are empty in links of versions without generations.
    """

    number: str
    revision: int
    expires: int
    nonce: bytes
    round: int = 0
    epoch: str = ""
    digest: str = ""

    @property
    def what(self) -> str:
        """What it leads to, in words."""
        noun = "ticket" if self.number.startswith("T") else "quote"
        return f"{noun} {self.number}"


class LinkRevoked(KitwrightError):
    """A genuine token that the shop has revoked."""

    code = "link-revoked"

    def __init__(self, link: Link) -> None:
        super().__init__(f"this link to {link.what} was revoked")
        self.link = link


class LinkForged(KitwrightError):
    """A text that is not a token made with the secret: changed, cut off or made up."""

    code = "link-forged"

    def __init__(self) -> None:
        super().__init__("this link was not made by this service, or it was changed")


class LinkExpired(KitwrightError):
    """A genuine token that has expired. `link` is its content."""

    code = "link-expired"

    def __init__(self, link: Link) -> None:
        super().__init__(f"this link to {link.what} has expired")
        self.link = link


class LinkOutdated(KitwrightError):
    """A genuine token for something that a restore has undone."""

    code = "link-outdated"

    def __init__(self, link: Link) -> None:
        super().__init__(
            f"this link to {link.what} was made before records were restored, and no "
            "longer leads to the same offer: ask for a new link"
        )
        self.link = link


class LinksHeld(KitwrightError):
    """No link works until the owner has released restored records."""

    code = "links-held"

    def __init__(self) -> None:
        super().__init__("records were restored, and offers can't be read for now: try again later")


def digest_of(sha256: str | None) -> str:
    """Return the digest of a revision in its links, from its SHA-256 in hex; empty for None."""
    return (sha256 or "")[:_DIGEST_LENGTH]


def check_link(link: Link, generations: Sequence[Generation], sha256: str | None) -> None:
    """Raise if a genuine link does not lead to what it was made for, or not yet.

    Args:
        link: the content of a token.
        generations: all of the folder, oldest first.
        sha256: of the revision that has the link's number now.

    Raises: LinksHeld, LinkOutdated.
    """
    if generations[-1].is_held:
        raise LinksHeld
    if not link.epoch:
        # of a version without generations: nothing says what it was made for
        is_current = len(generations) == 1
    else:
        is_known = link.epoch in {one.epoch for one in generations}
        is_current = is_known and link.digest == digest_of(sha256)
    if not is_current:
        raise LinkOutdated(link)


def make_token(secret: bytes, link: Link) -> str:
    """Return the token of a link: all its characters are valid in a URL path."""
    nonce = urlsafe_b64encode(link.nonce).decode()
    return _signer(secret).dumps(
        [link.number, link.revision, link.expires, nonce, link.round, link.epoch, link.digest]
    )


def read_token(secret: bytes, text: str, now: float) -> Link:
    """Return the content of a token.

    Args:
        secret: of `SECRET_BYTES` random bytes, the one that the token was made with.
        text: the token; only one spelling is valid.
        now: Unix seconds.

    Raises: LinkForged; LinkExpired, for a genuine token.
    """
    if not _TEXT.fullmatch(text):
        raise LinkForged
    try:
        number, revision, expires, nonce, *rest = _signer(secret).loads(text)
    except BadData:
        raise LinkForged from None
    # links made before any could be revoked, or records restored, lack the rest
    bound: list[Any] = [*rest, *(0, "", "")[len(rest) :]]
    in_round, epoch, digest = bound
    link = Link(
        number=number,
        revision=revision,
        expires=expires,
        nonce=urlsafe_b64decode(nonce),
        round=in_round,
        epoch=epoch,
        digest=digest,
    )
    if now >= link.expires:
        raise LinkExpired(link)
    return link


def is_genuine(secret: bytes, text: str) -> bool:
    """Return whether a text is a token made with the secret, also if it has expired."""
    try:
        read_token(secret, text, 0)
    except LinkForged:
        return False
    return True


def _signer(secret: bytes) -> URLSafeSerializer:
    return URLSafeSerializer(secret, salt=_PURPOSE, signer_kwargs={"digest_method": sha384})
