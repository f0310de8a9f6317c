from datetime import UTC, datetime
from hashlib import sha384
from random import Random

import pytest
from itsdangerous import URLSafeSerializer
from msgspec import structs
from tests.keeping.damage import damaged

from kitwright.keeping.generation import Generation
from kitwright.keeping.link import (
    Link,
    LinkExpired,
    LinkForged,
    LinkOutdated,
    LinksHeld,
    check_link,
    make_token,
    read_token,
)

SECRET = bytes(range(32))
OLD = bytes(range(1, 33))
NOW = 1_800_000_000
LINK = Link(
    number="2027-0042",
    revision=3,
    expires=NOW + 60,
    nonce=b"twelve bytes",
    epoch="0123456789",
    digest="fedcba9876543210",
)


def drawn(random: Random) -> Link:
    letters = "ABCdef0123456789"
    return Link(
        number="".join(random.choices(letters, k=random.randint(1, 40))),
        revision=random.randrange(2**32),
        expires=random.randrange(NOW + 1, 2**63),
        nonce=random.randbytes(12),
        round=random.randrange(1_000_000),
        epoch=random.randbytes(5).hex(),
        digest=random.randbytes(8).hex(),
    )


def test_make_token_is_fit_for_a_path_and_never_longer_than_said() -> None:
    random = Random(1)
    tokens = [make_token(SECRET, drawn(random)) for _ in range(2_000)]

    assert max(map(len, tokens)) <= 260
    assert not set("".join(tokens)) - set(
        "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_."
    )


def test_read_token_gives_the_link_that_was_made() -> None:
    random = Random(2)
    for _ in range(500):
        link = drawn(random)

        assert read_token(SECRET, make_token(SECRET, link), NOW) == link


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


@pytest.mark.parametrize("purpose", ["", "kitwright", "kitwright customer link "])
def test_read_token_refuses_what_was_signed_for_another_purpose(purpose: str) -> None:
    signer = URLSafeSerializer(SECRET, salt=purpose, signer_kwargs={"digest_method": sha384})
    token = signer.dumps(["2027-0042", 3, NOW + 60, "dHdlbHZlIGJ5dGVz"])

    with pytest.raises(LinkForged):
        read_token(SECRET, token, NOW)


@pytest.mark.parametrize("text", ["", "A", "AAAA", "é", "A" * 77, "A" * 130, "A" * 100_000, "AQ=="])
def test_read_token_refuses_what_has_another_form(text: str) -> None:
    with pytest.raises(LinkForged):
        read_token(SECRET, text, NOW)


def test_read_token_accepts_one_spelling_only() -> None:
    """A reader of base64 passes over padding, spare bits and signs of no alphabet."""
    token = make_token(SECRET, LINK)
    body, _, signature = token.rpartition(".")
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    twins = [token[:-1] + last for last in letters if last != token[-1]]
    twins += [f"{body}.{signature[:9]}!{signature[9:]}", f"{token}=", f"{token}\n", f" {token}"]
    twins += [
        f"{body}=.{signature}",
        f"{body}.{signature}====",
        f".{token}",
        f"{body}..{signature}",
    ]

    for twin in twins:
        with pytest.raises(LinkForged):
            read_token(SECRET, twin, NOW)


def test_read_token_accepts_none_of_ten_thousand_changed_tokens() -> None:
    random = Random(20270301)
    for _ in range(10_000):
        token = make_token(SECRET, drawn(random))
        other = make_token(SECRET, drawn(random))
        with pytest.raises(LinkForged):
            read_token(SECRET, damaged(random, token, other), NOW)


def test_read_token_accepts_none_of_a_thousand_other_secrets() -> None:
    random = Random(20270302)
    for _ in range(1_000):
        link = drawn(random)
        token = make_token(random.randbytes(32), link)
        near = bytearray(SECRET)
        near[random.randrange(32)] ^= 1 << random.randrange(8)
        for forged in (token, make_token(bytes(near), link)):
            with pytest.raises(LinkForged):
                read_token(SECRET, forged, NOW)


NIGHT = datetime(2027, 3, 1, tzinfo=UTC)
FIRST = Generation(number=1, epoch="0123456789", after=0, begun_at=NIGHT, released_at=NIGHT)
SECOND = Generation(number=2, epoch="aaaaaaaaaa", after=9, begun_at=NIGHT, released_at=NIGHT)
OF_THE_LINK = "fedcba9876543210" + "0" * 48
PLAIN = structs.replace(LINK, epoch="", digest="")


@pytest.mark.parametrize(
    ("link", "generations"), [(LINK, [FIRST]), (LINK, [FIRST, SECOND]), (PLAIN, [FIRST])]
)
def test_check_link_allows_what_it_was_made_for(link: Link, generations: list[Generation]) -> None:
    check_link(link, generations, OF_THE_LINK)


@pytest.mark.parametrize(
    ("link", "generations", "sha256"),
    [
        (LINK, [FIRST, SECOND], "f" * 64),
        (LINK, [FIRST, SECOND], None),
        (structs.replace(LINK, epoch="bbbbbbbbbb"), [FIRST, SECOND], OF_THE_LINK),
        (PLAIN, [FIRST, SECOND], OF_THE_LINK),
    ],
    ids=["other content", "a draft", "of a lost generation", "bound to nothing"],
)
def test_check_link_refuses_what_a_restore_has_undone(
    link: Link, generations: list[Generation], sha256: str | None
) -> None:
    with pytest.raises(LinkOutdated, match="ask for a new link"):
        check_link(link, generations, sha256)


def test_check_link_refuses_every_link_while_records_are_held() -> None:
    with pytest.raises(LinksHeld):
        check_link(LINK, [FIRST, structs.replace(SECOND, released_at=None)], OF_THE_LINK)


@pytest.mark.parametrize(("rest", "times"), [((), 0), ((2,), 2)])
def test_read_token_reads_a_link_of_a_version_without_generations(
    rest: tuple[int, ...], times: int
) -> None:
    signer = URLSafeSerializer(
        SECRET, salt=b"kitwright customer link", signer_kwargs={"digest_method": sha384}
    )
    token = signer.dumps(["2027-0042", 3, NOW + 60, "dHdlbHZlIGJ5dGVz", *rest])

    assert read_token(SECRET, token, NOW) == structs.replace(PLAIN, round=times)
