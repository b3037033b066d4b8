"""Strangers' first packets to a door are refused before connection tracking has anything to do with them.

How far a packet comes is told by a counter of the kernel's own, in a table of the test's, after priority -300
and before connection tracking at -200 (include/uapi/linux/netfilter_ipv4.h, NF_IP_PRI_CONNTRACK).
"""

from __future__ import annotations

import json
import socket
import time

import pytest

from lab import daemon, sender, service, tcp_state, udp_state, world
from lab.packets import datagram, tcp
from lab.worlds import World

COUNTERS = """
table inet counting {
  counter syns { }
  counter datagrams { }
  chain between {
    type filter hook prerouting priority -250; policy accept;
    tcp dport { 22, 443, 8022 } counter name syns
    udp dport { 51820, 51821 } counter name datagrams
  }
}
"""
CONFIG = """
closed: {closed}
always: [198.51.100.70]
public: [tcp/80]
doors:
  ssh:
    services: [tcp/22, tcp/8022, "tcp/443@198.51.100.130", "tcp/443@2001:db8:3::130"]
    stay: 1h
    linger: {linger}
    fixed: {{knocks: [tcp/4617, udp/2953, tcp/6381]}}
  vpn:
    services: [udp/51820]
    stay: 1h
    linger: {linger}
    fixed: {{knocks: [tcp/4618, udp/2953, tcp/6381]}}
"""


def counted(w: World, name: str) -> int:
    told = json.loads(w.host.run(["nft", "-j", "list", "counter", "inet", "counting", name]).stdout)
    return int(next(one["counter"]["packets"] for one in told["nftables"] if "counter" in one))


@pytest.mark.parametrize("closed", ["drop", "reject"])
@pytest.mark.parametrize("linger", ["true", "false"])
def test_syns_to_a_door_never_come_to_connection_tracking(closed: str, linger: str) -> None:
    shut = "filtered" if closed == "drop" else "closed"
    with (
        world(backend=True) as w,
        service(w.host, "tcp/22"),
        service(w.backend or w.host, "tcp/443"),
        daemon(w.host, CONFIG.format(closed=closed, linger=linger)) as d,
    ):
        w.forward("tcp", 8022, 443)
        w.host.nft(COUNTERS)
        places = [(to, port) for to in (w.host4, w.host6) for port in (22, 8022)]
        places += [(w.backend4, 443), (w.backend6, 443)]
        for place in places:
            assert tcp_state(w.stranger, *place) == shut, place
        with sender(w.stranger) as send:
            for flags in (0x02, 0xC2, 0x0A):  # SYN, with ECE and CWR (RFC 3168), with PSH
                send.send(w.host4, tcp("203.0.113.9", w.host4, 22, flags=flags))
        assert counted(w, "syns") == 0
        for source in (w.stranger4, w.stranger6):
            d.verb("admit", source, "ssh")
        for place in places:
            assert tcp_state(w.stranger, *place) == "open", place
        assert counted(w, "syns") >= len(places)
        assert tcp_state(w.another, "198.51.100.65", 22) == "open", "it is in always"


@pytest.mark.parametrize("closed", ["drop", "reject"])
def test_datagrams_are_refused_early_where_every_one_needs_the_admission(closed: str) -> None:
    shut = "filtered" if closed == "drop" else "closed"
    for linger in ("true", "false"):
        with (
            world() as w,
            service(w.host, "udp/51820"),
            service(w.host, "udp/51821"),
            daemon(w.host, CONFIG.format(closed=closed, linger=linger)) as d,
        ):
            w.host.nft(COUNTERS)
            for host in (w.host4, w.host6):
                assert udp_state(w.stranger, host, 51820) == shut
            assert (counted(w, "datagrams") == 0) is (linger == "false")
            assert udp_state(w.stranger, w.host4, 51821) == "open", "no door is there"
            d.verb("admit", w.stranger4, "vpn")
            assert udp_state(w.stranger, w.host4, 51820) == "open"


def test_what_is_established_goes_on_when_its_admission_is_over() -> None:
    """Forwarded and translated, too: only a first packet needs the admission where sessions linger."""
    config = CONFIG.format(closed="drop", linger="true").replace("stay: 1h", "stay: 3s")
    with (
        world(backend=True) as w,
        service(w.host, "tcp/22"),
        service(w.backend or w.host, "tcp/443"),
        service(w.host, "udp/51820"),
        daemon(w.host, config) as d,
    ):
        w.forward("tcp", 8022, 443)
        for door in ("ssh", "vpn"):
            d.verb("admit", w.stranger4, door)
        with w.stranger.enter():
            streams = [
                socket.create_connection(place, timeout=3)
                for place in ((w.host4, 22), (w.host4, 8022), (w.backend4, 443))
            ]
            flow = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        flow.settimeout(2)
        flow.connect((w.host4, 51820))
        flow.send(b"1")
        assert flow.recv(10) == b"1"
        for stream in streams:
            assert stream.recv(100) == b"portress lab\n"
        d.wait_for("ssh ended: expired")
        d.wait_for("vpn ended: expired")
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        for stream in streams:
            stream.sendall(b"x" * 100_000)
            got = 0
            while got < 100_000:
                got += len(stream.recv(65536))
            stream.close()
        flow.send(b"2")
        assert flow.recv(10) == b"2"
        flow.close()


def test_a_destinations_door_goes_before_that_of_the_hosts_own_addresses_whatever_lingers() -> None:
    config = """
public: ["tcp/443@198.51.100.1"]
doors:
  own: {services: [tcp/443, udp/53], stay: 1h, linger: false, fixed: {knocks: [tcp/4617, udp/2953]}}
  there:
    services: ["tcp/443@198.51.100.130", "udp/53@198.51.100.65"]
    stay: 1h
    fixed: {knocks: [tcp/1, tcp/2]}
"""
    with (
        world(backend=True) as w,
        service(w.host, "tcp/443"),
        service(w.host, "udp/53"),
        service(w.backend or w.host, "tcp/443"),
        daemon(w.host, config) as d,
    ):
        assert tcp_state(w.stranger, w.host4, 443) == "open", "public there"
        assert tcp_state(w.stranger, w.host6, 443) == "filtered", "door own"
        assert tcp_state(w.stranger, w.backend4, 443) == "filtered", "door there"
        assert udp_state(w.another, "198.51.100.65", 53) == "filtered", "door there"
        d.verb("admit", w.stranger4, "own")
        assert tcp_state(w.stranger, w.backend4, 443) == "filtered"
        d.verb("admit", w.stranger4, "there")
        assert tcp_state(w.stranger, w.backend4, 443) == "open"
        d.verb("admit", w.another4, "own")
        assert udp_state(w.another, "198.51.100.65", 53) == "filtered"
        d.verb("admit", w.another4, "there")
        assert udp_state(w.another, "198.51.100.65", 53) == "open"


def test_a_syn_in_a_flood_leaves_nothing_behind_in_connection_tracking() -> None:
    with (
        world() as w,
        daemon(w.host, CONFIG.format(closed="reject", linger="false")),
        sender(w.stranger) as send,
    ):
        w.host.nft(COUNTERS)
        for number in range(500):
            source = f"203.0.113.{number % 250 + 1}"
            send.send(w.host4, tcp(source, w.host4, 22))
            send.send(w.host4, datagram(source, w.host4, 51820))
        time.sleep(0.2)
        assert (counted(w, "syns"), counted(w, "datagrams")) == (0, 0)
        assert w.host.run(["conntrack", "-L", "-s", "203.0.113.1"]).stdout == ""
