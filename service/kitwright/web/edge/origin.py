"""Origin: the address that a request comes from, also behind proxies that the settings name."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from typing import Any, Final

_MOST_HOPS: Final = 20
"""The most entries of a header that are read, from its end."""
_FOR: Final = re.compile(r'(?:^|;)\s*for=("[^"]*"|[^\s;,"]*)', re.IGNORECASE)


class Proxies:
    """The proxies in front of a service; only what they say of a request's origin is believed.

    Args:
        networks: their addresses.
    """

    def __init__(self, networks: Iterable[IPv4Network | IPv6Network] = ()) -> None:
        self._networks = tuple(networks)

    def is_one(self, address: str) -> bool:
        """Return whether an address is that of a proxy."""
        found = _address(address)
        return found is not None and any(found in network for network in self._networks)

    def origin(self, scope: Mapping[str, Any]) -> str:
        """Return the address that a request comes from, empty if it is not known.

        It is the last address named that is not itself a proxy's: what stands before it, a client
        may have made up. A proxy has to set either `X-Forwarded-For` or `Forwarded` (RFC 7239) and
        remove the other: if they contradict each other, a client wrote one of them, so neither is
        believed.
        """
        client = scope.get("client")
        peer: str = client[0] if client else ""
        if not self._networks or not self.is_one(peer):
            return peer
        named = {
            self._last(peer, hops)
            for read, name in ((_plain, b"x-forwarded-for"), (_forwarded, b"forwarded"))
            if (hops := read(_values(scope, name)))
        }
        return named.pop() if len(named) == 1 else peer

    def _last(self, peer: str, hops: list[str]) -> str:
        found = peer
        for hop in hops[: -_MOST_HOPS - 1 : -1]:
            address = _address(hop)
            if address is None:
                # an obscured or unknown name: what stands before it can't be verified
                return found
            found = str(address)
            if not self.is_one(found):
                return found
        return found


def read_networks(text: str) -> tuple[IPv4Network | IPv6Network, ...]:
    """Return the networks of a list, separated by commas. Raises: ValueError."""
    return tuple(ip_network(each.strip()) for each in text.split(","))


def _values(scope: Mapping[str, Any], name: bytes) -> list[str]:
    lines = (value for given, value in scope["headers"] if given == name)
    return [each for line in lines for each in line.decode("latin-1").split(",")]


def _plain(values: list[str]) -> list[str]:
    return [_host(each.strip()) for each in values]


def _forwarded(values: list[str]) -> list[str]:
    return list(_nodes(values))


def _nodes(values: list[str]) -> Iterator[str]:
    for each in values:
        found = _FOR.search(each)
        yield "" if found is None else _host(found[1].strip('"'))


def _host(node: str) -> str:
    """Return the address of a node, without brackets and port."""
    if node.startswith("["):
        return node[1:].partition("]")[0]
    return node if node.count(":") > 1 else node.partition(":")[0]


def _address(text: str) -> Any:
    try:
        found = ip_address(text)
    except ValueError:
        return None
    # an IPv4 address as a listener for both kinds sees it
    return getattr(found, "ipv4_mapped", None) or found
