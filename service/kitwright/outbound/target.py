"""Target: where events may be posted to, so that no webhook reaches into the shop's own network.

Sources: RFC 3986 for the URL, the URL Standard for IPv4 in other notations, IANA's registries of
special-purpose addresses (RFC 6890) and of special-use names (RFC 6761).
"""

from __future__ import annotations

import re
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address
from typing import Final

from msgspec import Struct

from kitwright.errors import KitwrightError

Address = IPv4Address | IPv6Address

_LONGEST: Final = 2048
# Stricter than any reader of URLs, so that none can read one otherwise than it was checked: no user
# info, no fragment, no sign that would have to be quoted first.
_URL: Final = re.compile(
    r"(?P<scheme>https?)://"
    r"(?P<host>\[[0-9a-f:.]+\]|[a-z0-9._-]+)"
    r"(?::(?P<port>[0-9]{1,5}))?"
    r"(?P<rest>(?:/(?:[a-z0-9._~!$&'()*+,;=:@/-]|%[0-9a-f]{2})*)?"
    r"(?:\?(?:[a-z0-9._~!$&'()*+,;=:@/?-]|%[0-9a-f]{2})*)?)",
    re.ASCII | re.IGNORECASE,
)
_LABEL: Final = re.compile(r"(?!-)[a-z0-9_-]{1,63}(?<!-)")
_NUMBER: Final = re.compile(r"0x[0-9a-f]*|[0-9]+")
_LONGEST_NAME: Final = 253
_PORTS: Final = {"http": 80, "https": 443}

_LOCAL_NAMES: Final = ("localhost", "localdomain", "local", "internal", "home.arpa")
"""Names that mean this machine or this network, and so do all names under them."""

_NOT_PUBLIC_4: Final = tuple(
    IPv4Network(block)
    for block in (
        "0.0.0.0/8",
        "10.0.0.0/8",
        "100.64.0.0/10",
        "127.0.0.0/8",
        # One cloud's host, which answers its guests with their secrets from a public address.
        "168.63.129.16/32",
        "169.254.0.0/16",
        "172.16.0.0/12",
        "192.0.0.0/24",
        "192.0.2.0/24",
        "192.88.99.0/24",
        "192.168.0.0/16",
        "198.18.0.0/15",
        "198.51.100.0/24",
        "203.0.113.0/24",
        "224.0.0.0/3",
    )
)
_UNICAST_6: Final = IPv6Network("2000::/3")
_NOT_PUBLIC_6: Final = tuple(
    IPv6Network(block) for block in ("2001::/23", "2001:db8::/32", "3ffe::/16", "3fff::/20")
)
_MAPPED: Final = IPv6Network("::ffff:0:0/96")
_NAT64: Final = IPv6Network("64:ff9b::/96")
_TEREDO: Final = IPv6Network("2001::/32")
_6TO4: Final = IPv6Network("2002::/16")


class TargetError(KitwrightError):
    """A URL that nothing is posted to."""


class TargetMalformed(TargetError):
    """A text that is no URL of a webhook. The text is no fact of the error: it may hold a key."""

    code = "webhook-target-malformed"

    def __init__(self, because: str) -> None:
        super().__init__(f"the webhook's URL {because}")
        self.because = because


class TargetNotAllowed(TargetError):
    """A URL that could be posted to, but leads where no event may go."""

    code = "webhook-target-not-allowed"

    def __init__(self, host: str, because: str) -> None:
        super().__init__(f"the webhook's host {host} {because}")
        self.host = host
        self.because = because


class Target(Struct, frozen=True, kw_only=True):
    """A place to post to. `url` is canonical: small letters, addresses as usual."""

    url: str
    host: str
    port: int


def check_target(url: str, *, allow_private: bool = False) -> Target:
    """Return where a URL leads, as far as the URL alone tells.

    A name is only as good as what it resolves to; whoever connects asks `is_public` of that.

    Args:
        url: http or https, in the ASCII of RFC 3986; a foreign name in its `xn--` form.
        allow_private: lets in addresses of the shop's own network, and http without TLS.

    Raises: TargetMalformed; TargetNotAllowed.
    """
    found = _URL.fullmatch(url) if len(url) <= _LONGEST else None
    if found is None:
        raise TargetMalformed("is not http(s)://host[:port][/path][?query]")
    scheme, host = found["scheme"].lower(), found["host"].lower()
    port = _PORTS[scheme] if found["port"] is None else int(found["port"])
    if not 0 < port < 65536:
        raise TargetMalformed("has an invalid port")
    address = _literal(host)
    host = _checked_name(host) if address is None else str(address)
    if not allow_private:
        if scheme != "https":
            raise TargetNotAllowed(host, "must be reached by https")
        if not (_is_public_name(host) if address is None else is_public(address)):
            raise TargetNotAllowed(host, "is not public")
    shown = f"[{host}]" if isinstance(address, IPv6Address) else host
    where = shown if port == _PORTS[scheme] else f"{shown}:{port}"
    return Target(url=f"{scheme}://{where}{found['rest']}", host=host, port=port)


def is_public(address: Address | str) -> bool:
    """Return whether an address is of the public internet, one host there, and so fit for events.

    An IPv6 address that stands for an IPv4 address is as public as that one.
    Raises: ValueError, where a text is no address.
    """
    if isinstance(address, str):
        address = ip_address(address)
    if isinstance(address, IPv4Address):
        return not any(address in block for block in _NOT_PUBLIC_4)
    embedded = _embedded(address)
    if embedded:
        return all(map(is_public, embedded))
    return address in _UNICAST_6 and not any(address in block for block in _NOT_PUBLIC_6)


def _embedded(address: IPv6Address) -> tuple[IPv4Address, ...]:
    """Return the IPv4 addresses that packets to an IPv6 address end at or pass."""
    packed = address.packed
    if address in _MAPPED or address in _NAT64:
        return (IPv4Address(packed[12:]),)
    if address in _6TO4:
        return (IPv4Address(packed[2:6]),)
    if address in _TEREDO:
        client = bytes(byte ^ 0xFF for byte in packed[12:])
        return (IPv4Address(packed[4:8]), IPv4Address(client))
    return ()


def _literal(host: str) -> Address | None:
    """Return the address that a host is written as, None for a name. Raises: TargetMalformed."""
    if host.startswith("["):
        try:
            return IPv6Address(host[1:-1])
        except ValueError as error:
            raise TargetMalformed("has a host that is not a valid IPv6 address") from error
    parts = host.removesuffix(".").split(".")
    # The URL Standard's rule: what ends in a number is an address, or nothing.
    if not _NUMBER.fullmatch(parts[-1]):
        return None
    try:
        *bytes_before, last = map(_number, parts)
        if len(parts) > 4 or max(bytes_before, default=0) > 255 or last >= 256 ** (5 - len(parts)):
            raise TargetMalformed("has a host that is not a valid IPv4 address")
    except ValueError as error:
        raise TargetMalformed("has a host that is not a valid IPv4 address") from error
    before = sum(byte << 8 * (3 - place) for place, byte in enumerate(bytes_before))
    return IPv4Address(before + last)


def _number(part: str) -> int:
    """Return a number as old readers of addresses take it: 0x.. in sixteens, 0.. in eights."""
    if part.startswith("0x"):
        return int(part[2:] or "0", 16)
    if not part.isdecimal():
        raise ValueError(part)
    return int(part, 8 if len(part) > 1 and part.startswith("0") else 10)


def _checked_name(host: str) -> str:
    labels = host.removesuffix(".").split(".")
    if len(host) > _LONGEST_NAME or not all(map(_LABEL.fullmatch, labels)):
        raise TargetMalformed("has a host that is not a valid name")
    return host


def _is_public_name(host: str) -> bool:
    """Return whether a name could be one of the public internet: local ones are kept out early."""
    name = host.removesuffix(".")
    return "." in name and not any(
        name == local or name.endswith(f".{local}") for local in _LOCAL_NAMES
    )
