"""Signatures, against the standard's own vector and as a receiver checks them."""

import base64
import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from kitwright.outbound.signature import RETRY_DELAYS, headers, make_secret, retry_at

# Standard Webhooks 1.0.0, the example of its reference libraries.
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
MESSAGE = "msg_p5jXN8AQM9LWM0D4loKWxJek"
AT = datetime.fromtimestamp(1614265330, UTC)
BODY = b'{"test": 2432232314}'
SIGNATURE = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_headers_are_those_of_the_standards_example() -> None:
    assert headers([SECRET], message_id=MESSAGE, at=AT, body=BODY) == {
        "webhook-id": MESSAGE,
        "webhook-timestamp": "1614265330",
        "webhook-signature": SIGNATURE,
    }


def test_headers_cut_a_moment_to_its_second_in_timestamp_and_signature_alike() -> None:
    late = AT + timedelta(microseconds=999_999)

    assert headers([SECRET], message_id=MESSAGE, at=late, body=BODY) == headers(
        [SECRET], message_id=MESSAGE, at=AT, body=BODY
    )


@given(st.text(st.characters(codec="utf-8"), max_size=80), st.booleans())
def test_headers_prove_a_body_to_a_receiver_with_either_secret_until_it_is_changed(
    text: str, is_changed: bool
) -> None:
    secrets = [make_secret(), SECRET]
    body = json.dumps(text, ensure_ascii=False).encode()
    sent = headers(secrets, message_id=MESSAGE, at=datetime.now(UTC), body=body)

    for secret in secrets:
        if is_changed:
            with pytest.raises(WebhookVerificationError):
                Webhook(secret).verify(body + b" ", sent)
        else:
            assert Webhook(secret).verify(body, sent) == text


def test_make_secret_has_the_standards_form_and_is_never_the_same() -> None:
    made = {make_secret() for _ in range(20)}

    assert len(made) == 20
    for secret in made:
        assert secret.startswith("whsec_")
        assert len(base64.b64decode(secret.removeprefix("whsec_"), validate=True)) == 32


def test_retry_at_follows_the_schedule_of_the_standard() -> None:
    now = datetime(2026, 3, 1, tzinfo=UTC)

    waits = [retry_at(attempt, now, 0.0) for attempt in range(1, len(RETRY_DELAYS) + 1)]

    minutes = [5 / 60, 5, 30, 120, 300, 600, 840, 1200, 1440]
    assert waits == [*(now + timedelta(minutes=wait) for wait in minutes), None]


def test_retry_at_spreads_by_a_tenth_at_most() -> None:
    now = datetime(2026, 3, 1, tzinfo=UTC)

    assert retry_at(3, now, 0.5) == now + timedelta(minutes=31.5)
    assert retry_at(3, now, 1.0) == now + timedelta(minutes=33)
