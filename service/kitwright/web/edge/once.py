"""Once: reads Idempotency-Key, and computes the fingerprint that identifies a repeated request.

Source: the IETF's draft-ietf-httpapi-idempotency-key-header; the header's value is an Item of RFC
9651.
"""

from __future__ import annotations

import hashlib
import re
from typing import Final

from kitwright.web.edge.problems import Refusal

MOST_CHARACTERS: Final = 255

_STRING: Final = r'"(?:[\x20\x21\x23-\x5b\x5d-\x7e]|\\["\\])*+"'
_BARE_ITEM: Final = "|".join(
    (
        r"-?[0-9]{1,12}\.[0-9]{1,3}",
        r"@?-?[0-9]{1,15}",
        _STRING,
        r"[A-Za-z*][A-Za-z0-9!#$%&'*+.^_`|~:/-]*+",
        r":[A-Za-z0-9+/=]*+:",
        r"\?[01]",
        r'%"(?:[\x20\x21\x23\x24\x26-\x7e]|%[0-9a-f]{2})*+"',
    )
)
# Every parameter begins with a semicolon, so there is one way to read them. A possessive repetition
# of the whole would say the same, but Python 3.11 was seen to match half a parameter with it.
_PARAMETER: Final = rf";\x20*[a-z*][a-z0-9_.*-]*(?:=(?:{_BARE_ITEM}))?"
_ITEM: Final = re.compile(rf"(?P<string>{_STRING})(?:{_PARAMETER})*")
_BARE: Final = re.compile(r"[A-Za-z0-9._:-]+")
_ESCAPED: Final = re.compile(r"\\(.)")


def read_idempotency_key(header: str | None) -> str:
    r"""Return the key of a request, 1 to 255 characters of printable ASCII.

    The draft requires a string in double quotes, in which `\"` and `\\` are escapes; keys are
    compared after unescaping. Parameters after it are ignored. Some callers leave the quotes out,
    so a bare value of letters, digits and `._:-` is the same key as in quotes.

    Args:
        header: its value, several lines joined by commas; None if it is missing.

    Raises: Refusal: idempotency-key-missing; idempotency-key-malformed, also for several keys.
    """
    if header is None:
        detail = 'send an Idempotency-Key, a new one for each operation, such as "8e03978e"'
        raise Refusal("idempotency-key-missing", detail)
    value = header.strip(" ")
    item = _ITEM.fullmatch(value)
    if item is not None:
        key = _ESCAPED.sub(r"\1", item["string"][1:-1])
    elif _BARE.fullmatch(value):
        key = value
    else:
        key = ""
    if not 1 <= len(key) <= MOST_CHARACTERS:
        raise Refusal(
            "idempotency-key-malformed",
            f"Idempotency-Key should be one string in double quotes, of 1 to {MOST_CHARACTERS} "
            "characters of ASCII",
        )
    return key


def fingerprint(method: str, path_and_query: str, body: bytes, content_type: str | None) -> bytes:
    """Return the SHA-256 of a request, 32 bytes: it tells different requests under one key apart.

    Every part is compared byte for byte, so a retry must send exactly the same request.
    """
    parts = (method.encode(), path_and_query.encode(), (content_type or "").encode(), body)
    digest = hashlib.sha256()
    for part in parts:
        # with its length, so that parts can't run into each other
        digest.update(len(part).to_bytes(8))
        digest.update(part)
    return digest.digest()
