"""Origin: whose headers are believed, and which address they name."""

from typing import Any

import pytest

from kitwright.web.edge.origin import Proxies, read_networks

PROXIES = Proxies(read_networks("10.0.0.5, 10.1.0.0/16, fd00::/8"))
BEHIND = "10.0.0.5"


def scope(peer: str, *headers: tuple[str, str]) -> dict[str, Any]:
    raw = [(name.lower().encode(), value.encode("latin-1")) for name, value in headers]
    return {"client": (peer, 1234), "headers": raw}


def test_origin_of_a_direct_call_is_its_address_whatever_it_says() -> None:
    for name, value in (("X-Forwarded-For", "192.0.2.1"), ("Forwarded", "for=192.0.2.1")):
        assert PROXIES.origin(scope("198.51.100.7", (name, value))) == "198.51.100.7"
        assert Proxies().origin(scope(BEHIND, (name, value))) == BEHIND


def test_origin_without_a_client_is_empty() -> None:
    assert PROXIES.origin({"client": None, "headers": []}) == ""


@pytest.mark.parametrize(
    ("header", "origin"),
    [
        ("192.0.2.1", "192.0.2.1"),
        ("192.0.2.1:4711", "192.0.2.1"),
        ("2001:db8::1", "2001:db8::1"),
        ("[2001:db8::1]:4711", "2001:db8::1"),
        # what stands before the last address that is not a proxy's may be made up
        ("203.0.113.9, 192.0.2.1", "192.0.2.1"),
        ("203.0.113.9, 192.0.2.1, 10.1.2.3, fd00::1", "192.0.2.1"),
        ("10.1.2.3", "10.1.2.3"),
        ("192.0.2.1, unknown", BEHIND),
        ("192.0.2.1, ", BEHIND),
        ("", BEHIND),
        ("é, x", BEHIND),
        (", ".join(["192.0.2.1", *["10.1.0.1"] * 30]), "10.1.0.1"),
    ],
)
def test_origin_is_read_from_x_forwarded_for(header: str, origin: str) -> None:
    assert PROXIES.origin(scope(BEHIND, ("X-Forwarded-For", header))) == origin


@pytest.mark.parametrize(
    ("header", "origin"),
    [
        ("for=192.0.2.1", "192.0.2.1"),
        ('by=203.0.113.4;For="192.0.2.1:80";proto=https', "192.0.2.1"),
        ('for="[2001:db8::1]:4711"', "2001:db8::1"),
        ('for=192.0.2.9, for="[2001:db8::1]"', "2001:db8::1"),
        ("for=192.0.2.1, for=10.1.0.1", "192.0.2.1"),
        ("for=192.0.2.1, for=_hidden", BEHIND),
        ("for=192.0.2.1, proto=https", BEHIND),
        ("xfor=192.0.2.1", BEHIND),
    ],
)
def test_origin_is_read_from_forwarded(header: str, origin: str) -> None:
    assert PROXIES.origin(scope(BEHIND, ("Forwarded", header))) == origin


def test_origin_of_several_lines_is_that_of_all_joined() -> None:
    lines = ("X-Forwarded-For", "203.0.113.9"), ("X-Forwarded-For", "192.0.2.1, 10.1.0.1")

    assert PROXIES.origin(scope(BEHIND, *lines)) == "192.0.2.1"


def test_headers_that_contradict_each_other_are_not_believed() -> None:
    plain, forwarded = ("X-Forwarded-For", "192.0.2.1"), ("Forwarded", "for=192.0.2.2")

    assert PROXIES.origin(scope(BEHIND, plain, forwarded)) == BEHIND
    assert PROXIES.origin(scope(BEHIND, plain, ("Forwarded", "for=192.0.2.1"))) == "192.0.2.1"


@pytest.mark.parametrize("text", ["", "10.0.0.5/8", "proxy.example", "10.0.0.5,", "10.0.0.5 10.1"])
def test_networks_are_read_strictly(text: str) -> None:
    with pytest.raises(ValueError, match=r"does not appear|has host bits"):
        read_networks(text)
