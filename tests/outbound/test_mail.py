"""Mails handed to a real mail server on this machine, which is well or badly, and to a folder."""

import asyncio
import ssl
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs
from tests.outbound import receiver
from tests.outbound.mail_server import MailServer, client_tls, mail_server

from kitwright.outbound.mail import Fate, FolderMailer, MailOutcome, Outgoing, Security, SmtpMailer

BODY = (
    b"From: quotes@shop.example\r\nTo: a@example.org\r\nMessage-ID: <m1@shop.example>\r\n"
    b"Subject: Quote\r\n\r\nHello\r\n.\r\n..two\r\nFrom here\r\n"
)
MAIL = Outgoing(number=1, message_id="<m1@shop.example>", to="a@example.org", body=BODY, attempt=1)


def mailer(port: int, security: Security = Security.none, **said: Any) -> SmtpMailer:
    plain: dict[str, Any] = {
        "security": security,
        "sender": "quotes@shop.example",
        "name": "shop.example",
        "tls": client_tls(),
        "greeting_seconds": 5.0,
        "message_seconds": 5.0,
    }
    return SmtpMailer("127.0.0.1", port, **(plain | said))


def sent(
    prepare: Callable[[MailServer], None] = lambda _: None,
    *,
    security: Security = Security.none,
    server: dict[str, bool] | None = None,
    **said: Any,
) -> tuple[MailOutcome, MailServer]:
    """Return what became of one attempt, and the server that it met."""

    async def run() -> tuple[MailOutcome, MailServer]:
        async with mail_server(**(server or {})) as opened:
            prepare(opened)
            return await mailer(opened.port, security, **said).send(MAIL), opened

    return asyncio.run(run())


def test_send_hands_over_every_octet() -> None:
    outcome, server = sent()

    assert outcome.fate is Fate.sent
    assert server.taken == [BODY]
    assert server.recipients == ["a@example.org"]
    assert server.senders == ["quotes@shop.example"]
    assert server.names == ["shop.example"]


def test_send_says_goodbye_without_waiting_for_the_answer() -> None:
    async def run() -> int:
        async with mail_server() as opened:
            assert (await mailer(opened.port).send(MAIL)).fate is Fate.sent
            for _ in range(200):
                if opened.quits:
                    break
                await asyncio.sleep(0.01)
            return opened.quits

    assert asyncio.run(run()) == 1


@pytest.mark.parametrize(
    ("where", "answer", "fate", "told"),
    [
        ("at_rcpt", "550 5.1.1 a@example.org unknown", Fate.refused, "recipient: 550 5.1.1"),
        ("at_rcpt", "553 no", Fate.refused, "recipient: 553"),
        ("at_rcpt", "451 4.7.1 greylisted", Fate.again, "recipient for now: 451 4.7.1"),
        ("at_rcpt", "421 4.3.2 going down", Fate.again, "recipient for now: 421 4.3.2"),
        ("at_rcpt", "530 5.7.0 log in first", Fate.again, "recipient for now: 530 5.7.0"),
        ("at_message", "554 5.7.1 spam", Fate.refused, "message: 554 5.7.1"),
        ("at_message", "552 too large", Fate.refused, "message: 552"),
        ("at_message", "452 4.2.2 full", Fate.again, "message for now: 452 4.2.2"),
        ("at_mail", "550 5.7.1 who are you", Fate.again, "any e-mail from here for now: 550 5.7.1"),
        ("at_mail", "450 later", Fate.again, "any e-mail from here for now: 450"),
    ],
)
def test_send_tells_no_from_not_now(where: str, answer: str, fate: Fate, told: str) -> None:
    outcome, server = sent(lambda opened: getattr(opened, where).append(answer))

    assert (outcome.fate, server.taken) == (fate, [])
    assert outcome.detail.endswith(told)
    assert "example.org" not in outcome.detail


@pytest.mark.parametrize("answer", ["251 2.1.5 passed on", "250 fine"])
def test_send_takes_every_yes(answer: str) -> None:
    outcome, server = sent(lambda opened: opened.at_message.append(answer))

    assert outcome.fate is Fate.sent
    assert not server.at_message


def test_message_that_breaks_off_is_sent_again() -> None:
    outcome, server = sent(lambda opened: setattr(opened, "drops_in_message", 1))

    assert (outcome.fate, server.taken) == (Fate.again, [])
    assert "may have arrived" in outcome.detail


def test_message_without_an_answer_may_have_arrived() -> None:
    outcome, server = sent(lambda opened: setattr(opened, "drops_after_message", 1))

    assert (outcome.fate, server.taken) == (Fate.again, [BODY])
    assert "may have arrived" in outcome.detail


def test_server_that_says_nothing_is_left_in_time() -> None:
    async def run() -> MailOutcome:
        async def silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            try:
                await reader.read()
            finally:
                writer.close()

        server = await asyncio.start_server(silent, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        try:
            return await mailer(port, greeting_seconds=0.1).send(MAIL)
        finally:
            server.close()
            await server.wait_closed()

    assert asyncio.run(run()) == MailOutcome(
        fate=Fate.again, detail="no answer from the mail server in time"
    )


def test_no_server_is_tried_again() -> None:
    async def run() -> MailOutcome:
        async with mail_server() as opened:
            port = opened.port
        return await mailer(port).send(MAIL)

    assert asyncio.run(run()) == MailOutcome(
        fate=Fate.again, detail="no connection to the mail server"
    )


@pytest.mark.parametrize("security", [Security.tls, Security.starttls])
def test_send_is_safe_from_others(security: Security) -> None:
    outcome, server = sent(
        security=security,
        server={security.value: True, "login": True},
        user="shop",
        password="right",
    )

    assert outcome.fate is Fate.sent
    assert server.taken == [BODY]
    assert server.logins == [(b"shop", b"right")]
    assert server.were_safe == [True]


def test_wrong_password_is_no_fault_of_the_recipient() -> None:
    outcome, server = sent(
        security=Security.starttls,
        server={"starttls": True, "login": True},
        user="shop",
        password="wrong",
    )

    assert (outcome.fate, server.taken) == (Fate.again, [])
    assert "535" in outcome.detail


@pytest.mark.parametrize("security", [Security.tls, Security.starttls])
@pytest.mark.parametrize("trusted", ["nobody", "another"])
def test_certificate_is_verified(security: Security, trusted: str) -> None:
    tls = ssl.create_default_context() if trusted == "nobody" else receiver.client_tls()

    outcome, server = sent(
        security=security,
        server={security.value: True, "login": True},
        tls=tls,
        user="shop",
        password="right",
    )

    assert outcome == MailOutcome(
        fate=Fate.again, detail="the mail server's certificate is not valid for its name"
    )
    assert (server.taken, server.logins, server.senders) == ([], [], [])


def test_certificate_is_of_the_name() -> None:
    async def run() -> MailOutcome:
        async with mail_server(tls=True) as opened:
            by_name = SmtpMailer(
                "localhost",
                opened.port,
                security=Security.tls,
                sender="a@b.example",
                name="b.example",
                tls=client_tls(),
            )
            return await by_name.send(MAIL)

    assert asyncio.run(run()).detail == "the mail server's certificate is not valid for its name"


def test_starttls_is_never_done_without() -> None:
    outcome, server = sent(security=Security.starttls, user="shop", password="right")

    assert outcome.fate is Fate.again
    assert "STARTTLS" in outcome.detail
    assert (server.taken, server.senders, server.logins) == ([], [], [])


def put(folder: Path, mail: Outgoing, write: Callable[[Path, bytes], None]) -> MailOutcome:
    return asyncio.run(FolderMailer(folder, write).send(mail))


def write_plainly(path: Path, data: bytes) -> None:
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)


def test_folder_holds_each_message_once(tmp_path: Path) -> None:
    folder = tmp_path / "mail"

    first = put(folder, MAIL, write_plainly)
    second = put(folder, structs.replace(MAIL, body=b"other"), write_plainly)

    assert (first.fate, second.fate) == (Fate.sent, Fate.sent)
    assert [path.name for path in folder.iterdir()] == ["m1@shop.example.eml"]
    assert (folder / "m1@shop.example.eml").read_bytes() == BODY
    mailbox = FolderMailer(folder, write_plainly)
    mailbox.forget(MAIL.message_id)
    mailbox.forget(MAIL.message_id)
    assert list(folder.iterdir()) == []


def test_folder_holds_nothing_that_was_forgotten_before_it_was_written(tmp_path: Path) -> None:
    mailbox = FolderMailer(tmp_path / "mail", write_plainly)
    # its attempt has begun: nothing but this tells the mailer
    mailbox.forget(MAIL.message_id)

    outcome = asyncio.run(mailbox.send(MAIL))

    assert outcome.fate is Fate.refused
    assert list(tmp_path.iterdir()) == []
    other = structs.replace(MAIL, message_id="<m2@shop.example>")
    assert asyncio.run(mailbox.send(other)).fate is Fate.sent


def test_folder_holds_nothing_that_was_forgotten_while_it_was_written(tmp_path: Path) -> None:
    folder = tmp_path / "mail"

    def write(path: Path, data: bytes) -> None:
        forgetting.start()
        # done at once, or held off until this is written
        forgetting.join(0.1)
        write_plainly(path, data)

    mailbox = FolderMailer(folder, write)
    forgetting = threading.Thread(target=mailbox.forget, args=(MAIL.message_id,))
    asyncio.run(mailbox.send(MAIL))
    forgetting.join()

    assert list(folder.iterdir()) == []


@pytest.mark.parametrize(
    "name", ["<../up@shop.example>", "m1@shop.example", "<.@b>", "<a/b@c>", "<a@b>\n", "<..@.>"]
)
def test_folder_takes_no_other_name(tmp_path: Path, name: str) -> None:
    outcome = put(tmp_path / "mail", structs.replace(MAIL, message_id=name), write_plainly)

    assert outcome.fate is Fate.refused
    assert list(tmp_path.iterdir()) == []


def test_folder_that_is_full_is_tried_again(tmp_path: Path) -> None:
    def fail(path: Path, data: bytes) -> None:
        del path, data
        raise OSError("no room")

    assert put(tmp_path, MAIL, fail).fate is Fate.again
