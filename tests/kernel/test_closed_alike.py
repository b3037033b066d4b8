"""`closed: alike`: to a stranger a guarded port is one of the host's closed ports.

nmap (7.93 and later) is the judge: state, reason and the time to live of the answer, of a guarded port and
of the ports beside it, over TCP and UDP, IPv4 and IPv6, whatever firewall the host has.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from xml.etree import ElementTree

import pytest

from lab import daemon, service, world
from lab.portress import Daemon
from lab.worlds import World

CONFIG = """
closed: alike
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}
  vpn:
    services: [udp/51820]
    stay: 1h
    LINGER
    fixed: {knocks: [tcp/4618, udp/2953, tcp/6381]}
"""
OWN = "tcp dport { 22, 80 } accept; udp dport 51820 accept"  # as the host's firewall has to allow the doors
KNOWN = "ct state established,related accept; iif lo accept; meta l4proto { icmp, ipv6-icmp } accept"
HEAD = "table inet fw { chain in { type filter hook input priority 0; policy"
FIREWALLS = {
    "none": "",
    "drop": f"{HEAD} drop; {KNOWN}; {OWN}; }}; }}",
    "drop with invalid": f"{HEAD} accept; {KNOWN}; ct state invalid drop; {OWN}; drop; }}; }}",
    "tcp reset": f"{HEAD} accept; {KNOWN}; {OWN}; meta l4proto tcp reject with tcp reset; reject; }}; }}",
    "invalid dropped, else reset": (
        f"{HEAD} accept; {KNOWN}; ct state invalid drop; {OWN};"
        " meta l4proto tcp reject with tcp reset; }; }"
    ),
    "port unreachable": f"{HEAD} accept; {KNOWN}; {OWN}; reject with icmpx port-unreachable; }}; }}",
    "admin prohibited": f"{HEAD} accept; {KNOWN}; {OWN}; reject with icmpx admin-prohibited; }}; }}",
    "host unreachable": f"{HEAD} accept; {KNOWN}; {OWN}; reject with icmpx host-unreachable; }}; }}",
    "by family": (
        f"{HEAD} accept; {KNOWN}; {OWN}; meta nfproto ipv4 reject with icmp net-prohibited;"
        " meta l4proto udp reject with icmpv6 no-route; meta l4proto tcp drop; }; }"
    ),
    "by raw": (
        "table inet fw { chain raw { type filter hook prerouting priority -300; policy accept;"
        f" {OWN}; udp dport 1000-65535 drop; tcp dport != {{ 4617, 6381 }} drop; }}; }}"
    ),
    "what goes out is filtered": (
        "table inet fw { chain out { type filter hook output priority 0; policy drop;"
        " ct state established,related accept; meta l4proto ipv6-icmp icmpv6 type nd-neighbor-solicit accept;"
        " meta l4proto ipv6-icmp icmpv6 type nd-neighbor-advert accept; }; }"
    ),
}
BESIDE = {"tcp": (20, 21, 22, 23, 24), "udp": (51818, 51819, 51820, 51821, 51822)}
DOORS = {"tcp": 22, "udp": 51820}


@contextlib.contextmanager
def guarded(config: str = CONFIG, firewall: str = "") -> Iterator[tuple[World, Daemon]]:
    with world() as w, service(w.host, "tcp/22"), service(w.host, "udp/51820"):
        for name in ("ipv4.icmp_ratelimit", "ipv6.icmp.ratelimit"):  # it is the same for all ports
            w.host.run(["sysctl", "-qw", f"net.{name}=0"])
        w.host.nft(firewall.replace("; }", "\n}\n"))
        with daemon(w.host, config.replace("LINGER", "")) as d:
            yield w, d


def met(w: World, host: str, *scan: str) -> dict[str, dict[int, tuple[str, str, str]]]:
    """What nmap finds: by protocol and port state, reason and time to live of the answer."""
    six = ["-6"] if ":" in host else []
    ports = ",".join(f"{name[0].upper()}:{','.join(map(str, BESIDE[name]))}" for name in BESIDE)
    words = ["nmap", *six, "-n", "-Pn", "-T5", "--max-retries", "1", "--reason", "-p", ports]
    printed = w.stranger.run([*words, *(scan or ("-sS", "-sU")), "-oX", "-", host], timeout=60).stdout
    found: dict[str, dict[int, tuple[str, str, str]]] = {}
    for port in ElementTree.fromstring(printed).iter("port"):
        state = port.find("state")
        assert state is not None
        answer = (state.get("state", ""), state.get("reason", ""), state.get("reason_ttl", ""))
        found.setdefault(port.get("protocol", ""), {})[int(port.get("portid", "0"))] = answer
    return found


def alike(found: dict[str, dict[int, tuple[str, str, str]]]) -> bool:
    return all(len(set(answers.values())) == 1 and DOORS[name] in answers for name, answers in found.items())


@pytest.mark.parametrize("firewall", FIREWALLS)
def test_nmap_sees_no_difference_between_a_guarded_port_and_its_neighbours(firewall: str) -> None:
    with guarded(firewall=FIREWALLS[firewall]) as (w, d):
        for host in (w.host4, w.host6):
            found = met(w, host)
            assert set(found) == {"tcp", "udp"} and alike(found), (host, found, d.status()["closed"])


@pytest.mark.parametrize("firewall", FIREWALLS)
def test_nor_by_packets_that_are_no_first_ones(firewall: str) -> None:
    with guarded(firewall=FIREWALLS[firewall]) as (w, d):
        for scan in ("-sA", "-sF", "-sN", "-sX", "-sM"):
            for host in (w.host4, w.host6):
                found = met(w, host, scan)
                assert set(found) == {"tcp"} and alike(found), (scan, host, found, d.status()["closed"])


def test_it_is_this_that_makes_them_alike() -> None:
    with guarded(CONFIG.replace("alike", "drop")) as (w, _):
        found = met(w, w.host4)
        assert found["tcp"][22][:2] == ("filtered", "no-response")
        assert found["tcp"][23][:2] == ("closed", "reset")
        assert not alike(found)
