"""Signatures, against the standard's own vector and against a library of it."""

import base64
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from kitwright.outbound.signature import (
    RETRY_DELAYS,
    MessageIdUnfit,
    SecretUnfit,
    check_secret,
    headers,
    is_signed,
    make_secret,
    retry_at,
    sign,
)

# Standard Webhooks 1.0.0, the example of its reference libraries.
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
MESSAGE = "msg_p5jXN8AQM9LWM0D4loKWxJek"
AT = 1614265330
BODY = b'{"test": 2432232314}'
SIGNATURE = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
RECEIVED = {
    "Webhook-Id": MESSAGE,
    "Webhook-Timestamp": str(AT),
    "Webhook-Signature": SIGNATURE,
}

keys = st.binary(min_size=24, max_size=64).map(
    lambda key: "whsec_" + base64.b64encode(key).decode()
)
message_ids = st.text(
    st.characters(min_codepoint=0x21, max_codepoint=0x7E, exclude_characters="."),
    min_size=1,
    max_size=40,
)
texts = st.text(st.characters(codec="utf-8"), max_size=80).map(str.encode)


def test_sign_gives_the_signature_of_the_standard() -> None:
    assert sign(SECRET, message_id=MESSAGE, timestamp=AT, body=BODY) == SIGNATURE


def test_is_signed_takes_the_message_of_the_standard() -> None:
    assert is_signed([SECRET], RECEIVED, BODY, now=AT)


@given(keys, message_ids, st.integers(0, 2**33), texts)
def test_sign_agrees_with_a_library(secret: str, message: str, at: int, body: bytes) -> None:
    ours = sign(secret, message_id=message, timestamp=at, body=body)

    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=at)
    assert ours == Webhook(secret).sign(message, moment, body.decode())


@given(keys, message_ids, texts, st.booleans())
def test_headers_are_taken_by_a_library_until_something_is_changed(
    secret: str, message: str, body: bytes, is_changed: bool
) -> None:
    now = int(datetime.now(UTC).timestamp())
    sent = headers([make_secret(), secret], message_id=message, timestamp=now, body=body)
    came = body + b"!" if is_changed else body

    try:
        Webhook(secret).verify(came, sent, json_parse=False)
    except WebhookVerificationError:
        is_taken = False
    else:
        is_taken = True

    assert is_taken is not is_changed
    assert is_signed([secret], sent, came, now=now) is is_taken


@given(keys, message_ids, texts)
def test_is_signed_takes_what_a_library_signed(secret: str, message: str, body: bytes) -> None:
    moment = datetime(2026, 3, 1, 12, tzinfo=UTC)
    at = int(moment.timestamp())
    received = {
        "webhook-id": message,
        "webhook-timestamp": str(at),
        "webhook-signature": Webhook(secret).sign(message, moment, body.decode()),
    }

    assert is_signed([secret], received, body, now=at)


@pytest.mark.parametrize(
    ("seconds", "is_fresh"), [(-301, False), (-300, True), (300, True), (301, False)]
)
def test_is_signed_takes_five_minutes_either_way(seconds: int, is_fresh: bool) -> None:
    assert is_signed([SECRET], RECEIVED, BODY, now=AT + seconds) is is_fresh


@pytest.mark.parametrize("name", sorted(RECEIVED))
def test_is_signed_needs_every_header(name: str) -> None:
    lacking = {header: value for header, value in RECEIVED.items() if header != name}

    assert not is_signed([SECRET], lacking, BODY, now=AT)


def test_is_signed_finds_the_right_one_of_several_signatures_and_secrets() -> None:
    given_too = {**RECEIVED, "Webhook-Signature": f"v1a,AAAA v1,AAAA {SIGNATURE} v2,"}

    assert is_signed([make_secret(), SECRET], given_too, BODY, now=AT)


def test_is_signed_proves_nothing_without_a_secret() -> None:
    assert not is_signed([], RECEIVED, BODY, now=AT)


@pytest.mark.parametrize(
    ("header", "value"),
    [
        ("Webhook-Signature", SIGNATURE.removeprefix("v1,")),
        ("Webhook-Signature", SIGNATURE.replace("v1", "v2")),
        ("Webhook-Signature", SIGNATURE[:-1]),
        ("Webhook-Signature", ""),
        ("Webhook-Signature", "v1,ü\udc80"),
        ("Webhook-Timestamp", f"0{AT}"),
        ("Webhook-Timestamp", f"{AT}.0"),
        ("Webhook-Timestamp", f"+{AT}"),
        ("Webhook-Timestamp", "١٦١٤٢٦٥٣٣٠"),
        ("Webhook-Timestamp", "9" * 5000),
        ("Webhook-Id", f"{MESSAGE}x"),
        ("Webhook-Id", "a.b"),
    ],
)
def test_is_signed_refuses_anything_else(header: str, value: str) -> None:
    assert not is_signed([SECRET], {**RECEIVED, header: value}, BODY, now=AT)


def test_make_secret_can_sign_and_is_never_the_same() -> None:
    made = {make_secret() for _ in range(20)}

    assert len(made) == 20
    for secret in made:
        check_secret(secret)


@pytest.mark.parametrize(
    "secret",
    [
        "",
        "whsec_",
        SECRET.removeprefix("whsec_"),
        "whsec_" + base64.b64encode(bytes(23)).decode(),
        "whsec_" + base64.b64encode(bytes(65)).decode(),
        SECRET + "\n",
        SECRET[:-1],
        "whsec_" + "ü" * 40,
    ],
)
def test_check_secret_refuses_what_the_standard_does_and_does_not_repeat_it(secret: str) -> None:
    with pytest.raises(SecretUnfit) as refused:
        check_secret(secret)

    assert len(secret) < 8 or secret not in str(refused.value)


@pytest.mark.parametrize("message", ["", "a.b", "a b", "a\n", "ü", "a" * 256])
def test_sign_refuses_an_id_that_could_be_mistaken(message: str) -> None:
    with pytest.raises(MessageIdUnfit):
        sign(SECRET, message_id=message, timestamp=AT, body=BODY)


def test_headers_refuses_to_sign_with_nothing() -> None:
    with pytest.raises(SecretUnfit):
        headers([], message_id=MESSAGE, timestamp=AT, body=BODY)


def test_retry_at_follows_the_schedule_of_the_standard() -> None:
    now = datetime(2026, 3, 1, tzinfo=UTC)

    waits = [retry_at(attempt, now, 0.0) for attempt in range(1, len(RETRY_DELAYS) + 1)]

    minutes = [5 / 60, 5, 30, 120, 300, 600, 840, 1200, 1440]
    assert waits == [*(now + timedelta(minutes=wait) for wait in minutes), None]


def test_retry_at_spreads_by_a_tenth_at_most() -> None:
    now = datetime(2026, 3, 1, tzinfo=UTC)

    assert retry_at(3, now, 0.5) == now + timedelta(minutes=31.5)
    assert retry_at(3, now, 1.0) == now + timedelta(minutes=33)
