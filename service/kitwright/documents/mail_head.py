"""Mail head: the headers of an e-mail (RFC 5322), and texts that are safe in them.

The headers are written here, because the standard library decodes a name that looks like an encoded
word (RFC 2047), and would send a different name.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from datetime import UTC, datetime
from email.header import Header
from email.message import EmailMessage
from email.utils import format_datetime
from typing import Final

from msgspec import Struct

from kitwright.errors import KitwrightError
from kitwright.keeping.mail import check_address

MOST_SUBJECT: Final = 120
MOST_NAME: Final = 80
"""The most characters of a subject and of a display name; longer ones are cut."""

_LINE: Final = 76
_MESSAGE_ID: Final = re.compile(r"<[A-Za-z0-9._+-]{1,100}@[A-Za-z0-9.-]{1,253}>", re.ASCII)
_BREAKING: Final = ("\r", "\n", "\0")
_BLANK: Final = frozenset({"Cc", "Zl", "Zp"})
_TURNING: Final = dict.fromkeys((*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F))
"""Characters that change the reading direction of the text after them; they are removed."""


class MailError(KitwrightError):
    """An e-mail that can't be composed."""

    code = "mail-error"


class TextInvalid(MailError):
    """A text with a line break or NUL, which could inject a header, or an unpaired surrogate."""

    code = "mail-text-invalid"

    def __init__(self, member: str, text: str) -> None:
        super().__init__(f"{member} can't go into a mail: {text[:80]!r}")
        self.member = member


class Head(Struct, frozen=True, kw_only=True):
    """From whom an e-mail is, to whom, and when it was written.

    `sender`, `to` and `reply_to` (None: the sender) are plain addresses. `note` is a text by the
    shop, with line feeds between its lines.
    """

    sender: str
    to: str
    message_id: str
    at: datetime
    reply_to: str | None = None
    note: str | None = None


def complete(head: Head, name: str, language: str, subject: str, content: EmailMessage) -> bytes:
    """Return a message with its headers: ASCII only, lines of at most 998 octets that end in CRLF.
    The same arguments give the same bytes. `name` is that of the shop.

    It has no `Auto-Submitted` header (RFC 3834), because a person requested it.

    Raises: AddressInvalid, TextInvalid.
    """
    shop = one_line("the shop's name", name)
    headers = (
        mailbox("From", shop, head.sender),
        f"To: {check_address(head.to)}",
        mailbox("Reply-To", shop, head.reply_to or head.sender),
        unstructured("Subject", subject),
        f"Date: {format_datetime(head.at.astimezone(UTC))}",
        f"Message-ID: {fitting(_MESSAGE_ID, 'the message id', head.message_id)}",
        f"Content-Language: {language}",
    )
    for number, part in enumerate(content.walk()):
        if part.is_multipart():
            # an equals sign and then a low line occur in no body that is encoded as these are
            seed = f"{number}{head.message_id}".encode()
            part.set_boundary(f"=_{hashlib.sha256(seed).hexdigest()[:32]}")
    return "".join(f"{line}\r\n" for line in headers).encode("ascii") + content.as_bytes()


def mailbox(header: str, name: str, address: str) -> str:
    """Return a header of one address with a display name, folded."""
    name, address = cut(name, MOST_NAME), check_address(address)
    if not name:
        return f"{header}: {address}"
    quoted = '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if _is_plain(name) and len(header) + 2 + len(quoted) <= _LINE:
        shown = quoted
    else:
        shown = _encoded(header, name)
    last = len(shown.rpartition("\r\n")[2]) + (0 if "\r\n" in shown else len(header) + 2)
    fold = " " if last + len(address) + 3 <= _LINE else "\r\n "
    return f"{header}: {shown}{fold}<{address}>"


def unstructured(header: str, text: str) -> str:
    """Return a header of words, folded."""
    if _is_plain(text):
        told = Header(text, "us-ascii", maxlinelen=_LINE, header_name=header).encode(linesep="\r\n")
    else:
        told = _encoded(header, text)
    return f"{header}: {told}"


def _encoded(header: str, text: str) -> str:
    return Header(text, "utf-8", maxlinelen=_LINE, header_name=header).encode(linesep="\r\n")


def _is_plain(text: str) -> bool:
    # what looks like an encoded word would be taken for one
    return text.isascii() and "=?" not in text


def one_line(member: str, text: str) -> str:
    """Return a text on one line, without marks of reading direction. Raises: TextInvalid."""
    if any(sign in text for sign in _BREAKING):
        raise TextInvalid(member, text)
    return " ".join(_whole(member, text).split())


def note_lines(text: str) -> tuple[str, ...]:
    """Return the lines of a note. Raises: TextInvalid."""
    if "\r" in text or "\0" in text:
        raise TextInvalid("the note", text)
    return tuple(_whole("the note", line).rstrip() for line in text.strip("\n").split("\n"))


def _whole(member: str, text: str) -> str:
    blanked = "".join(" " if unicodedata.category(sign) in _BLANK else sign for sign in text)
    try:
        blanked.encode("utf-8")
    except UnicodeEncodeError:
        raise TextInvalid(member, text) from None
    return blanked.translate(_TURNING)


def fitting(pattern: re.Pattern[str], member: str, text: str) -> str:
    """Return a text that fits a pattern. Raises: TextInvalid."""
    if pattern.fullmatch(text) is None:
        raise TextInvalid(member, text)
    return text


def cut(text: str, most: int) -> str:
    """Return a text of at most so many characters."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"
