"""The kernel's interfaces, addresses and routes, by rtnetlink(7).

Every start of the daemon and every `portress guard` asks for them; a library that could takes a quarter of a
second to load. Layouts: RFC 3549; include/uapi/linux/if_link.h, if_addr.h and rtnetlink.h.
"""

from __future__ import annotations

import errno
import socket
import struct
from collections.abc import Iterator
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from typing import Final, NamedTuple

from portress.netlink import DUMP, Netlink, attribute, attributes

MAIN: Final = 254  # RT_TABLE_MAIN
GLOBAL: Final = 0  # RT_SCOPE_UNIVERSE
_ROUTE: Final = 0  # NETLINK_ROUTE
_LINKS, _ADDRESSES, _ROUTES = 18, 22, 26  # RTM_GET…
_LINK: Final = struct.Struct("=BxHiII")  # ifinfomsg: the third is the index
_ADDRESS: Final = struct.Struct("=BBBBI")  # ifaddrmsg: the fourth is the scope
# rtmsg: the destination's length is the second, the table the fifth, the type the eighth.
_ABOUT: Final = struct.Struct("=BBBBBBBBI")
_HOP: Final = struct.Struct("=HBBi")  # rtnexthop: length, flags, weight, interface
_NUMBER: Final = struct.Struct("=I")
_NAME: Final = 3  # IFLA_IFNAME
_OF_PEER, _LOCAL = 1, 2  # IFA_ADDRESS, which is the peer's where there is one; IFA_LOCAL
_TO, _OUT, _HOPS, _TABLE = 1, 4, 9, 15  # RTA_DST, RTA_OIF, RTA_MULTIPATH, RTA_TABLE
_AGAIN: Final = 5  # times that what changed while it was told is asked for again; common practice, no source


class Address(NamedTuple):
    """One of this host's. `scope`: GLOBAL, or a larger number."""

    text: str
    scope: int


class Way(NamedTuple):
    """A route: where to, and by which interfaces' numbers; several if it has several next hops."""

    to: IPv4Network | IPv6Network
    table: int
    interfaces: tuple[int, ...]


class RtNetlink(Netlink):
    """Asks the kernel, of this thread's network namespace. A context manager; its questions raise OSError."""

    def __init__(self) -> None:
        super().__init__(_ROUTE)

    def names(self) -> dict[int, str]:
        """Every interface's number and name."""
        found = {}
        for answer in self._all(_LINKS, _LINK.pack(socket.AF_UNSPEC, 0, 0, 0, 0)):
            told = dict(attributes(answer[_LINK.size :]))
            found[_LINK.unpack_from(answer)[2]] = bytes(told[_NAME]).rstrip(b"\0").decode(errors="replace")
        return found

    def addresses(self, family: int) -> list[Address]:
        """This host's addresses of that family, not those of its peers."""
        found = []
        for answer in self._all(_ADDRESSES, _ADDRESS.pack(family, 0, 0, 0, 0)):
            told = dict(attributes(answer[_ADDRESS.size :]))
            address = told.get(_LOCAL, told.get(_OF_PEER))
            if address is not None:
                found.append(Address(str(ip_address(bytes(address))), _ADDRESS.unpack_from(answer)[3]))
        return found

    def routes(self, family: int) -> list[Way]:
        """The routes of that family, of every table."""
        about = _ABOUT.pack(family, 0, 0, 0, 0, 0, 0, 0, 0)
        return [_way(answer, family) for answer in self._all(_ROUTES, about)]

    def towards(self, address: bytes) -> tuple[int, int]:
        """How a packet to this address (4 or 16 bytes) is routed: the route's type (RTN_…), and the number of
        the interface by which it leaves. Zeros where nothing leads there. Raises OSError."""
        family = socket.AF_INET if len(address) == 4 else socket.AF_INET6
        about = _ABOUT.pack(family, len(address) * 8, 0, 0, 0, 0, 0, 0, 0)
        try:
            answer = next(self.exchange(_ROUTES, 0, about + attribute(_TO, address)))
        except OSError as error:
            if error.errno in (None, errno.ENOBUFS):  # no answer in time, or none that can be read
                raise
            return 0, 0
        told = dict(attributes(answer[_ABOUT.size :]))
        index = _NUMBER.unpack(told[_OUT])[0] if _OUT in told else 0
        return _ABOUT.unpack_from(answer)[7], index

    def _all(self, kind: int, body: bytes) -> list[memoryview]:
        """The whole answer; what changed while it was told is asked for again.

        A kernel without IPv6 tells of all families when it is asked for that one: the others are left out.
        """
        for _ in range(_AGAIN):
            told = list(self.exchange(kind, DUMP, body))
            if not self.torn:
                break
        return [answer for answer in told if body[0] in (socket.AF_UNSPEC, answer[0])]


def _way(answer: memoryview, family: int) -> Way:
    _, length, _, _, table, *_ = _ABOUT.unpack_from(answer)
    told = dict(attributes(answer[_ABOUT.size :]))
    if _TABLE in told:  # which has room for more than 255 of them
        (table,) = _NUMBER.unpack(told[_TABLE])
    to = bytes(told.get(_TO, bytes(4 if family == socket.AF_INET else 16)))
    interfaces = [_NUMBER.unpack(told[_OUT])[0]] if _OUT in told else []
    interfaces += _hops(told.get(_HOPS, memoryview(b"")))
    return Way(ip_network((to, length), strict=False), table, tuple(interfaces))


def _hops(told: memoryview) -> Iterator[int]:
    while len(told) >= _HOP.size:
        length, _, _, interface = _HOP.unpack_from(told)
        yield interface
        told = told[max((length + 3) & ~3, _HOP.size) :]
