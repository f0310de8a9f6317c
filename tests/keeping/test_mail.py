"""Addresses that mail can be sent to, and what erasing leaves of mails."""

import asyncio

import pytest
from tests.store.memory import MemoryStore
from tests.store.small import NOON, STAMP, a_customer, figures

from kitwright.keeping.erasure_steps import erase_now
from kitwright.keeping.life import keep_quote
from kitwright.keeping.mail import (
    RETRY_DELAYS,
    AddressInvalid,
    NoPublicAddress,
    begin_attempt,
    check_address,
    check_public,
    queue_mail,
    retry_at,
    settle_failed,
    settle_sent,
)
from kitwright.keeping.offer import decline, issue
from kitwright.keeping.record import Mail, MailState
from kitwright.keeping.store import Records


@pytest.mark.parametrize(
    "text",
    [
        "a@example.org",
        "first.last+tag@sub.example.org",
        "o'brien@xn--bcher-kva.example",
        f"{'a' * 64}@{'b' * 63}.example",
    ],
)
def test_check_address_takes_plain_ones(text: str) -> None:
    assert check_address(text) == text


@pytest.mark.parametrize(
    "text",
    [
        "",
        "a",
        "@example.org",
        "a@",
        "a@localhost",
        "a@example.org\n",
        "a@example.org\r\nBcc: b@example.org",
        "a@exam\0ple.org",
        " a@example.org",
        "a@example.org ",
        "a b@example.org",
        '"a b"@example.org',
        "Zoë <a@example.org>",
        "<a@example.org>",
        "a@example.org, b@example.org",
        "a@b@example.org",
        "a@[127.0.0.1]",
        "a@127.0.0.1",
        ".a@example.org",
        "a.@example.org",
        "a..b@example.org",
        "a@-example.org",
        "a@example-.org",
        "a@example..org",
        "a@example.org.",
        "a@exämple.org",
        "zoë@example.org",
        "a@example.org(comment)",
        f"{'a' * 65}@example.org",
        f"a@{'b' * 64}.example",
        f"a@{'b.' * 130}example",
    ],
)
def test_check_address_refuses_all_others(text: str) -> None:
    with pytest.raises(AddressInvalid):
        check_address(text)


def test_retry_at_spreads_by_a_tenth() -> None:
    last = len(RETRY_DELAYS)

    assert retry_at(1, NOON, 0.0) == NOON + RETRY_DELAYS[1]
    assert retry_at(1, NOON, 0.5) == NOON + RETRY_DELAYS[1] * 1.05
    assert retry_at(last - 1, NOON, 0.0) == NOON + RETRY_DELAYS[-1]
    assert retry_at(last, NOON, 0.0) is None


def lived(records: Records) -> None:
    """Keep a declined quote with a mail that was sent, one that failed and one that waits."""
    customer = records.customers.add(a_customer("Zoë Müller")).number
    quote = issue(records, STAMP, keep_quote(records, STAMP, figures(customer=customer)))
    for name in ("sent", "failed", "queued"):
        queue_mail(
            records,
            STAMP,
            quote,
            revision=1,
            to="zoe@example.org",
            message_id=f"<{name}@shop.example>",
            body=b"Dear Zoe",
        )
    begin_attempt(records, 1, NOON)
    settle_sent(records, STAMP, 1)
    settle_failed(records, STAMP, 2, "zoe is unknown", None)
    decline(records, STAMP, quote, 1)


def erased(records: Records) -> None:
    customer = records.customers.get(1)
    assert customer is not None
    erase_now(records, STAMP, customer, redact=lambda revision: revision)


def test_erase_customer_leaves_no_address_and_no_letter() -> None:
    store = MemoryStore({})
    asyncio.run(store.write(lived))

    asyncio.run(store.write(erased))

    def found(records: Records) -> tuple[Mail, ...]:
        return records.mails.of_quote(1)

    mails = store.read(found)
    assert [(mail.to, mail.body) for mail in mails] == [("", b"")] * 3
    assert [mail.state.value for mail in mails] == ["sent", "failed", "failed"]
    assert [mail.failure for mail in mails] == [None, None, "erased before it was sent"]
    assert store.read(lambda records: records.mails.soonest()) is None
    assert asyncio.run(store.write(lambda records: begin_attempt(records, 3, NOON))) is None


def test_erase_customer_reaches_letters_of_nobodys_quotes_to_the_same_address() -> None:
    store = MemoryStore({})

    def live(records: Records) -> None:
        for name in ("Zoë Müller", "Ada Okafor"):
            records.customers.add(a_customer(name, email="Zoe@example.org"))
        for number, (customer, to) in enumerate(
            [
                (None, "zoe@Example.org"),
                (None, "ada@example.org"),
                (2, "zoe@example.org"),
            ]
        ):
            quote = issue(records, STAMP, keep_quote(records, STAMP, figures(customer=customer)))
            queue_mail(
                records,
                STAMP,
                quote,
                revision=1,
                to=to,
                message_id=f"<{number}@shop.example>",
                body=b"Dear Zoe",
            )

    asyncio.run(store.write(live))
    asyncio.run(store.write(erased))

    mails = store.read(lambda records: [records.mails.get(number) for number in (1, 2, 3)])
    left = [None if mail is None else (mail.to, mail.state.value) for mail in mails]
    # the second customer is of the same house
    assert left == [("", "failed"), ("ada@example.org", "queued"), ("zoe@example.org", "queued")]


def test_settling_an_erased_mail_brings_nothing_back() -> None:
    store = MemoryStore({})
    asyncio.run(store.write(lived))
    asyncio.run(store.write(lambda records: begin_attempt(records, 3, NOON)))
    asyncio.run(store.write(erased))

    again = asyncio.run(store.write(lambda r: settle_failed(r, STAMP, 3, "busy", NOON)))
    assert (again.state, again.next_at) == (MailState.failed, None)
    sent = asyncio.run(store.write(lambda records: settle_sent(records, STAMP, 3)))
    assert (sent.state, sent.to, sent.body) == (MailState.sent, "", b"")


@pytest.mark.parametrize(
    "url",
    [
        "https://quotes.shop.example",
        "https://shop.example:8443/quotes",
        "http://8.8.8.8",
        "http://[2001:4860:4860::8888]:8460",
        "https://xn--bcher-kva.example",
    ],
)
def test_check_public_lets_addresses_pass_that_customers_reach(url: str) -> None:
    assert check_public(url) == url


@pytest.mark.parametrize(
    "url",
    [
        None,
        "http://localhost:8460",
        "http://localhost.",
        "http://LOCALHOST",
        "http://127.0.0.1",
        "http://127.9.9.9",
        "http://127.1",
        "http://0x7f.0.0.1",
        "http://2130706433",
        "http://0.0.0.0:8460",
        "http://[::]",
        "http://[::1]",
        "http://[::ffff:127.0.0.1]",
        "http://[fe80::1]",
        "http://10.0.0.4",
        "http://192.168.1.20",
        "http://172.16.3.3",
        "http://169.254.1.1",
        "http://counter.local",
        "http://counter.internal",
        "http://counter.home.arpa",
        "http://shop-pc",
    ],
)
def test_check_public_refuses_addresses_that_no_customer_reaches(url: str | None) -> None:
    with pytest.raises(NoPublicAddress):
        check_public(url)
