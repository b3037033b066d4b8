"""Two clients behind one translator, and doors that admit a connection, for tests.

In: how it translates. Out: namespaces, configurations, and whether a connection comes about.
"""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from lab import Daemon, Namespace, link, namespace

CONFIG = """\
decide: {decide}
closed: {closed}
doors:
  ssh:
    services: [tcp/22, tcp/2222]
    rotating: {{pool: 10100-32767, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1, admits: connection}}
"""
PORT = 40111

FIXED = """\
decide: {decide}
doors:
  back:
    services: [{service}]
    fixed: {{knocks: [tcp/4617, udp/2953, {last}], gap: 10s, admits: connection}}
"""


def fixed(decide: str, service: str, last: str) -> str:
    return FIXED.format(decide=decide, service=service, last=last)


def config(decide: str, closed: str = "drop") -> str:
    return CONFIG.format(closed=closed, decide=decide)


@dataclass(frozen=True)
class Behind:
    """Two clients behind a translator, and the guarded host in front of it."""

    host: Namespace
    one: Namespace
    two: Namespace
    translator: Namespace

    host4: ClassVar[str] = "198.51.100.1"
    host6: ClassVar[str] = "2001:db8:1::1"
    outer4: ClassVar[str] = "198.51.100.7"
    outer6: ClassVar[str] = "2001:db8:1::7"


@contextlib.contextmanager
def behind(how: str = "masquerade") -> Iterator[Behind]:
    with contextlib.ExitStack() as stack:
        host, one, two, box = (stack.enter_context(namespace(n)) for n in ("host", "one", "two", "nat"))
        link(
            host,
            "eth0",
            ["198.51.100.1/24", "2001:db8:1::1/64"],
            box,
            "out",
            ["198.51.100.7/24", "2001:db8:1::7/64"],
        )
        for number, ns in ((2, one), (3, two)):
            gates = [f"192.0.2.{16 * number + 1}/28", f"2001:db8:{number}::1/64"]
            own = [f"192.0.2.{16 * number + 10}/28", f"2001:db8:{number}::10/64"]
            link(box, f"in{number}", gates, ns, "eth0", own)
            ns.ip(*(f"route add default via {gate.partition('/')[0]}" for gate in gates))
        box.sysctl(net__ipv4__ip_forward=1, net__ipv6__conf__all__forwarding=1)
        box.nft(
            f'table inet n {{ chain p {{ type nat hook postrouting priority 100; oifname "out" {how}; }}\n}}'
        )
        yield Behind(host, one, two, box)


def dial(ns: Namespace, host: str, port: int, own: int, patience: float = 0.8) -> bool:
    """Whether a connection from that local port comes about."""
    with ns.enter():
        made = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    with made:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(("", own))
        made.settimeout(patience)
        return made.connect_ex((host, port)) == 0


def port_of(d: Daemon) -> int:
    (one,) = d.status()["admissions"]
    return int(one["source"].partition(" port ")[2])
