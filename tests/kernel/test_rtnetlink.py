"""Interfaces, addresses, routes and listeners: what pyroute2, a library of others, reads of the kernel."""

from __future__ import annotations

import contextlib
import json
import socket
from ipaddress import ip_address, ip_network
from typing import Any

import pytest
from pyroute2 import IPRoute
from pyroute2.netlink.diag import DiagSocket

from lab import World, world
from portress.config.model import Config
from portress.doctor.probe import closed_ports, links, sockets
from portress.rtnetlink import GLOBAL, RtNetlink

FAMILIES = (socket.AF_INET, socket.AF_INET6)
LISTEN, UNCONNECTED = 1 << 10, 1 << 7  # include/net/tcp_states.h


def crowded(w: World) -> None:
    """Every kind of address and route that is read in one way or another."""
    w.host.ip("link add wan0 type veth peer name a-very-long-nam")
    w.host.ip("link set wan0 up", "link set a-very-long-nam up")
    w.host.ip("addr add 203.0.113.1 peer 203.0.113.2 dev wan0", "addr add 169.254.7.7/16 scope link dev wan0")
    w.host.ip("addr add 2001:db8:77::1/64 nodad dev wan0")
    w.host.ip("route add default via 203.0.113.2 dev wan0", "route add 192.0.2.128/25 dev a-very-long-nam")
    w.host.ip("route add 10.0.0.0/8 nexthop dev wan0 nexthop dev a-very-long-nam")
    w.host.ip("route add default via 2001:db8:77::2 dev wan0")
    w.host.ip(
        "route add 2001:db8:99::/48 nexthop via 2001:db8:77::3 dev wan0 nexthop via 2001:db8:77::4 dev wan0"
    )
    w.host.ip("route add 0.0.0.0/1 dev a-very-long-nam table 1000", "route add blackhole 10.9.0.0/16")


def by_the_library() -> Any:
    with IPRoute() as kernel:
        names = {one["index"]: one.get_attr("IFLA_IFNAME") for one in kernel.get_links()}
        addresses = {
            family: sorted(
                (one.get_attr("IFA_LOCAL") or one.get_attr("IFA_ADDRESS"), one["scope"])
                for one in kernel.get_addr(family=family)
            )
            for family in FAMILIES
        }
        routes = {family: sorted(map(plain, kernel.get_routes(family=family))) for family in FAMILIES}
    return names, addresses, routes


def plain(route: Any) -> tuple[str, int, tuple[int, ...]]:
    anywhere = "::" if route["family"] == socket.AF_INET6 else "0.0.0.0"
    to = ip_network((route.get_attr("RTA_DST") or anywhere, route["dst_len"]))
    out = route.get_attr("RTA_OIF")
    hops = [one["oif"] for one in route.get_attr("RTA_MULTIPATH") or ()]
    return str(to), route.get_attr("RTA_TABLE"), tuple([out] * (out is not None) + hops)


def by_ourselves() -> Any:
    with RtNetlink() as kernel:
        routes = {
            family: sorted((str(one.to), one.table, one.interfaces) for one in kernel.routes(family))
            for family in FAMILIES
        }
        addresses = {family: sorted(map(tuple, kernel.addresses(family))) for family in FAMILIES}
        return kernel.names(), addresses, routes


def test_they_are_those_that_a_library_reads() -> None:
    with world() as w:
        crowded(w)
        ours = w.host.call(by_ourselves)
        assert ours == w.host.call(by_the_library)
        assert "a-very-long-nam" in ours[0].values() and ("203.0.113.1", GLOBAL) in ours[1][socket.AF_INET]
        assert any(len(hops) == 2 for _, _, hops in ours[2][socket.AF_INET])
        assert any(table == 1000 for _, table, _ in ours[2][socket.AF_INET])


def test_the_hosts_own_address_is_told_and_not_its_peers_and_ways_are_of_the_main_table() -> None:
    with world() as w:
        crowded(w)
        told = w.host.call(links.read)
        assert "203.0.113.1" in told.addresses and "203.0.113.2" not in told.addresses
        assert {(4, "wan0"), (6, "wan0")} <= told.ways and "a-very-long-nam" not in dict(told.ways).values()
        assert told.families == {4, 6}
        through = [one.interface for one in told.routes if str(one.to) == "10.0.0.0/8"]
        assert sorted(through) == ["a-very-long-nam", "wan0"]
        assert str(told.route(ip_network("192.0.2.130/32"))) == "192.0.2.128/25 dev a-very-long-nam"
        assert not any(str(one.to) == "0.0.0.0/1" for one in told.routes)


def test_how_a_packet_is_routed_is_what_ip_route_get_says() -> None:
    types = {"": 1, "local": 2, "broadcast": 3, "multicast": 5}  # RTN_… of linux/rtnetlink.h
    with world() as w:
        crowded(w)

        def towards(text: str) -> tuple[int, str]:
            with RtNetlink() as kernel:
                kind, index = kernel.towards(ip_address(text).packed)
                return kind, socket.if_indextoname(index) if index else ""

        for text in (
            w.host4,
            w.host6,
            w.stranger4,
            w.stranger6,
            "192.0.2.130",
            "198.51.100.255",
            "224.0.0.1",
        ):
            (told,) = json.loads(w.host.run(["ip", "-json", "route", "get", text]).stdout)
            assert w.host.call(towards, text) == (types[told.get("type", "")], told["dev"]), text
        assert w.host.call(towards, "10.9.1.1") == (0, "")  # a black hole


def test_without_a_global_address_a_family_is_none() -> None:
    with world() as w:
        w.another.ip("addr flush dev eth0", "addr add 169.254.1.1/16 scope link dev eth0")
        assert w.another.call(links.read).families == frozenset()


def diagnosed() -> Any:
    """What a library tells of the listeners: protocol, address, port, whether IPv6 alone."""
    with DiagSocket() as diag:
        diag.bind()
        return {
            (protocol, one["idiag_src"], one["idiag_sport"], bool(one.get_attr("INET_DIAG_SKV6ONLY")))
            for protocol, states in ((6, LISTEN), (17, UNCONNECTED))
            for family in FAMILIES
            for one in diag.get_sock_stats(family=family, protocol=protocol, states=states)
        }


def test_listeners_are_those_that_a_library_reads() -> None:
    kinds = ((socket.SOCK_STREAM, socket.IPPROTO_TCP), (socket.SOCK_DGRAM, socket.IPPROTO_UDP))
    with world() as w, contextlib.ExitStack() as stack:
        with w.host.enter():
            for kind, _ in kinds:
                for family, address, port, only in (
                    (socket.AF_INET, "0.0.0.0", 22, 0),
                    (socket.AF_INET, w.host4, 23, 0),
                    (socket.AF_INET6, "::", 24, 0),
                    (socket.AF_INET6, "::", 25, 1),
                    (socket.AF_INET6, "::1", 26, 0),
                ):
                    one = stack.enter_context(socket.socket(family, kind))
                    if family == socket.AF_INET6:
                        one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, only)
                    one.bind((address, port))
                    if kind == socket.SOCK_STREAM:
                        one.listen()
            dialled = stack.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
            dialled.connect((w.host4, 9))  # has a peer, and takes nobody's first packet
        told = w.host.call(sockets.read, named=False)
        families = {
            (protocol, address, port): frozenset(
                {4, 6} if address == "::" and not only else {4, 6} & {6 if ":" in address else 4}
            )
            for protocol, address, port, only in w.host.call(diagnosed)
        }
        assert {(one.knock >> 16, one.address, one.knock & 0xFFFF): one.families for one in told} == families
        assert families[17, "::", 24] == {4, 6} and families[6, "::", 25] == {6} and len(families) == 10


@pytest.mark.parametrize("times", [1, 4])
def test_what_changed_while_it_was_told_is_asked_for_again(
    monkeypatch: pytest.MonkeyPatch, times: int
) -> None:
    asked: list[int] = []

    def torn(self: RtNetlink, kind: int, flags: int, body: bytes) -> Any:
        asked.append(kind)
        self.torn = len(asked) <= times
        yield from ()

    monkeypatch.setattr(RtNetlink, "exchange", torn)
    with RtNetlink() as kernel:
        assert kernel.names() == {} and len(asked) == times + 1


def test_where_the_kernel_does_not_tell_of_interfaces_the_doors_are_shut_all_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refused() -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(closed_ports.links, "read", refused)
    monkeypatch.setattr(closed_ports.rules, "read", lambda: None)
    answers = closed_ports.known(Config(doors={}))
    assert "this host's interfaces cannot be read: Operation not permitted" in str(answers)


def test_another_familys_answers_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """As a kernel without IPv6 gives them that is asked for it."""
    with world() as w:
        crowded(w)
        exchange = RtNetlink.exchange

        def unspecified(self: RtNetlink, kind: int, flags: int, body: bytes) -> Any:
            return exchange(self, kind, flags, bytes([socket.AF_UNSPEC]) + body[1:])

        monkeypatch.setattr(RtNetlink, "exchange", unspecified)
        _, addresses, routes = w.host.call(by_ourselves)
        assert addresses[socket.AF_INET6] and not any("." in one for one, _ in addresses[socket.AF_INET6])
        assert routes[socket.AF_INET6] and not any("." in one for one, _, _ in routes[socket.AF_INET6])
