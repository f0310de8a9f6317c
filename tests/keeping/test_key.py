import hashlib
import string
import zlib
from collections.abc import Callable
from random import Random

import pytest
from tests.keeping.damage import damaged

from kitwright.keeping.key import KeyMalformed, Scope, is_same, make_key, may, read_key

DIGITS = string.digits + string.ascii_uppercase + string.ascii_lowercase


def drawn(seed: int) -> Callable[[int], bytes]:
    return Random(seed).randbytes


def number(text: str) -> int:
    """Return what digits of base 62 stand for, read the plain way."""
    return sum(DIGITS.index(each) * 62**place for place, each in enumerate(reversed(text)))


def test_make_key_writes_prefix_id_secret_and_checksum() -> None:
    key = make_key(drawn(1))

    prefix, middle, end = key.text.split("_")
    assert (prefix, middle, len(middle), len(end)) == ("kw", key.id, 10, 49)
    assert number(end[43:]) == zlib.crc32(key.text[:-6].encode())
    assert key.hash == hashlib.sha256(key.text.encode()).digest()


def test_make_key_keeps_all_256_bits_of_the_secret() -> None:
    secret = b"\xff" * 32

    text = make_key(lambda length: secret[:length]).text

    assert number(text.split("_")[2][:43]) == 2**256 - 1


def test_make_key_writes_a_small_secret_as_long_as_any() -> None:
    assert make_key(bytes).text.startswith("kw_" + "0" * 10 + "_" + "0" * 43)


def test_make_key_uses_every_digit_in_ids_about_equally() -> None:
    draw = drawn(2)
    counts = dict.fromkeys(DIGITS, 0)
    for _ in range(3_000):
        for each in make_key(draw).id:
            counts[each] += 1

    # 30,000 digits: 484 of each are expected, with a deviation of 22
    assert all(484 - 6 * 22 < count < 484 + 6 * 22 for count in counts.values())


def test_make_key_never_repeats_without_being_told_what_to_draw() -> None:
    assert len({make_key().text for _ in range(100)}) == 100


def test_new_key_hides_its_text_where_it_is_shown() -> None:
    key = make_key(drawn(3))

    assert key.text.split("_")[2] not in repr(key) + str(key) + f"{[key]}"


def test_read_key_gives_the_id_and_the_hash_that_were_made() -> None:
    for seed in range(200):
        key = make_key(drawn(seed))

        assert read_key(key.text) == (key.id, key.hash)


@pytest.mark.parametrize("text", ["", "kw_", "kw__", "owner", "kw_é" + "0" * 58, "0" * 63])
def test_read_key_refuses_what_has_another_form(text: str) -> None:
    with pytest.raises(KeyMalformed) as refused:
        read_key(text)

    assert "expected kw_" in str(refused.value)


@pytest.mark.parametrize("around", [" {}", "{} ", "{}\n", "\n{}", "Bearer {}", "{}\0", '"{}"'])
def test_read_key_refuses_what_stands_around_a_key(around: str) -> None:
    with pytest.raises(KeyMalformed):
        read_key(around.format(make_key(drawn(4)).text))


def test_read_key_tells_a_mistyped_key_and_does_not_repeat_it() -> None:
    text = make_key(drawn(5)).text
    mistyped = text[:20] + ("a" if text[20] != "a" else "b") + text[21:]

    with pytest.raises(KeyMalformed) as refused:
        read_key(mistyped)

    assert "mistyped" in str(refused.value)
    assert mistyped[14:] not in str(refused.value)
    assert refused.value.code == "key-malformed"


def test_read_key_accepts_none_of_ten_thousand_changed_keys() -> None:
    random = Random(20270301)
    for _ in range(10_000):
        key = make_key(random.randbytes)
        other = make_key(random.randbytes)
        with pytest.raises(KeyMalformed):
            read_key(damaged(random, key.text, other.text))


def test_read_key_takes_two_keys_for_different_ones() -> None:
    one, other = make_key(drawn(6)), make_key(drawn(7))

    assert is_same(one.hash, read_key(one.text)[1])
    assert not is_same(one.hash, read_key(other.text)[1])


@pytest.mark.parametrize("scope", Scope)
def test_may_lets_a_scope_do_what_it_says_and_an_owner_everything(scope: Scope) -> None:
    others = [each for each in Scope if each not in (scope, Scope.OWNER)]

    assert may([scope], scope)
    assert may([Scope.OWNER], scope)
    assert not may(others, scope)
    assert not may([], scope)


def test_scopes_are_those_that_were_agreed() -> None:
    assert [scope.value for scope in Scope] == ["read", "quote", "order", "catalogue", "owner"]
