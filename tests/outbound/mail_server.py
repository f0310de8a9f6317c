"""A mail server on this machine that takes, refuses and breaks off as it is told."""

import asyncio
import ssl
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from email import message_from_bytes
from pathlib import Path
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

# Made for these tests, good for mail.example and 127.0.0.1, signed by itself, until 2126:
# openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 36500 \
#   -subj /CN=mail.example -addext subjectAltName=DNS:mail.example,IP:127.0.0.1
CERTIFICATE = Path(__file__).with_name("mail.example.pem")


class MailServer:
    """What a mail server took, and what it is to say: `at_rcpt`, `at_message` and `at_mail` are
    answers to be given one after the other, then all is well.
    """

    def __init__(self) -> None:
        self.port = 0
        self.taken: list[bytes] = []
        self.recipients: list[str] = []
        self.senders: list[str] = []
        self.names: list[str] = []
        self.logins: list[tuple[bytes, bytes]] = []
        self.were_safe: list[bool] = []
        self.rcpts = 0
        self.quits = 0
        self.at_mail: list[str] = []
        self.at_rcpt: list[str] = []
        self.at_message: list[str] = []
        self.drops_in_message = 0
        self.drops_after_message = 0

    @property
    def ids(self) -> Counter[str]:
        """How often each message id was taken."""
        return Counter(str(message_from_bytes(raw)["Message-ID"]) for raw in self.taken)

    async def handle_EHLO(  # noqa: N802 - the library's name
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, said: list[str]
    ) -> list[str]:
        del server, envelope
        session.host_name = hostname
        self.names.append(hostname)
        return said

    async def handle_MAIL(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        del server, session, options
        if self.at_mail:
            return self.at_mail.pop(0)
        envelope.mail_from = address
        self.senders.append(address)
        return "250 fine"

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        del server, session, options
        self.rcpts += 1
        if self.at_rcpt:
            return self.at_rcpt.pop(0)
        envelope.rcpt_tos.append(address)
        return "250 fine"

    async def handle_DATA(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        del session
        if self.at_message:
            return self.at_message.pop(0)
        assert isinstance(envelope.content, bytes)
        self.taken.append(envelope.content)
        self.recipients.extend(envelope.rcpt_tos)
        self.were_safe.append(_is_safe(server))
        if self.drops_after_message:
            self.drops_after_message -= 1
            _cut(server)
        return "250 2.0.0 taken"

    async def handle_QUIT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        del server, session, envelope
        self.quits += 1
        return "221 bye"

    def login(
        self, server: SMTP, session: Session, envelope: Envelope, how: str, who: Any
    ) -> AuthResult:
        """Let one user in."""
        del server, session, envelope, how
        assert isinstance(who, LoginPassword)
        self.logins.append((who.login, who.password))
        return AuthResult(success=who.password == b"right", handled=False)


def _is_safe(server: SMTP) -> bool:
    return server.transport is not None and bool(server.transport.get_extra_info("sslcontext"))


def _cut(server: SMTP) -> None:
    """End a connection without a goodbye."""
    if isinstance(server.transport, asyncio.WriteTransport):
        server.transport.abort()


class _Breaking(SMTP):
    """Breaks off in the middle of a message where it is told to."""

    async def smtp_DATA(self, arg: str) -> None:  # noqa: N802
        handler = self.event_handler
        if not handler.drops_in_message:
            await super().smtp_DATA(arg)
            return
        handler.drops_in_message -= 1
        await self.push("354 go on")
        await self._reader.readline()
        _cut(self)


@asynccontextmanager
async def mail_server(
    *, tls: bool = False, starttls: bool = False, login: bool = False
) -> AsyncIterator[MailServer]:
    """Run a mail server at a free port of this machine."""
    server = MailServer()
    context = server_tls()

    opened: list[SMTP] = []

    def protocol() -> SMTP:
        one = _Breaking(
            server,
            hostname="mail.example",
            enable_SMTPUTF8=False,
            tls_context=context if starttls else None,
            require_starttls=starttls,
            authenticator=server.login if login else None,
            # the library warns of a login without STARTTLS, and takes no other TLS for safe
            auth_required=login and starttls,
            auth_require_tls=starttls,
        )
        opened.append(one)
        return one

    loop = asyncio.get_running_loop()
    listening = await loop.create_server(protocol, "127.0.0.1", 0, ssl=context if tls else None)
    server.port = listening.sockets[0].getsockname()[1]
    try:
        yield server
    finally:
        listening.close()
        await listening.wait_closed()
        # what is open still belongs to this loop, and ends with it
        for one in opened:
            _cut(one)
        for _ in range(5):
            await asyncio.sleep(0.005)


def server_tls() -> ssl.SSLContext:
    """Return what a mail server needs to be mail.example."""
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(CERTIFICATE)
    return tls


def client_tls() -> ssl.SSLContext:
    """Return what trusts that mail server."""
    return ssl.create_default_context(cafile=str(CERTIFICATE))
