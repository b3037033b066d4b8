"""By which interfaces default routes go, as the kernel has them now: no place to leave unguarded."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from typing import Any, Final

_FAMILIES: Final = (socket.AF_INET, socket.AF_INET6)
# A pair of routes to one half of all addresses each is how tunnels take the default route over.
_HALF: Final = 1
_UNICAST: Final = 1  # RTN_UNICAST


def carriers() -> frozenset[str]:
    """The interfaces, whatever the routing table; empty where the kernel does not tell."""
    from pyroute2 import IPRoute  # takes longer than all the rest, and few configurations need it

    try:
        with IPRoute() as route:
            names = {link["index"]: str(link.get_attr("IFLA_IFNAME")) for link in route.get_links()}
            return frozenset(
                names[index]
                for family in _FAMILIES
                for one in route.get_routes(family=family)
                if one["dst_len"] <= _HALF and one["type"] == _UNICAST
                for index in hops(one)
                if index in names
            )
    except OSError:
        return frozenset()


def hops(route: Any) -> Iterator[int]:
    """The interfaces of a route, of several next hops if it has them."""
    index = route.get_attr("RTA_OIF")
    if index is not None:
        yield index
    for hop in route.get_attr("RTA_MULTIPATH") or ():
        yield hop["oif"]
