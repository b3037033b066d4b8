"""Flows under way in the kernel's connection tracking: find those of a source through a door, and cut them.

Attribute numbers are those of the kernel's include/uapi/linux/netfilter/nfnetlink_conntrack.h.
"""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterable
from ipaddress import ip_address
from typing import Final

from portress.knock import Service, Source
from portress.netlink import ACK, DUMP, NESTED, Netfilter, attribute, attributes

_CTNETLINK: Final = 1  # NFNL_SUBSYS_CTNETLINK
_GET, _DELETE = 1, 2
_TUPLE_ORIG: Final = 1
_TUPLE_IP, _TUPLE_PROTO = 1, 2
_IP_SRC: Final = {4: 1, 6: 3}
_PROTO_NUM, _PROTO_DST_PORT = 1, 3


def _matches(tuple_: memoryview, source: Source, services: Iterable[Service]) -> bool:
    address, protocol, port = b"", 0, 0
    for kind, value in attributes(tuple_):
        for inner, data in attributes(value):
            if kind == _TUPLE_IP and inner == _IP_SRC[source.family]:
                address = bytes(data)
            elif kind == _TUPLE_PROTO and inner == _PROTO_NUM:
                protocol = data[0]
            elif kind == _TUPLE_PROTO and inner == _PROTO_DST_PORT:
                port = int.from_bytes(data, "big")
    if len(address) != len(source.packed) or ip_address(address) not in source.network:
        return False
    return any((protocol << 16 | port) in service for service in services)


def cut(source: Source, services: Iterable[Service]) -> int:
    """Forget the flows that `source` opened towards `services`, under the port it dialled; how many.

    The next packet of such a flow is a first packet again and meets the door. Raises OSError.
    """
    family = socket.AF_INET if source.family == 4 else socket.AF_INET6
    wanted = list(services)
    with Netfilter() as netfilter:
        found = [
            bytes(value)
            for answer in netfilter.ask(_CTNETLINK, _GET, family, b"", DUMP)
            for kind, value in attributes(answer)
            if kind == _TUPLE_ORIG and _matches(value, source, wanted)
        ]
        for tuple_ in found:
            request = attribute(_TUPLE_ORIG | NESTED, tuple_)
            with contextlib.suppress(FileNotFoundError):  # it ended by itself meanwhile
                list(netfilter.ask(_CTNETLINK, _DELETE, family, request, ACK))
    return len(found)
