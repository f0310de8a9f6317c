"""Bill seal: by which a true copy of an invoice or a credit note is told from one that was typed.

A seal is a signature over all members of a document's JSON but itself, in the order of their names:
spaces and the order of members don't matter, and members that later versions add break none. It is
made by `itsdangerous` with the secret of the shop's links, for a purpose of its own.
"""

from __future__ import annotations

from hashlib import sha256
from typing import Any, Final

import msgspec
from itsdangerous import Signer
from msgspec import structs

from kitwright.keeping.link import LINK_SECRET
from kitwright.keeping.store import Records
from kitwright.quote import Bill, encode_billing

_PURPOSE: Final = b"kitwright invoice seal"
_SEAL: Final = "seal"


def sealed(records: Records, bill: Bill) -> Bill:
    """Return a document with its seal; as it is in a folder that has no secret yet."""
    secret = records.keys.secret(LINK_SECRET)
    if secret is None:
        return bill
    said, _ = _parts(encode_billing(bill))
    return structs.replace(bill, seal=_signer(secret).get_signature(said).decode())


def is_genuine(records: Records, body: bytes) -> bool | None:
    """Return whether the seal of a document holds, None if it has none.

    Args:
        body: its JSON, an object.
    """
    secret = records.keys.secret(LINK_SECRET)
    said, seal = _parts(body)
    if seal is None:
        return None
    return secret is not None and _signer(secret).verify_signature(said, seal.encode())


def _parts(body: bytes) -> tuple[bytes, str | None]:
    """Return what a seal covers of a document, and the seal."""
    members: dict[str, Any] = msgspec.json.decode(body)
    seal = members.pop(_SEAL, None)
    return msgspec.json.encode(members, order="sorted"), None if seal is None else str(seal)


def _signer(secret: bytes) -> Signer:
    return Signer(secret, salt=_PURPOSE, digest_method=sha256)
