import hashlib
import hmac
from base64 import urlsafe_b64decode, urlsafe_b64encode
from random import Random

import pytest
from tests.keeping.damage import damaged

from kitwright.keeping.link import (
    Link,
    LinkExpired,
    LinkForged,
    SecretUnfit,
    make_token,
    read_token,
)

SECRET = bytes(range(32))
OLD = bytes(range(1, 33))
NOW = 1_800_000_000
LINK = Link(number="2027-0042", revision=3, expires=NOW + 60, nonce=b"twelve bytes")


def drawn(random: Random) -> Link:
    letters = "ABCdef0123456789"
    return Link(
        number="".join(random.choices(letters, k=random.randint(1, 40))),
        revision=random.randrange(2**32),
        expires=random.randrange(NOW + 1, 2**63),
        nonce=random.randbytes(12),
    )


def signed(payload: bytes, secret: bytes = SECRET) -> str:
    """Return a token of any bytes, by the layout that is documented."""
    mac = hmac.new(secret, b"kitwright customer link\0" + payload, hashlib.sha256).digest()
    return urlsafe_b64encode(payload + mac).rstrip(b"=").decode()


def payload(version: int, number: bytes) -> bytes:
    return (
        bytes([version]) + (NOW + 60).to_bytes(8) + bytes([0, 0, 0, 3]) + b"twelve bytes" + number
    )


def test_make_token_follows_the_documented_layout() -> None:
    assert make_token(SECRET, LINK) == signed(payload(1, b"2027-0042"))


def test_make_token_is_fit_for_a_path_and_never_longer_than_said() -> None:
    random = Random(1)
    tokens = [make_token(SECRET, drawn(random)) for _ in range(2_000)]

    assert max(map(len, tokens)) == 130
    assert not set("".join(tokens)) - set(
        "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    )


def test_read_token_gives_the_link_that_was_made() -> None:
    random = Random(2)
    for _ in range(500):
        link = drawn(random)

        assert read_token(SECRET, make_token(SECRET, link), NOW) == link


def test_read_token_honours_every_secret_of_a_rotation() -> None:
    for secret in (SECRET, OLD):
        token = make_token(secret, LINK)

        assert read_token([SECRET, OLD], token, NOW) == LINK
        assert read_token(iter([OLD, SECRET]), token, NOW) == LINK


def test_read_token_refuses_a_secret_that_is_no_longer_honoured() -> None:
    token = make_token(OLD, LINK)

    for secrets in (SECRET, [SECRET], []):
        with pytest.raises(LinkForged):
            read_token(secrets, token, NOW)


@pytest.mark.parametrize("late", [0, 0.001, 1, 10**9])
def test_read_token_tells_an_expired_link_and_what_it_was(late: float) -> None:
    with pytest.raises(LinkExpired) as refused:
        read_token(SECRET, make_token(SECRET, LINK), LINK.expires + late)

    assert refused.value.link == LINK
    assert refused.value.code == "link-expired"


def test_read_token_honours_a_link_until_its_last_moment() -> None:
    assert read_token(SECRET, make_token(SECRET, LINK), LINK.expires - 0.001) == LINK


def test_read_token_does_not_tell_whether_a_forged_link_has_expired() -> None:
    with pytest.raises(LinkForged):
        read_token(OLD, make_token(SECRET, LINK), LINK.expires + 1)


@pytest.mark.parametrize("version", [0, 2, 255])
def test_read_token_refuses_another_version_even_when_signed(version: int) -> None:
    with pytest.raises(LinkForged):
        read_token(SECRET, signed(payload(version, b"2027-0042")), NOW)


@pytest.mark.parametrize("number", [b"", b"\xe9", b"a b", b"-1", b"x" * 41])
def test_read_token_refuses_a_number_that_is_none_even_when_signed(number: bytes) -> None:
    with pytest.raises(LinkForged):
        read_token(SECRET, signed(payload(1, number)), NOW)


@pytest.mark.parametrize("length", [0, 1, 24, 25])
def test_read_token_refuses_too_few_bytes_even_when_signed(length: int) -> None:
    with pytest.raises(LinkForged):
        read_token(SECRET, signed(payload(1, b"")[:length]), NOW)


def test_read_token_refuses_what_was_signed_for_another_purpose() -> None:
    told = payload(1, b"2027-0042")
    mac = hmac.new(SECRET, told, hashlib.sha256).digest()

    with pytest.raises(LinkForged):
        read_token(SECRET, urlsafe_b64encode(told + mac).rstrip(b"=").decode(), NOW)


@pytest.mark.parametrize("text", ["", "A", "AAAA", "é", "A" * 77, "A" * 130, "A" * 100_000, "AQ=="])
def test_read_token_refuses_what_has_another_form(text: str) -> None:
    with pytest.raises(LinkForged):
        read_token(SECRET, text, NOW)


@pytest.mark.parametrize("length", [7, 8])
def test_read_token_accepts_one_spelling_only(length: int) -> None:
    """At these lengths the last character has bits to spare, so others give the same bytes."""
    token = make_token(
        SECRET, Link(number="9" * length, revision=1, expires=NOW + 9, nonce=b"0" * 12)
    )
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    pad = "=" * (-len(token) % 4)
    twins = [
        token[:-1] + last
        for last in alphabet
        if last != token[-1]
        and urlsafe_b64decode(token[:-1] + last + pad) == urlsafe_b64decode(token + pad)
    ]

    assert len(twins) == {1: 3, 2: 15}[len(pad)]
    for twin in twins:
        with pytest.raises(LinkForged):
            read_token(SECRET, twin, NOW)


def test_read_token_accepts_none_of_ten_thousand_changed_tokens() -> None:
    random = Random(20270301)
    for _ in range(10_000):
        token = make_token(SECRET, drawn(random))
        other = make_token(SECRET, drawn(random))
        with pytest.raises(LinkForged):
            read_token([SECRET, OLD], damaged(random, token, other), NOW)


def test_read_token_accepts_none_of_a_thousand_other_secrets() -> None:
    random = Random(20270302)
    for _ in range(1_000):
        link = drawn(random)
        token = make_token(random.randbytes(32), link)
        near = bytearray(SECRET)
        near[random.randrange(32)] ^= 1 << random.randrange(8)
        for forged in (token, make_token(bytes(near), link)):
            with pytest.raises(LinkForged):
                read_token([SECRET, OLD], forged, NOW)


@pytest.mark.parametrize("length", [0, 31, 33])
def test_secret_of_another_length_is_refused_for_making_and_for_reading(length: int) -> None:
    with pytest.raises(SecretUnfit, match=f"not {length}"):
        make_token(b"\0" * length, LINK)
    with pytest.raises(SecretUnfit):
        read_token([SECRET, b"\0" * length], make_token(SECRET, LINK), NOW)


@pytest.mark.parametrize(
    "wrong",
    [
        {"number": ""},
        {"number": "é"},
        {"number": "x" * 41},
        {"number": "1\n"},
        {"revision": -1},
        {"revision": 2**32},
        {"expires": -1},
        {"expires": 2**63},
        {"nonce": b"short"},
    ],
)
def test_link_refuses_what_no_token_holds(wrong: dict[str, object]) -> None:
    right: dict[str, object] = {"number": "1", "revision": 1, "expires": NOW, "nonce": b"0" * 12}

    with pytest.raises(ValueError, match="must"):
        Link(**{**right, **wrong})  # type: ignore[arg-type]
