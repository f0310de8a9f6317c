"""Mail: hands one message to a mail server, or writes it to a folder, and reports the outcome.

A message is sent once if its delivery can be confirmed: a 2xx answer to its end settles it. If the
connection breaks after the end was sent and before the answer, or the service is killed before it
records the answer, the outcome is unknown (RFC 1047). The message is then sent again with the same
Message-ID, because a duplicate quote is better than a lost one.
"""

from __future__ import annotations

import asyncio
import re
import ssl
from collections.abc import Callable
from contextlib import suppress
from enum import StrEnum
from pathlib import Path
from threading import Lock
from typing import Final, Protocol

from aiosmtplib import (
    SMTP,
    SMTPException,
    SMTPResponseException,
    SMTPServerDisconnected,
    SMTPTimeoutError,
)
from msgspec import Struct, field

GREETING_SECONDS: Final = 60.0
"""Time limit for everything before the message itself."""
MESSAGE_SECONDS: Final = 600.0
"""Time limit for the message. RFC 5321, 4.5.3.2.6: a shorter wait for the final answer causes
duplicates.
"""


class Security(StrEnum):
    """The encryption of a connection to a mail server: TLS from the start; STARTTLS, which the
    server must offer; or none.
    """

    tls = "tls"
    starttls = "starttls"
    none = "none"


class Fate(StrEnum):
    """The outcome of an attempt: sent, to be tried again, or refused permanently."""

    sent = "sent"
    again = "again"
    refused = "refused"


class MailOutcome(Struct, frozen=True, kw_only=True):
    """The outcome of an attempt. `detail` is a short sentence of our own. Of the server's answer it
    contains only codes, because the text may name the recipient.
    """

    fate: Fate
    detail: str


class Outgoing(Struct, frozen=True, kw_only=True):
    """A complete RFC 5322 message to one address; `attempt` counts from 1."""

    number: int
    message_id: str
    to: str
    body: bytes
    attempt: int


class Mailer(Protocol):
    """Sends messages; failures of a server are returned as outcomes, not raised."""

    async def send(self, mail: Outgoing) -> MailOutcome:
        """Send a message and return the outcome."""


class SmtpMailer(Struct, frozen=True):
    """Sends messages through one mail server, each over a new connection.

    Args:
        host: the server's name, which its certificate must have.
        port: the server's port.
        security: `none` is only for a server on this machine.
        sender: the envelope sender, to which failures are reported.
        name: the domain name that this machine announces.
        user: the user name for login; None for no login.
        password: the user's password.
        tls: the TLS settings; by default the system's certificate authorities are trusted.
        greeting_seconds: time limit for everything before the message.
        message_seconds: time limit for the message and the answer to it.
    """

    host: str
    port: int
    security: Security
    sender: str
    name: str
    user: str | None = None
    password: str | None = None
    tls: ssl.SSLContext = field(default_factory=ssl.create_default_context)
    greeting_seconds: float = GREETING_SECONDS
    message_seconds: float = MESSAGE_SECONDS

    def __repr__(self) -> str:
        # without the password, which must reach no log
        return f"SmtpMailer({self.host!r}, {self.port})"

    async def send(self, mail: Outgoing) -> MailOutcome:
        """Send a message and return the outcome.

        A message is refused permanently only if the server permanently rejects this recipient or
        this message. Errors about the service itself, its sender or its password are temporary,
        because they can be fixed.
        """
        client = SMTP(
            hostname=self.host,
            port=self.port,
            local_hostname=self.name,
            timeout=self.greeting_seconds,
            use_tls=self.security is Security.tls,
            start_tls=self.security is Security.starttls,
            tls_context=self.tls,
        )
        is_handed_over = False
        try:
            async with asyncio.timeout(self.greeting_seconds):
                await client.connect()
                if self.user is not None:
                    await client.login(self.user, self.password or "")
                await client.mail(self.sender)
                await client.rcpt(mail.to)
            is_handed_over = True
            await client.data(mail.body, timeout=self.message_seconds)
            _say_goodbye(client)
        except SMTPResponseException as error:
            return _judged(error)
        except (SMTPException, OSError) as error:
            return MailOutcome(fate=Fate.again, detail=_why(error, is_handed_over=is_handed_over))
        finally:
            client.close()
        return MailOutcome(fate=Fate.sent, detail="accepted by the mail server")


_OF_THE_SERVICE: Final = frozenset({521, 530, 534, 535, 538})
"""Codes that concern neither recipient nor message: the server takes no mail, or needs a login."""
_JUDGING: Final = {"SMTPRecipientRefused": "the recipient", "SMTPDataError": "the message"}
_ENHANCED: Final = re.compile(r"[245]\.\d{1,3}\.\d{1,3}(?!\S)", re.ASCII)


def _say_goodbye(client: SMTP) -> None:
    """Send QUIT without waiting for the answer: until this attempt is settled, a crash would send
    the message twice.
    """
    with suppress(SMTPServerDisconnected, RuntimeError):
        if client.protocol is not None:
            client.protocol.write(b"QUIT\r\n")


def _judged(error: SMTPResponseException) -> MailOutcome:
    """Return the outcome for an error response of a server."""
    about = _JUDGING.get(type(error).__name__)
    if about == "the message" and 200 <= error.code < 300:
        return MailOutcome(fate=Fate.sent, detail="accepted by the mail server")
    enhanced = _ENHANCED.match(error.message)
    code = f"{error.code}" + (f" {enhanced[0]}" if enhanced else "")
    is_final = 500 <= error.code < 600 and error.code not in _OF_THE_SERVICE
    if about is not None and is_final:
        return MailOutcome(fate=Fate.refused, detail=f"the mail server refused {about}: {code}")
    what = about or "to accept any e-mail from here"
    return MailOutcome(fate=Fate.again, detail=f"the mail server refused {what} for now: {code}")


def _why(error: Exception, *, is_handed_over: bool) -> str:
    """Return a sentence for a failed connection."""
    if is_handed_over:
        return "the connection broke while the message was being sent: it may have arrived"
    under: BaseException | None = error
    while under is not None:
        if isinstance(under, ssl.SSLCertVerificationError):
            return "the mail server's certificate is not valid for its name"
        if isinstance(under, ssl.SSLError):
            return "the TLS connection to the mail server failed"
        under = under.__cause__ or under.__context__
    if isinstance(error, SMTPTimeoutError | TimeoutError):
        return "no answer from the mail server in time"
    if isinstance(error, OSError):
        return "no connection to the mail server"
    return "the mail server offers no STARTTLS, or no login method that is supported"


_NAME: Final = re.compile(r"<([A-Za-z0-9_+-][A-Za-z0-9._+-]{0,99}@[A-Za-z0-9.-]{1,100})>", re.ASCII)


class FolderMailer:
    """Writes messages to a folder instead of sending them, each once: `<message id>.eml`.

    A forgotten message is never written afterwards, even if an attempt had already begun.

    Args:
        folder: the folder; `write` creates it if it is missing.
        write: writes a file atomically. Raises: OSError.
    """

    def __init__(self, folder: Path, write: Callable[[Path, bytes], None]) -> None:
        self._folder = folder
        self._write = write
        self._forgotten: set[str] = set()
        self._lock = Lock()
        """Held while a message is written or deleted, so that the two can't overlap."""

    async def send(self, mail: Outgoing) -> MailOutcome:
        """Send a message and return the outcome."""
        name = _NAME.fullmatch(mail.message_id)
        if name is None:
            return MailOutcome(fate=Fate.refused, detail="its message id is not a valid file name")
        try:
            is_there = await asyncio.to_thread(self._put, name[1], mail.body)
        except OSError:
            return MailOutcome(fate=Fate.again, detail="the mail folder can't be written to")
        if not is_there:
            return MailOutcome(fate=Fate.refused, detail="erased before it was sent")
        return MailOutcome(fate=Fate.sent, detail="written to the mail folder")

    def _put(self, name: str, body: bytes) -> bool:
        """Write a message unless its file exists; return whether the file exists now."""
        with self._lock:
            if name in self._forgotten:
                return False
            path = self._path(name)
            if not path.is_file():
                self._write(path, body)
            return True

    def forget(self, message_id: str) -> None:
        """Delete a message because its customer is erased; do nothing if there is no file.

        Raises: OSError.
        """
        name = _NAME.fullmatch(message_id)
        if name is not None:
            with self._lock:
                self._forgotten.add(name[1])
                self._path(name[1]).unlink(missing_ok=True)

    def _path(self, name: str) -> Path:
        return self._folder / f"{name}.eml"
