"""Flows under way in the kernel's connection tracking: cut those of a source, make known those it missed.

Attribute numbers are those of the kernel's include/uapi/linux/netfilter/nfnetlink_conntrack.h.
"""

from __future__ import annotations

import contextlib
import socket
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path
from typing import Final

from portress.guard import sockets
from portress.guard.tracked import asked
from portress.knock import TCP, Among, Service, Source
from portress.netlink import ACK, CREATE, DUMP, EXCLUSIVE, NESTED, Netfilter, attribute, attributes
from portress.session import Connection

_CTNETLINK: Final = 1  # NFNL_SUBSYS_CTNETLINK
_NEW, _GET, _DELETE = 0, 1, 2
_TUPLE_ORIG, _TUPLE_REPLY, _STATUS, _PROTOINFO, _TIMEOUT = 1, 2, 3, 4, 7
_TUPLE_IP, _TUPLE_PROTO = 1, 2
_IP_SRC: Final = {4: 1, 6: 3}
_IP_DST: Final = {4: 2, 6: 4}
_PROTO_NUM, _PROTO_SRC_PORT, _PROTO_DST_PORT = 1, 2, 3
_PROTOINFO_TCP: Final = 1
_TCP_STATE, _TCP_FLAGS_ORIGINAL, _TCP_FLAGS_REPLY = 1, 4, 5
_ESTABLISHED: Final = 3  # TCP_CONNTRACK_ESTABLISHED
_LIBERAL: Final = bytes((0x08, 0x08))  # IP_CT_TCP_FLAG_BE_LIBERAL: its windows were not seen
_SEEN_ASSURED: Final = 0x2 | 0x4 | 0x8  # IPS_SEEN_REPLY, IPS_ASSURED, IPS_CONFIRMED
TIMES: Final = Path("/proc/sys/net/netfilter/nf_conntrack_timestamp")
_LIFE: Final = 5 * 86400  # seconds: what the kernel gives an idle established connection


def _whose(tuple_: memoryview, sources: Among, services: Iterable[Service]) -> Source | None:
    """The one of `sources` that opened the flow, if it is one to `services`."""
    address, target, protocol, port, came = b"", b"", 0, 0, 0
    for kind, value in attributes(tuple_):
        for inner, data in attributes(value):
            if kind == _TUPLE_IP and inner in _IP_SRC.values():
                address = bytes(data)
            elif kind == _TUPLE_IP and inner in _IP_DST.values():
                target = bytes(data)
            elif kind == _TUPLE_PROTO and inner == _PROTO_NUM:
                protocol = data[0]
            elif kind == _TUPLE_PROTO and inner == _PROTO_SRC_PORT:
                came = int.from_bytes(data, "big")
            elif kind == _TUPLE_PROTO and inner == _PROTO_DST_PORT:
                port = int.from_bytes(data, "big")
    if not any((protocol << 16 | port) in service and service.covers(target) for service in services):
        return None
    return sources.find(address, came)


def cut(source: Source, services: Sequence[Service]) -> int:
    """Forget the flows of one source, as `cut_each` does; how many. Raises OSError."""
    return cut_each([source], services)[source]


def cut_each(sources: Collection[Source], services: Sequence[Service]) -> Counter[Source]:
    """Forget the flows that `sources` opened towards `services`, under the port they dialled: how many.

    The next packet of such a flow is a first packet again and meets the door. Connections to this host
    itself are ended, too. The kernel's flows are walked as often for many sources as for one. Raises OSError.
    """
    among = Among(sources)
    with contextlib.suppress(OSError):  # a kernel may be built without it
        sockets.end(among, services)
    count: Counter[Source] = Counter()
    with Netfilter() as netfilter:
        for number in sorted({one.family for one in sources}):
            family = socket.AF_INET if number == 4 else socket.AF_INET6
            found = [
                (source, bytes(value))
                for wanted in asked(services)
                for answer in netfilter.ask(_CTNETLINK, _GET, family, wanted, DUMP)
                for kind, value in attributes(answer)
                if kind == _TUPLE_ORIG and (source := _whose(value, among, services)) is not None
            ]
            for source, tuple_ in found:
                request = attribute(_TUPLE_ORIG | NESTED, tuple_)
                with contextlib.suppress(FileNotFoundError):  # it ended by itself meanwhile
                    list(netfilter.ask(_CTNETLINK, _DELETE, family, request, ACK))
                count[source] += 1
    return count


def _tuple(kind: int, src: bytes, src_port: int, dst: bytes, dst_port: int) -> bytes:
    first = _IP_SRC[4 if len(src) == 4 else 6]
    addresses = attribute(first, src) + attribute(first + 1, dst)
    ports = (
        attribute(_PROTO_NUM, bytes((TCP,)))
        + attribute(_PROTO_SRC_PORT, src_port.to_bytes(2, "big"))
        + attribute(_PROTO_DST_PORT, dst_port.to_bytes(2, "big"))
    )
    return attribute(
        kind | NESTED, attribute(_TUPLE_IP | NESTED, addresses) + attribute(_TUPLE_PROTO | NESTED, ports)
    )


def adopt(connections: Iterable[Connection]) -> int:
    """Tell connection tracking of established connections that it did not see begin; how many it had missed.

    Where nothing tracked before the guard came, their next packet would count as a first one and meet a
    shut door. So would it where tracking began in between and has seen one end only, for example an
    acknowledgement: it learns that both have answered. Raises OSError.
    """
    tcp = (
        attribute(_TCP_STATE, bytes((_ESTABLISHED,)))
        + attribute(_TCP_FLAGS_ORIGINAL, _LIBERAL)
        + attribute(_TCP_FLAGS_REPLY, _LIBERAL)
    )
    answered = attribute(_STATUS, _SEEN_ASSURED.to_bytes(4, "big"))
    rest = (
        answered
        + attribute(_TIMEOUT, _LIFE.to_bytes(4, "big"))
        + attribute(_PROTOINFO | NESTED, attribute(_PROTOINFO_TCP | NESTED, tcp))
    )
    missed = 0
    with Netfilter() as netfilter:
        for one in connections:
            family = socket.AF_INET if len(one.peer) == 4 else socket.AF_INET6
            whose = _tuple(_TUPLE_ORIG, one.peer, one.peer_port, one.local, one.local_port)
            back = _tuple(_TUPLE_REPLY, one.local, one.local_port, one.peer, one.peer_port)
            try:
                list(netfilter.ask(_CTNETLINK, _NEW, family, whose + back + rest, ACK | CREATE | EXCLUSIVE))
                missed += 1
            except FileExistsError:
                with contextlib.suppress(OSError):  # it ends meanwhile
                    list(netfilter.ask(_CTNETLINK, _NEW, family, whose + answered, ACK))
    return missed


def keep_times() -> bool:
    """Have connection tracking note when flows begin, which it does not by itself; whether it does now.

    Only root's part can: the daemon's sandbox lets it change no kernel setting.
    """
    with contextlib.suppress(OSError):
        if TIMES.read_text().strip() != "1":
            TIMES.write_text("1\n")
        return True
    return False
