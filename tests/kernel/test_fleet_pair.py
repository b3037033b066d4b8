"""A pair with an address that moves, and gateways behind equal-cost routes: who was let in is in at all."""

from __future__ import annotations

import contextlib
import json
import socket
import time

import pytest

from kernel.test_fleet import FIXED, KNOCKS, inside, true
from lab import sender, service, tcp_state
from lab.fleets import Gateway, fleet
from lab.space import namespace

FLOATING = "198.51.100.50"
SERVED = "203.0.113.50"


def take_over(gateway: Gateway) -> None:
    """Have the floating address, and say so by gratuitous ARP (RFC 5227, 3), as VRRP's masters do."""
    gateway.ns.ip(f"address add {FLOATING}/24 dev eth0")
    told = json.loads(gateway.ns.run(["ip", "-j", "link", "show", "eth0"]).stdout)
    mac = bytes.fromhex(told[0]["address"].replace(":", ""))
    with gateway.ns.enter(), socket.socket(socket.AF_PACKET, socket.SOCK_RAW) as out:
        out.bind(("eth0", 0x0806))
        where = socket.inet_aton(FLOATING)
        body = b"\0\1\x08\0\6\4\0\1" + mac + where + bytes(6) + where
        out.send(b"\xff" * 6 + mac + b"\x08\x06" + body)


def test_who_was_let_in_is_in_where_the_address_has_moved_to() -> None:
    with fleet(FIXED) as f, contextlib.ExitStack() as stack:
        first, second = f.gateways
        stack.enter_context(service(second.ns, "tcp/22"))
        with first.ns.enter():
            listener = stack.enter_context(socket.create_server(("0.0.0.0", 22)))
        take_over(first)
        with sender(f.client) as send:
            send.knocks(f.client4, FLOATING, KNOCKS, 0.02)
        true(lambda: tcp_state(f.client, FLOATING, 22) == "open")
        true(lambda: inside(second) == {(f.client4, "ssh")})
        with f.client.enter():
            session = stack.enter_context(socket.create_connection((FLOATING, 22), timeout=5))
        far = stack.enter_context(_accepted(listener, session))
        session.send(b"before")
        assert far.recv(10) == b"before"
        first.daemon.kill()
        first.ns.ip(f"address del {FLOATING}/24 dev eth0")
        take_over(second)
        assert tcp_state(f.client, FLOATING, 22) == "open"  # at once, without another knock
        assert tcp_state(f.other, FLOATING, 22) != "open"
        (left,) = [one["left"] for one in second.daemon.status()["admissions"]]
        assert 200 < left <= 300
        session.settimeout(5)
        with pytest.raises(ConnectionResetError):  # the session was the first gateway's: it dials again
            session.send(b"after")
            session.recv(10)


def _accepted(listener: socket.socket, session: socket.socket) -> socket.socket:
    """The listener's end of `session`; others that came before it, to look at the port, are left."""
    listener.settimeout(5)
    while True:
        far, who = listener.accept()
        if who == session.getsockname():
            far.settimeout(5)
            return far
        far.close()


def routed(policy: int) -> int:
    """How many of 24 sources are let in by knocks that a router spreads over two gateways."""
    with fleet(FIXED) as f, namespace("far") as far:
        router = f.client
        router.ip("link add up0 type veth peer name eth0 netns " + far.name, "link set up0 up")
        router.ip("address add 192.0.2.1/24 dev up0")
        far.ip("address add 192.0.2.2/24 dev eth0", "link set eth0 up", "route add default via 192.0.2.1")
        settings = [f"net.ipv4.fib_multipath_hash_policy={policy}", "net.ipv4.ip_forward=1"]
        router.run(["sysctl", "-qw", *settings])
        hops = " ".join(f"nexthop via {one.address}" for one in f.gateways)
        router.ip(f"route add {SERVED}/32 {hops}")
        for one in f.gateways:
            one.ns.ip(f"address add {SERVED}/32 dev lo", f"route add 192.0.2.0/24 via {f.client4}")
        sources = [f"192.0.2.{number}" for number in range(11, 35)]
        far.ip(*(f"address add {source}/24 dev eth0" for source in sources))
        with sender(far) as send:
            for source in sources:
                send.knocks(source, SERVED, KNOCKS, 0.005)
        time.sleep(2)
        true(lambda: inside(f.gateways[0]) == inside(f.gateways[1]))
        first = inside(f.gateways[0])
        if policy == 0:
            mine = [one for one in f.gateways[0].daemon.status()["admissions"] if one.get("gateway") is None]
            assert 0 < len(mine) < len(sources)  # both gateways had their share
        return len(first)


def test_by_the_sources_hash_all_knocks_reach_one_gateway_and_by_ports_they_do_not() -> None:
    assert routed(0) == 24
    assert routed(1) < 20
