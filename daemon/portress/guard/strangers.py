"""What got past the doors while the guard was away, cut once it is back.

A flow belongs to a stranger if it goes to a door, began after the guard was last seen, and nobody admitted
has it. Where nothing else asks for connection tracking, a flush ends it: a connection that began meanwhile is
not tracked at all, while those from before still are. A flow without a time counts as a stranger's.

In: doors, who is admitted, since when (CLOCK_REALTIME, ns). Out: the flows that were cut.
Attributes: include/uapi/linux/netfilter/nfnetlink_conntrack.h and linux/rtnetlink.h of the kernel.
"""

from __future__ import annotations

import contextlib
import socket
import struct
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from typing import Final

from attrs import frozen

from portress.config.model import Config
from portress.guard import sockets
from portress.knock import TCP, UDP, Service, Source
from portress.netlink import ACK, DUMP, NESTED, Netfilter, attribute, attributes
from portress.session import Connection, connected

_CTNETLINK, _GET, _DELETE = 1, 1, 2
_TUPLE_ORIG, _TIMESTAMP = 1, 20  # CTA_TUPLE_ORIG, CTA_TIMESTAMP
_START: Final = 1  # CTA_TIMESTAMP_START
_TUPLE_IP, _TUPLE_PROTO = 1, 2
_SRC, _DST = (1, 3), (2, 4)  # CTA_IP_V4_SRC, CTA_IP_V6_SRC; the same of the destination
_NUM, _SRC_PORT, _DST_PORT = 1, 2, 3
_GETROUTE: Final = 26
_RTA_DST, _RTA_OIF = 1, 4
_OWN: Final = (2, 3, 4, 5)  # RTN_LOCAL, RTN_BROADCAST, RTN_ANYCAST, RTN_MULTICAST
_ROUTE: Final = struct.Struct("=BBBBBBBBI")


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

    @property
    def ends(self) -> tuple[bytes, int, bytes, int]:
        return self.source, self.source_port, self.target, self.port


@frozen
class GuardedPorts:
    """Which flows go to doors, and which of those may go on."""

    services: Mapping[str, Sequence[Service]]  # by door
    admitted: Callable[[str, bytes], bool]  # a door, and an address: whether it may go on there
    guarded: Callable[[str], bool]  # an interface's name


def guarded_ports(config: Config, held: Container[tuple[str, Source]]) -> GuardedPorts:
    """The doors of `config`, for who is admitted by `held`: (door, source), or is in `always`."""

    def admitted(door: str, address: bytes) -> bool:
        return (door, config.source(address)) in held or config.lets_in(Source.of(address))

    services = {door.name: door.services for door in config.doors.values()}
    return GuardedPorts(services, admitted, lambda name: name not in ("lo", *config.inside))


def cut(doors: GuardedPorts, since: int) -> list[Flow]:
    """Cut strangers' flows that began at `since` or later, and say which. Raises OSError."""
    strange: list[Flow] = []
    tracked: set[tuple[bytes, int, bytes, int]] = set()
    with Netfilter() as netfilter, contextlib.closing(_Routes()) as routes:
        for flow in _flows(netfilter):
            if flow.protocol == TCP:
                tracked.add(flow.ends)
            if (flow.start is None or flow.start >= since) and _is_strangers(flow, doors, routes):
                strange.append(flow)
        for flow in strange:
            request = attribute(_TUPLE_ORIG | NESTED, flow.raw)
            family = socket.AF_INET if len(flow.source) == 4 else socket.AF_INET6
            with contextlib.suppress(FileNotFoundError):  # it ended by itself meanwhile
                list(netfilter.ask(_CTNETLINK, _DELETE, family, request, ACK))
        strange += [
            flow
            for flow in map(_untracked, connected(one for each in doors.services.values() for one in each))
            if flow.ends not in tracked and _is_strangers(flow, doors, routes)
        ]
    with contextlib.suppress(OSError):  # a kernel may be built without it
        sockets.end_these({(one.source, one.source_port, one.port) for one in strange if one.protocol == TCP})
    return strange


def _untracked(one: Connection) -> Flow:
    return Flow(TCP, one.peer, one.peer_port, one.local, one.local_port, None, b"")


def _is_strangers(flow: Flow, doors: GuardedPorts, routes: _Routes) -> bool:
    dialled, met = flow.protocol << 16 | flow.port, False
    for name, services in doors.services.items():
        for service in services:
            if dialled in service and service.covers(flow.target):
                if service.to is None and not routes.own(flow.target):
                    continue  # it only passes through this host
                if doors.admitted(name, flow.source):
                    return False
                met = True
    return met and doors.guarded(routes.interface(flow.source))


def _flows(netfilter: Netfilter) -> Iterator[Flow]:
    """TCP and UDP flows that connection tracking knows."""
    for family in (socket.AF_INET, socket.AF_INET6):
        for answer in netfilter.ask(_CTNETLINK, _GET, family, b"", DUMP):
            raw, start = None, None
            for kind, value in attributes(answer):
                if kind == _TUPLE_ORIG:
                    raw = value
                elif kind == _TIMESTAMP:
                    start = _began(value)
            flow = None if raw is None else _read(raw, start)
            if flow is not None:
                yield flow


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


class _Routes:
    """What the kernel's routing says of an address; each is asked once."""

    def __init__(self) -> None:
        kind = socket.SOCK_RAW | socket.SOCK_CLOEXEC
        self._socket = socket.socket(socket.AF_NETLINK, kind, socket.NETLINK_ROUTE)
        self._socket.settimeout(5.0)
        self._known: dict[bytes, tuple[int, str]] = {}

    def close(self) -> None:
        self._socket.close()

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
        family = socket.AF_INET if len(address) == 4 else socket.AF_INET6
        body = _ROUTE.pack(family, len(address) * 8, 0, 0, 0, 0, 0, 0, 0) + attribute(_RTA_DST, address)
        self._socket.send(struct.pack("=IHHII", 16 + len(body), _GETROUTE, 1, 1, 0) + body)
        view = memoryview(self._socket.recv(1 << 14))
        _, kind, _, _, _ = struct.unpack_from("=IHHII", view)
        if kind == 2:  # NLMSG_ERROR: nothing leads there
            return 0, ""
        index = 0
        for attribute_kind, value in attributes(view[16 + _ROUTE.size :]):
            if attribute_kind == _RTA_OIF:
                (index,) = struct.unpack("=I", value)
        with contextlib.suppress(OSError):
            return view[16 + 7], socket.if_indextoname(index)
        return view[16 + 7], ""
