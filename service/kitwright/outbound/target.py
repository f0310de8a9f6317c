"""Target: checks the URLs of webhooks, so that none reaches into the shop's own network.

Sources: RFC 3986 for the URL, the URL Standard for IPv4 in other notations, `ipaddress` for IANA's
registries of special-purpose addresses (RFC 6890), RFC 6761 for special-use names.
"""

from __future__ import annotations

import re
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network
from socket import inet_aton
from typing import Final

from msgspec import Struct

from kitwright.errors import KitwrightError

Address = IPv4Address | IPv6Address

_LONGEST: Final = 2048
# Stricter than any URL parser, so that none can read a URL differently than it was checked: no user
# info, no fragment, no character that needs quoting.
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
_BARE_HEX: Final = re.compile(r"0x(?![0-9a-f])")
_LONGEST_NAME: Final = 253
_PORTS: Final = {"http": 80, "https": 443}

_LOCAL_NAMES: Final = ("localhost", "localdomain", "local", "internal", "home.arpa")
"""Names for this machine or this network; the same applies to all names below them."""

_NOT_PUBLIC: Final = tuple(
    map(
        ip_network,
        (
            # A cloud's host, which gives its guests their secrets from a public address.
            "168.63.129.16/32",
            # 6to4 relays and blocks for protocols and documentation; Python's releases
            # include different parts of these.
            "192.0.0.0/24",
            "192.88.99.0/24",
            "2001::/23",
            "3ffe::/16",
            "3fff::/20",
            # Formerly private, and still used in old networks.
            "fec0::/10",
        ),
    )
)
"""Blocks that the standard library may treat as public but that events must not reach."""
_NAT64: Final = ip_network("64:ff9b::/96")


class TargetError(KitwrightError):
    """A URL that events are not posted to."""


class TargetMalformed(TargetError):
    """The text is not a valid URL of a webhook. It is not stored in the error: it may contain a
    key.
    """

    code = "webhook-target-malformed"

    def __init__(self, because: str) -> None:
        super().__init__(f"the webhook's URL {because}")
        self.because = because


class TargetNotAllowed(TargetError):
    """The URL is valid, but events may not be posted to its host."""

    code = "webhook-target-not-allowed"

    def __init__(self, host: str, because: str) -> None:
        super().__init__(f"the webhook's host {host} {because}")
        self.host = host
        self.because = because


class Target(Struct, frozen=True, kw_only=True):
    """A checked target. `url` is normalised: scheme and host in lower case, IP addresses in
    standard notation.
    """

    url: str
    host: str
    port: int


def check_target(url: str, *, allow_private: bool = False) -> Target:
    """Return the target of a URL, checked by its text only.

    A host name may resolve to any address, so the connecting code must check the addresses with
    `is_public`.

    Args:
        url: http or https, in the ASCII of RFC 3986; an international name in its `xn--` form.
        allow_private: allows addresses in the shop's own network, and http without TLS.

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
    """Return whether an address is a single host on the public internet, to which events may go.

    An IPv6 address that contains an IPv4 address is public only if that one is. Raises: ValueError
    if a text is not an address.
    """
    address = ip_address(address)
    if isinstance(address, IPv6Address) and (embedded := _embedded(address)):
        return all(map(is_public, embedded))
    return (
        address.is_global
        and not (address.is_multicast or address.is_reserved)
        and not any(address in block for block in _NOT_PUBLIC)
    )


def _embedded(address: IPv6Address) -> tuple[IPv4Address, ...]:
    """Return the IPv4 addresses that packets to an IPv6 address reach or pass through."""
    if address in _NAT64:
        return (IPv4Address(address.packed[12:]),)
    single = address.ipv4_mapped or address.sixtofour
    return (single,) if single is not None else address.teredo or ()


def _literal(host: str) -> Address | None:
    """Return the IP address that a host is written as, None for a name. Raises: TargetMalformed."""
    try:
        if host.startswith("["):
            return IPv6Address(host[1:-1])
        name = host.removesuffix(".")
        # The URL Standard's rule: a host that ends in a number is an address or invalid.
        if not _NUMBER.fullmatch(name.rpartition(".")[2]):
            return None
        # in the old notations: 0x.. is hexadecimal, 0.. is octal, and 0x alone is zero
        return IPv4Address(inet_aton(_BARE_HEX.sub("0x0", name)))
    except (OSError, ValueError) as error:
        raise TargetMalformed("has a host that is not a valid IP address") from error


def _checked_name(host: str) -> str:
    labels = host.removesuffix(".").split(".")
    if len(host) > _LONGEST_NAME or not all(map(_LABEL.fullmatch, labels)):
        raise TargetMalformed("has a host that is not a valid name")
    return host


def _is_public_name(host: str) -> bool:
    """Return whether a name could be public: local names are rejected early."""
    name = host.removesuffix(".")
    return "." in name and not any(
        name == local or name.endswith(f".{local}") for local in _LOCAL_NAMES
    )
