"""Once: the strings of RFC 9651, 3.3.3, as the Idempotency-Key draft wants them."""

import hashlib
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.web.edge.once import fingerprint, read_idempotency_key
from kitwright.web.edge.problems import Refusal

# The first is the draft's own example, the second the standard's.
READ = [
    ('"8e03978e-40d5-43e8-bc93-6894a57f9324"', "8e03978e-40d5-43e8-bc93-6894a57f9324"),
    ('"hello world"', "hello world"),
    ('"a"', "a"),
    ('" "', " "),
    (r'"say \"so\""', 'say "so"'),
    (r'"back\\slash"', r"back\slash"),
    (r'"\\\""', '\\"'),
    ('"\'; DROP"', "'; DROP"),
    ('"!#[]~"', "!#[]~"),
    ('  "a"  ', "a"),
    (f'"{"x" * 255}"', "x" * 255),
    ('"' + r"\\" * 255 + '"', "\\" * 255),
]


@pytest.mark.parametrize(("header", "key"), READ)
def test_read_idempotency_key_reads_a_quoted_string(header: str, key: str) -> None:
    assert read_idempotency_key(header) == key


@pytest.mark.parametrize(
    "parameters",
    [
        ";a",
        ";a;b;a",
        ";  a=1",
        ";a=-1;b=1.125",
        ";a=-999999999999.999",
        ";a=999999999999999",
        ";*k-e.y_1=*to:k/en",
        r';a="x;\"y\""',
        ";a=:aGVsbG8=:",
        ";a=::",
        ";a=?0;b=?1",
        ";a=@1659578233",
        ';a=%"f%c3%bc"',
    ],
)
def test_read_idempotency_key_passes_over_parameters(parameters: str) -> None:
    assert read_idempotency_key(f'"key"{parameters}') == "key"


@pytest.mark.parametrize(
    "after",
    [
        ";",
        "; ",
        " ;a",
        ";\ta",
        ";A",
        ";1",
        ";a=",
        ";a =1",
        ";a= 1",
        ";a=1.",
        ";a=.5",
        ";a=1.2345",
        ";a=1234567890123456",
        ";a=1234567890123.1",
        ";a=--1",
        ";a=@1.5",
        ';a="x',
        ';a="\\x"',
        ";a=?2",
        ";a=:a b:",
        ';a=%"%C3%BC"',
        ";a=(1)",
        ';a=1 "b"',
        ',"b"',
        ', "key"',
        '"b"',
        " b",
        "\n",
        "\t",
    ],
)
def test_read_idempotency_key_refuses_what_else_comes_after(after: str) -> None:
    with pytest.raises(Refusal):
        read_idempotency_key(f'"key"{after}')


@pytest.mark.parametrize(
    "key", ["8e03978e-40d5-43e8-bc93-6894a57f9324", "a", "A:1_2.3", "-", "9" * 255]
)
def test_read_idempotency_key_takes_a_bare_value_for_the_same_key(key: str) -> None:
    assert read_idempotency_key(key) == read_idempotency_key(f'"{key}"') == key


@pytest.mark.parametrize(
    "header",
    [
        "",
        " ",
        '""',
        '"',
        "'a'",
        '"a',
        'a"',
        r'"a\"',
        r'"a\,"',
        r'"a\x"',
        '"a\tb"',
        '"a\x00"',
        '"a\x7f"',
        '"é"',
        '"a\n"',
        "a b",
        "a,b",
        "a;b",
        "a/b",
        "é",
        "a\n",
        "٣",
        ":YQ==:",
        "?1",
        '("a")',
        f'"{"x" * 256}"',
        "x" * 256,
        '"' + r"\"" * 256 + '"',
    ],
)
def test_read_idempotency_key_refuses_anything_else(header: str) -> None:
    with pytest.raises(Refusal) as refused:
        read_idempotency_key(header)

    assert refused.value.code == "idempotency-key-malformed"


def test_read_idempotency_key_tells_a_missing_one_apart() -> None:
    with pytest.raises(Refusal) as refused:
        read_idempotency_key(None)

    assert refused.value.code == "idempotency-key-missing"


@given(st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), min_size=1, max_size=255))
def test_read_idempotency_key_gives_back_whatever_was_quoted(key: str) -> None:
    quoted = re.sub(r'(["\\])', r"\\\1", key)

    assert read_idempotency_key(f'"{quoted}"') == key


@pytest.mark.parametrize(
    "unit", [" ", '"', "\\", '\\"', ";a", "; ", ';a="', ";a=1", ";a=:", "a", "1"]
)
def test_long_header_takes_one_pass(unit: str) -> None:
    """A second pass for each character would take minutes."""
    for start in ("", '"', '"a"', '"a";a=', '"a";a=:', '"a";a=%"', '"a";a="'):
        with pytest.raises(Refusal):
            read_idempotency_key(f"{start}{unit * 100_000}\0")


ASKED = ("POST", "/v1/quotes?a=1", b'{"family":"QM-H27"}', "application/json")


def test_fingerprint_is_the_hash_of_each_part_with_its_length() -> None:
    method, path, body, kind = ASKED
    parts = (method.encode(), path.encode(), kind.encode(), body)
    told = b"".join(len(part).to_bytes(8, "big") + part for part in parts)

    assert fingerprint(*ASKED) == hashlib.sha256(told).digest()


@pytest.mark.parametrize(
    "other",
    [
        ("PUT", *ASKED[1:]),
        (ASKED[0], "/v1/quotes?a=2", *ASKED[2:]),
        (ASKED[0], "/v1/quotes?a=", b'1{"family":"QM-H27"}', ASKED[3]),
        ("POST/", "v1/quotes?a=1", *ASKED[2:]),
        (*ASKED[:2], b'{"family":"QM-H27"} ', ASKED[3]),
        (*ASKED[:2], b"", ASKED[3]),
        (*ASKED[:3], "application/json; charset=utf-8"),
        (*ASKED[:3], None),
        (*ASKED[:2], ASKED[2][1:], "application/json{"),
    ],
)
def test_fingerprint_tells_every_part(other: tuple[str, str, bytes, str | None]) -> None:
    assert fingerprint(*other) != fingerprint(*ASKED)
    assert fingerprint(*other) == fingerprint(*other)
