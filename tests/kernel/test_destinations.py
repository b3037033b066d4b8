"""A door is shut at every address by which the host takes a packet: its own, broadcast, multicast, anycast.

What an address is to the kernel is what `ip route get` and RFC 4291 (2.6.1, 2.7) say, not Portress.
"""

from __future__ import annotations

import contextlib
import ipaddress
import socket
import time
from collections.abc import Iterator

import pytest

from kernel.patient import kept, names, report
from lab import Namespace, daemon, link, namespace, sender, service, tcp_state, udp_state, until, world
from lab.worlds import World

VPN = """
closed: {closed}
doors:
  vpn: {{services: [udp/51820], stay: 1h, linger: {linger}, fixed: {{knocks: [tcp/4617, udp/2953]}}}}
"""
_SO_BINDTODEVICE = 25  # asm-generic/socket.h


def _send(ns: Namespace, source: str, sport: int, target: str, port: int) -> None:
    """A datagram out of eth0, to any kind of address."""
    six = ":" in target
    with ns.enter(), socket.socket(socket.AF_INET6 if six else socket.AF_INET, socket.SOCK_DGRAM) as out:
        out.setsockopt(socket.SOL_SOCKET, _SO_BINDTODEVICE, b"eth0")
        out.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        out.bind((source, sport))
        where = socket.getaddrinfo(f"{target}%eth0" if target[:2] in ("ff", "fe") else target, port)[0][4]
        out.sendto(b"?", where)


# What a host takes a packet by, directly: RFC 919 (both broadcasts), RFC 1112 (224.0.0.1 is all hosts), RFC
# 4291 (ff02::1 is all nodes; the subnet-router anycast address is the prefix with zeros behind it).
DIRECT = {
    "directed broadcast": "198.51.100.63",
    "limited broadcast": "255.255.255.255",
    "multicast": "224.0.0.1",
    "multicast over IPv6": "ff02::1",
    "anycast": "2001:db8:1::",
    "anycast of a network behind it": "2001:db8:3::",
}


def _reaches(host: Namespace, ns: Namespace, source: str, sport: int, target: str, own: str) -> int:
    """How many get in of a datagram to the target and, when it was answered, one from its port to the host's
    own address. The kernel may take its time to look for an anycast neighbour (RFC 4861, 7.2.7)."""
    with host.enter():
        server = socket.socket(socket.AF_INET6 if ":" in target else socket.AF_INET, socket.SOCK_DGRAM)
    count = 0
    with server:
        server.bind(("", 51820))
        server.settimeout(1.2)
        for each in (target, own):
            _send(ns, source, sport, each, 51820)
            with contextlib.suppress(TimeoutError):
                data, peer = server.recvfrom(100)
                server.sendto(data, peer)
                count += 1
    return count


def _met(w: World, sport: int) -> dict[str, int]:
    """How many datagrams of a stranger get in by each of them."""
    return {
        name: _reaches(
            w.host,
            w.stranger,
            w.stranger6 if ":" in target else w.stranger4,
            sport + number,
            target,
            w.host6 if ":" in target else w.host4,
        )
        for number, (name, target) in enumerate(DIRECT.items())
    }


@pytest.mark.parametrize("closed", ["drop", "reject"])
@pytest.mark.parametrize("linger", ["true", "false"])
def test_a_door_is_shut_for_broadcast_multicast_and_anycast(closed: str, linger: str) -> None:
    with (
        world(backend=True) as w,
        daemon(w.host, VPN.format(closed=closed, linger=linger), guard=False, start=False) as d,
    ):
        assert _met(w, 40000) == dict.fromkeys(DIRECT, 2), "the host itself takes all of them"
        d.verb("guard")
        assert _met(w, 41000) == dict.fromkeys(DIRECT, 0)


@contextlib.contextmanager
def _far(w: World) -> Iterator[Namespace]:
    """Somebody behind the router that `stranger` is."""
    with namespace("far") as far:
        link(w.stranger, "far0", ["203.0.113.1/24", "2001:db8:c:1::1/64"], far, "eth0",
             ["203.0.113.9/24", "2001:db8:c:1::9/64"])  # fmt: skip
        far.ip("route add default via 203.0.113.1", "route add default via 2001:db8:c:1::1")
        w.stranger.sysctl(
            net__ipv4__ip_forward=1,
            net__ipv4__conf__all__bc_forwarding=1,
            net__ipv4__conf__far0__bc_forwarding=1,
            net__ipv6__conf__all__forwarding=1,
        )
        w.stranger.ip("route add 2001:db8:3::/64 via 2001:db8:1::1")
        yield far


@pytest.mark.parametrize("closed", ["drop", "reject"])
def test_a_door_is_shut_for_broadcast_and_anycast_through_a_router(closed: str) -> None:
    config = VPN.format(closed=closed, linger="true")
    with world(backend=True) as w, _far(w) as far, daemon(w.host, config, guard=False, start=False) as d:
        for guarded, sport in ((False, 40000), (True, 41000)):
            if guarded:
                d.verb("guard")
            for source, target, own in (
                ("203.0.113.9", "198.51.100.63", w.host4),
                ("2001:db8:c:1::9", "2001:db8:3::", w.host6),
            ):
                assert _reaches(w.host, far, source, sport, target, own) == (0 if guarded else 2), target


def test_a_door_is_shut_at_a_link_local_address_and_at_every_other_address_of_the_host() -> None:
    config = VPN.format(closed="drop", linger="true").replace("udp/51820", "tcp/22")
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config):
        links = w.host.run(["ip", "-6", "-o", "addr", "show", "dev", "eth0", "scope", "link"]).stdout
        local = links.split()[3].partition("/")[0]
        with w.stranger.enter(), socket.socket(socket.AF_INET6) as dial:
            where = socket.getaddrinfo(f"{local}%eth0", 22)[0][4]
            dial.settimeout(0.5)
            with pytest.raises(TimeoutError):
                dial.connect(where)
        for target in ("198.51.100.65", "2001:db8:2::1"):
            assert tcp_state(w.stranger, target, 22) == "filtered", target


def test_knocks_to_anything_but_the_hosts_own_addresses_do_not_count() -> None:
    config = VPN.format(closed="drop", linger="true").replace("tcp/4617", "udp/4617")
    with world(backend=True) as w, service(w.host, "udp/51820"), daemon(w.host, config) as d:
        for target in DIRECT.values():
            source = w.stranger6 if ":" in target else w.stranger4
            for port in (4617, 2953):
                _send(w.stranger, source, 40000, target, port)
                time.sleep(0.02)
        with sender(w.another) as send:
            send.knocks(w.another4, "198.51.100.65", ["udp/4617", "udp/2953"])
        d.wait_for("admitted", w.another4)
        assert [one["source"] for one in d.status()["admissions"]] == [w.another4]
        assert udp_state(w.another, "198.51.100.65", 51820) == "open"


FTP = """
table inet helpers {
  ct helper ftp { type "ftp" protocol tcp; l3proto inet; }
  chain set_helper { type filter hook prerouting priority filter; tcp dport 21 ct helper set "ftp"; }
}
"""


def test_an_expectation_that_a_helper_was_led_to_make_does_not_pass_a_door() -> None:
    """RFC 959: `227 Entering Passive Mode (h1,h2,h3,h4,p1,p2)` from the server makes the helper expect a
    connection of the client to that port: a server that echoes what a stranger wrote names the door's."""
    config = VPN.format(closed="drop", linger="true").replace("udp/51820", "tcp/8022")
    with world() as w, service(w.host, "tcp/8022"), service(w.host, "tcp/21"):
        w.host.nft(FTP)
        assert _expected(w), "without a door the expectation is made"
        with daemon(w.host, config):
            assert not _expected(w)
            assert _icmp_goes_on(w)


def _expected(w: World) -> bool:
    """Whether a connection to tcp/8022 is made that the helper was led to expect."""
    with w.stranger.enter():
        control = socket.create_connection((w.host4, 21), timeout=3)
    with control:
        assert control.recv(100) == b"portress lab\n"
        control.sendall(f"227 Entering Passive Mode ({w.host4.replace('.', ',')},31,86).\r\n".encode())
        assert control.recv(200).startswith(b"227")
        expected = w.host.run(["conntrack", "-L", "expect"]).stdout
        assert "dport=8022" in expected, expected
        return tcp_state(w.stranger, w.host4, 8022) == "open"


def _icmp_goes_on(w: World) -> bool:
    """An ICMP error about a connection of the host's own is not lost: it ends with `refused`."""
    until(lambda: udp_state(w.host, w.stranger4, 9001) == "closed")
    return udp_state(w.host, w.stranger6, 9001) == "closed"


# Services with a destination. The rules are hand-written after what container engines make: a published port
# is translated to the container's own address, which the host also passes packets on to by an on-link route.

CONTAINER = """
table inet containers {
  chain dial {
    type nat hook prerouting priority dstnat;
    fib daddr type local tcp dport 8443 dnat ip to 198.51.100.130:443
    fib daddr type local tcp dport 8443 dnat ip6 to [2001:db8:3::130]:443
  }
  chain forward {
    type filter hook forward priority filter; policy drop;
    ct state established,related accept
    ip daddr 198.51.100.130 iifname != "back0" oifname "back0" tcp dport 443 accept
    ip6 daddr 2001:db8:3::130 iifname != "back0" oifname "back0" tcp dport 443 accept
    iifname "back0" oifname != "back0" accept
  }
}
"""
ONE_TO_ONE = """
table ip translated {
  chain dial {
    type nat hook prerouting priority dstnat;
    ip daddr 198.51.100.61 dnat to 198.51.100.1
  }
}
"""
PUBLISHED = """
closed: {closed}
doors:
  wiki: {{services: [{services}], stay: 1h, linger: {linger}, fixed: {{knocks: [tcp/4617, udp/2953]}}}}
"""
SERVICES = 'tcp/8443, "tcp/443@198.51.100.130", "tcp/443@2001:db8:3::130"'


@pytest.mark.parametrize("closed", ["drop", "reject"])
@pytest.mark.parametrize("linger", ["true", "false"])
def test_a_containers_own_address_is_shut_where_a_service_names_it(closed: str, linger: str) -> None:
    shut = "filtered" if closed == "drop" else "closed"
    with world(backend=True) as w, service(w.backend or w.host, "tcp/443"):
        w.host.nft(CONTAINER)
        places = [(w.host4, 8443), (w.backend4, 443), (w.backend6, 443)]
        config = PUBLISHED.format(closed=closed, services="tcp/8443", linger=linger)
        with daemon(w.host, config):
            assert [tcp_state(w.stranger, *one) for one in places] == [shut, "open", "open"]
        with daemon(w.host, PUBLISHED.format(closed=closed, services=SERVICES, linger=linger)) as d:
            assert [tcp_state(w.stranger, *one) for one in places] == [shut] * 3
            d.verb("admit", w.stranger4, "wiki")
            assert [tcp_state(w.stranger, *one) for one in places] == ["open", "open", shut]
            assert tcp_state(w.another, *places[1]) == shut
            d.verb("dismiss", w.stranger4, "wiki")
            assert [tcp_state(w.stranger, *one) for one in places] == [shut] * 3


@pytest.mark.parametrize(
    ("services", "inside", "outside"),
    [
        ("tcp/22@198.51.100.60/31", ["198.51.100.61"], ["198.51.100.62"]),
        ("tcp/22@198.51.100.61", ["198.51.100.61"], ["198.51.100.62", "198.51.100.60"]),
        ("tcp/20-30@198.51.100.62/31", ["198.51.100.62"], ["198.51.100.61"]),
    ],
)
def test_translated_addresses_are_shut_by_prefix_and_their_neighbours_are_not(
    services: str, inside: list[str], outside: list[str]
) -> None:
    rules = ONE_TO_ONE.replace("ip daddr 198.51.100.61", "ip daddr 198.51.100.60/30")
    with world() as w, service(w.host, "tcp/22"):
        w.host.nft(rules)
        w.stranger.ip(*(f"route add {one} via {w.host4}" for one in (*inside, *outside)))
        with daemon(w.host, PUBLISHED.format(closed="drop", services=f'"{services}"', linger="true")) as d:
            assert {tcp_state(w.stranger, one, 22) for one in inside} == {"filtered"}
            assert {tcp_state(w.stranger, one, 22) for one in (*outside, w.host4)} == {"open"}
            d.verb("admit", w.stranger4, "wiki")
            assert {tcp_state(w.stranger, one, 22) for one in (*inside, *outside)} == {"open"}


@pytest.mark.parametrize("prefix", [56, 63, 64, 127])
def test_a_service_names_a_prefix_of_ipv6(prefix: int) -> None:
    """The backend has an address just inside and one just beyond a prefix, worked out with `ipaddress`."""
    network = ipaddress.ip_network(f"2001:db8:7::/{prefix}")
    near, far = network[-1], network[-1] + 1
    with world(backend=True) as w, service(w.backend or w.host, "tcp/443"):
        assert w.backend
        w.backend.own("lo", str(near), str(far))
        w.host.ip(*(f"route add {one}/128 via {w.backend6}" for one in (near, far)))
        config = PUBLISHED.format(closed="drop", services=f'"tcp/443@{network}"', linger="true")
        with daemon(w.host, config):
            assert tcp_state(w.stranger, str(near), 443) == "filtered"
            assert tcp_state(w.stranger, str(far), 443) == "open"


def test_a_session_with_a_destination_is_cut_with_its_admission() -> None:
    """One with the container's own address goes, one with another container's goes on."""
    with world(backend=True) as w:
        assert w.backend
        w.backend.ip("address add 198.51.100.131/26 dev eth0")
        config = PUBLISHED.format(closed="drop", services='"tcp/443@198.51.100.130"', linger="true")
        with service(w.backend, "tcp/443"), daemon(w.host, config) as d:
            d.verb("admit", w.stranger4, "wiki")
            with w.stranger.enter():
                one, other = (
                    socket.create_connection((to, 443), timeout=2) for to in (w.backend4, "198.51.100.131")
                )
            with one, other:
                for each in (one, other):
                    assert each.recv(100)
                d.verb("dismiss", w.stranger4, "wiki")
                for each in (one, other):
                    each.sendall(b"on")
                assert other.recv(100) == b"on"
                with pytest.raises(TimeoutError):
                    one.recv(100)


def test_the_doctor_finds_a_containers_own_address_and_says_what_to_write() -> None:
    with world(backend=True) as w:
        w.host.nft(CONTAINER)
        config = PUBLISHED.format(closed="drop", services="tcp/8443", linger="true")
        with kept(w.host, config) as d:
            found = [one for one in report(d)["findings"] if one["name"] == "passed-by"]
            assert [one["what"] for one in found] == [
                "tcp/443@198.51.100.130 passes the door by: this host passes packets on to it, by the route"
                " 198.51.100.128/26 dev back0",
                "tcp/443@2001:db8:3::130 passes the door by: this host passes packets on to it, by the route"
                " 2001:db8:3::/64 dev back0",
            ]
            line = f"write in doors.wiki:  services: [{SERVICES}]"
            assert {one["do"] for one in found} == {line}
        with kept(w.host, config.replace("tcp/8443", SERVICES)) as d:
            assert "passed-by" not in names(d)
        w.host.sysctl(net__ipv4__ip_forward=0, net__ipv6__conf__all__forwarding=0)
        with kept(w.host, config) as d:
            assert "passed-by" not in names(d)


@pytest.mark.parametrize(
    "rule",
    [
        "ip daddr 198.51.100.61 dnat to 198.51.100.1",
        "dnat to ip daddr map { 198.51.100.61 : 198.51.100.1 }",
        "ip daddr { 198.51.100.61, 198.51.100.1 } tcp dport 22 redirect",
    ],
)
def test_the_doctor_finds_an_address_that_is_translated_to_this_host(rule: str) -> None:
    config = PUBLISHED.format(closed="drop", services="tcp/22", linger="true")
    with world() as w, service(w.host, "tcp/22"):
        w.host.nft(ONE_TO_ONE.replace("ip daddr 198.51.100.61 dnat to 198.51.100.1", rule))
        w.stranger.ip(f"route add 198.51.100.61 via {w.host4}")
        with daemon(w.host, config) as d:
            assert tcp_state(w.stranger, "198.51.100.61", 22) == "open"
            (found,) = [one for one in report(d)["findings"] if one["name"] == "passed-by"]
            assert found["what"].startswith("tcp/22@198.51.100.61 passes the door by: a rule translates it")
            assert found["do"] == 'write in doors.wiki:  services: [tcp/22, "tcp/22@198.51.100.61"]'
            d.configure(config.replace("[tcp/22]", '[tcp/22, "tcp/22@198.51.100.61"]'))
            d.verb("guard")
            assert tcp_state(w.stranger, "198.51.100.61", 22) == "filtered"
            assert "passed-by" not in names(d)
