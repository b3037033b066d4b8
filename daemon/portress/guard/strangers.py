"""What got past the doors while the guard was away, cut once it is back.

A flow belongs to a stranger if it goes to a door, began after the guard was last seen, and nobody admitted
has it. Where nothing else asks for connection tracking, a flush ends it: a connection that began meanwhile is
not tracked at all, while those from before still are. A flow without a time counts as a stranger's, unless
it is known from before.

In: doors, who is admitted, since when (CLOCK_REALTIME, ns). Out: the flows that were cut.
Attributes: include/uapi/linux/netfilter/nfnetlink_conntrack.h of the kernel.
"""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from typing import Final

from attrs import frozen

from portress.config.model import Config
from portress.guard import sockets
from portress.guard.tracked import Flow, Routes, flows, parts
from portress.knock import TCP, Service, Source
from portress.netlink import ACK, NESTED, Netfilter, attribute
from portress.session import Connection, connected

_CTNETLINK, _DELETE = 1, 2
_TUPLE_ORIG: Final = 1  # CTA_TUPLE_ORIG
PART: Final = 500  # flows that are looked at at once
Ends = tuple[bytes, int, bytes, int]  # source, its port, target, its port


@frozen
class GuardedPorts:
    """Which flows go to doors, and which of those may go on."""

    services: Mapping[str, Sequence[Service]]  # by door
    admitted: Callable[[str, bytes], bool]  # a door, and an address: whether it may go on there
    guarded: Callable[[str], bool]  # an interface's name

    @property
    def all(self) -> list[Service]:
        """The services of all doors."""
        return [one for each in self.services.values() for one in each]


def guarded_ports(config: Config, held: Container[tuple[str, Source]]) -> GuardedPorts:
    """The doors of `config`, for who is admitted by `held`: (door, source), or is in `always`."""

    def admitted(door: str, address: bytes) -> bool:
        return (door, config.source(address)) in held or config.lets_in(Source.of(address))

    services = {door.name: door.services for door in config.doors.values()}
    return GuardedPorts(services, admitted, lambda name: name not in ("lo", *config.inside))


def without_time(doors: GuardedPorts) -> Iterator[list[Ends]]:
    """The ends of flows to doors that have no time, for they began before times were noted: a part after the
    other of all flows that there are, a list for each. Raises OSError."""
    with Netfilter() as netfilter:
        for part in parts(netfilter, doors.all, PART):
            yield [flow.ends for flow in part if flow.start is None and _met(flow, doors)]


def cut(doors: GuardedPorts, since: int, known: Container[Ends] = ()) -> list[Flow]:
    """Cut strangers' flows that began at `since` or later, and say which. Raises OSError.

    `known`: flows without a time that were there before.
    """
    strange: list[Flow] = []
    tracked: set[Ends] = set()
    with Netfilter() as netfilter, contextlib.closing(Routes()) as routes:
        for flow in flows(netfilter, doors.all):
            if flow.protocol == TCP:
                tracked.add(flow.ends)
            late = flow.ends not in known if flow.start is None else flow.start >= since
            if late and _is_strangers(flow, doors, routes):
                strange.append(flow)
        for flow in strange:
            request = attribute(_TUPLE_ORIG | NESTED, flow.raw)
            family = socket.AF_INET if len(flow.source) == 4 else socket.AF_INET6
            with contextlib.suppress(FileNotFoundError):  # it ended by itself meanwhile
                list(netfilter.ask(_CTNETLINK, _DELETE, family, request, ACK))
        strange += [
            flow
            for flow in map(_untracked, connected(doors.all))
            if flow.ends not in tracked and _is_strangers(flow, doors, routes)
        ]
    with contextlib.suppress(OSError):  # a kernel may be built without it
        sockets.end_these({(one.source, one.source_port, one.port) for one in strange if one.protocol == TCP})
    return strange


def _untracked(one: Connection) -> Flow:
    return Flow(TCP, one.peer, one.peer_port, one.local, one.local_port, None, b"")


def _met(flow: Flow, doors: GuardedPorts) -> bool:
    """Whether it may go to a door, by its ports."""
    dialled = flow.protocol << 16 | flow.port
    return any(dialled in service for service in doors.all)


def _is_strangers(flow: Flow, doors: GuardedPorts, routes: Routes) -> bool:
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
