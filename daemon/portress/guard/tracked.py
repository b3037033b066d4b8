"""What connection tracking knows: flows, as they began; what the kernel's routing says of their addresses.

Attributes: include/uapi/linux/netfilter/nfnetlink_conntrack.h and linux/rtnetlink.h of the kernel; status:
nf_conntrack_common.h.
"""

from __future__ import annotations

import contextlib
import socket
import struct
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import Final

from attrs import evolve, frozen

from portress.knock import TCP, UDP, Service
from portress.netlink import DUMP, NESTED, Netfilter, attribute, attributes
from portress.rtnetlink import RtNetlink

_CTNETLINK, _GET = 1, 1
_TUPLE_ORIG, _TUPLE_REPLY, _STATUS, _TIMESTAMP = 1, 2, 3, 20  # CTA_…
_START: Final = 1  # CTA_TIMESTAMP_START
_SEEN_REPLY: Final = 1 << 1  # IPS_SEEN_REPLY
_TUPLE_IP, _TUPLE_PROTO = 1, 2
_SRC, _DST = (1, 3), (2, 4)  # CTA_IP_V4_SRC, CTA_IP_V6_SRC; the same of the destination
_NUM, _SRC_PORT, _DST_PORT = 1, 2, 3
_FILTER, _OF_ORIG = 25, 1  # CTA_FILTER, CTA_FILTER_ORIG_FLAGS
_BY_PORT: Final = struct.pack("=I", 1 << 3 | 1 << 5)  # CTA_PROTO_NUM and CTA_PROTO_DST_PORT have to be equal
_FEW: Final = 8  # ports that the kernel is asked for one by one: it looks through all flows for each
SCARCE: Final = 256  # flows: as many are told in less time than the kernel takes to look for another port
_COUNT: Final = Path("/proc/sys/net/netfilter/nf_conntrack_count")
_PART: Final = 64
_OWN: Final = (2, 3, 4, 5)  # RTN_LOCAL, RTN_BROADCAST, RTN_ANYCAST, RTN_MULTICAST


@frozen
class Flow:
    """How a flow began: addresses in network byte order, ports; `start` in ns, None if nobody noted it."""

    protocol: int
    source: bytes
    source_port: int
    target: bytes
    port: int
    start: int | None
    raw: bytes  # the tuple as the kernel wrote it
    answered: bool = True  # packets have gone both ways
    back: bytes = b""  # the tuple of the answers

    @property
    def ends(self) -> tuple[bytes, int, bytes, int]:
        return self.source, self.source_port, self.target, self.port

    @property
    def backwards(self) -> Flow | None:
        """The same from the other end: where tracking began in the middle, that may be who dialled."""
        seen = _read(memoryview(self.back), self.start) if self.back else None
        return None if seen is None else evolve(seen, answered=self.answered)


def asked(services: Iterable[Service] | None) -> list[bytes]:
    """What asks the kernel for its flows: those dialled under the ports of `services`, where these are single
    ports and few and flows are many, else all. A kernel before 5.8 tells all in any case."""
    if services is None:
        return [b""]
    listed = list(services)
    ports = {(one.protocol, one.first) for one in listed}
    if len(ports) > _FEW or any(one.first < one.last for one in listed) or (listed and _scarce()):
        return [b""]
    return [_dialled(protocol, port) for protocol, port in sorted(ports)]


def _scarce() -> bool:
    """Whether there are few flows in this network namespace."""
    try:
        return int(_COUNT.read_text()) <= SCARCE
    except (OSError, ValueError):
        return False


def _dialled(protocol: int, port: int) -> bytes:
    inner = attribute(_NUM, bytes((protocol,))) + attribute(_DST_PORT, port.to_bytes(2, "big"))
    wanted = attribute(_TUPLE_ORIG | NESTED, attribute(_TUPLE_PROTO | NESTED, inner))
    return wanted + attribute(_FILTER | NESTED, attribute(_OF_ORIG, _BY_PORT))


def flows(netfilter: Netfilter, services: Iterable[Service] | None = None) -> Iterator[Flow]:
    """TCP and UDP flows that connection tracking knows; those to `services`, where these are given, and maybe
    others. Raises OSError."""
    for part in parts(netfilter, services, _PART):
        yield from part


def parts(netfilter: Netfilter, services: Iterable[Service] | None, size: int) -> Iterator[list[Flow]]:
    """The same, no more than `size` at once; an empty list where the kernel has looked through its flows and
    found no more. Raises OSError."""
    for wanted in asked(services):
        for family in (socket.AF_INET, socket.AF_INET6) if wanted else (socket.AF_UNSPEC,):
            told = filter(None, map(_told, netfilter.ask(_CTNETLINK, _GET, family, wanted, DUMP)))
            while part := [*islice(told, size)]:
                yield part
            yield []


def _told(answer: memoryview) -> Flow | None:
    """The flow of one answer."""
    raw, back, start, status = None, b"", None, 0
    for kind, value in attributes(answer):
        if kind == _TUPLE_ORIG:
            raw = value
        elif kind == _TUPLE_REPLY:
            back = bytes(value)
        elif kind == _STATUS:
            status = int.from_bytes(value, "big")
        elif kind == _TIMESTAMP:
            start = _began(value)
    flow = None if raw is None else _read(raw, start)
    return None if flow is None else evolve(flow, answered=bool(status & _SEEN_REPLY), back=back)


def _began(times: memoryview) -> int | None:
    return next((int.from_bytes(ns, "big") or None for kind, ns in attributes(times) if kind == _START), None)


def _read(raw: memoryview, start: int | None) -> Flow | None:
    source, target, protocol, ports = b"", b"", 0, [0, 0]
    for kind, value in attributes(raw):
        for inner, data in attributes(value):
            if kind == _TUPLE_IP and inner in _SRC:
                source = bytes(data)
            elif kind == _TUPLE_IP and inner in _DST:
                target = bytes(data)
            elif kind == _TUPLE_PROTO and inner == _NUM:
                protocol = data[0]
            elif kind == _TUPLE_PROTO and inner in (_SRC_PORT, _DST_PORT):
                ports[inner - _SRC_PORT] = int.from_bytes(data, "big")
    if protocol not in (TCP, UDP):
        return None
    return Flow(protocol, source, ports[0], target, ports[1], start, bytes(raw))


class Routes:
    """What the kernel's routing says of an address; each is asked once."""

    def __init__(self) -> None:
        self._kernel = RtNetlink()
        self._known: dict[bytes, tuple[int, str]] = {}

    def close(self) -> None:
        self._kernel.close()

    def own(self, address: bytes) -> bool:
        """Whether this host itself takes a packet to this address."""
        return self._ask(address)[0] in _OWN

    def interface(self, address: bytes) -> str:
        """The interface by which a packet to this address leaves; "" if none does."""
        return self._ask(address)[1]

    def _ask(self, address: bytes) -> tuple[int, str]:
        if address not in self._known:
            self._known[address] = self._asked(address)
        return self._known[address]

    def _asked(self, address: bytes) -> tuple[int, str]:
        kind, index = self._kernel.towards(address)
        with contextlib.suppress(OSError):
            return kind, socket.if_indextoname(index)
        return kind, ""
