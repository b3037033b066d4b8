"""`closed: alike`: to a stranger a guarded port is one of the host's closed ports.

nmap (7.93 and later) is the judge: state, reason and the time to live of the answer, of a guarded port and
of the ports beside it, over TCP and UDP, IPv4 and IPv6, whatever firewall the host has.
"""

from __future__ import annotations

import contextlib
import re
import subprocess
from collections.abc import Iterator
from xml.etree import ElementTree

import pytest

from lab import daemon, sender, service, tcp_state, udp_state, world
from lab.capture import Capture, capture
from lab.packets import datagram, summed, tcp
from lab.portress import Daemon
from lab.probe import until
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
LAST = 29  # a closed port


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


@pytest.mark.parametrize("firewall", ["none", "invalid dropped, else reset", "by family", "by raw"])
def test_nmap_sees_no_difference_between_a_guarded_port_and_its_neighbours(firewall: str) -> None:
    """Nor by packets that are no first ones. With all the others: `scripts/test wide`."""
    scanned(firewall)


def scanned(firewall: str) -> None:
    """Scan a guarded host with that firewall in every way that nmap has."""
    with guarded(firewall=FIREWALLS[firewall]) as (w, d):
        for host in (w.host4, w.host6):
            found = met(w, host)
            assert set(found) == {"tcp", "udp"} and alike(found), (host, found, d.status()["closed"])
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


def answers(w: World, ns: str, host: str, ports: tuple[int, int], flags: int) -> dict[int, set[str]]:
    """What tcpdump says of the answers from each port, without ports and what is each connection's own."""
    with capture(w.stranger, f"tcp and src host {host}") as heard, sender(w.stranger) as send:
        for _ in range(3):  # repeated SYNs, too
            for port in ports:
                send.send(host, tcp(ns, host, port, 40000 + port, flags=flags, seq=7, ack=99))
        send.send(host, tcp(ns, host, LAST, 41000))
        until(lambda: re.search(rf"\.{LAST} > .*Flags \[R", printed(heard)))
        words = ["tcpdump", "-nnvSr", str(heard.stop())]
        text = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    text = text.replace("\n    ", " ")
    found: dict[int, set[str]] = {}
    for line in text.splitlines():
        where = re.search(r"[.](\d+) > \S+: (.*)", line)
        assert where is not None, line
        label = "labelled" if "flowlabel 0x" in line else "without label"  # 0 is not printed
        head = re.sub(r"flowlabel \w+, |^\S+ ", "", line.partition(host)[0])
        rest = re.sub(r"cksum \w+ \([^)]*\), ", "", where[2])
        found.setdefault(int(where[1]), set()).add(f"{label} {head} {rest}")
    del found[LAST]
    return found


@pytest.mark.parametrize("firewall", ["none", "tcp reset"])
def test_the_resets_themselves_are_the_same(firewall: str) -> None:
    """Header fields of RFC 791, 8200, 6437 and 9293, in answer to SYNs, ACKs, FINs and repeated ones."""
    with guarded(firewall=FIREWALLS[firewall]) as (w, _):
        for ns, host in ((w.stranger4, w.host4), (w.stranger6, w.host6)):
            for flags in (0x02, 0x10, 0x01, 0xC2):
                found = answers(w, ns, host, (22, 23), flags)
                assert set(found) == {22, 23} and found[22] == found[23] and len(found[22]) == 1, found


def test_it_follows_the_hosts_firewall_as_it_changes() -> None:
    with guarded() as (w, d):
        for firewall in ("drop", "none", "admin prohibited", "tcp reset", "by family", "none"):
            w.host.nft("table inet fw\ndelete table inet fw")
            w.host.nft(FIREWALLS[firewall].replace("; }", "\n}\n"))
            until(lambda: all(alike(met(w, host)) for host in (w.host4, w.host6)))
        assert not d.status()["guard"]["open"]
        assert "warning" not in d.verb("doctor", check=False).stdout.replace("warnings", "")
        loaded = w.host.run(["nft", "-s", "list", "chain", "inet", "portress", "closed"]).stdout
        assert "reject with tcp reset" in loaded


NAMED = f"{HEAD} drop; {KNOWN}; {OWN}; ip saddr 192.0.2.0/24 accept; }}; }}"
CANNOT = {
    "rules of other tables go by the source": NAMED,
    "cannot be read or foreseen": (
        f"{HEAD} drop; {KNOWN}; {OWN}; limit rate 5/second reject with icmpx port-unreachable; }}; }}"
    ),
    "closed ports beside the doors differ": (
        f"{HEAD} accept; {KNOWN}; tcp dport 23 drop; udp dport 51821 drop; }}; }}"
    ),
    "closed ports differ": (
        f"{HEAD} drop; {KNOWN}; tcp dport 1-1000 accept; udp dport 51000-52000 accept; }}; }}"
    ),
}


@pytest.mark.parametrize("why", CANNOT)
def test_where_it_cannot_be_told_there_is_no_answer_and_status_says_why(why: str) -> None:
    with guarded(firewall=CANNOT[why]) as (w, d):
        told = {(one["protocol"], one["family"]): one for one in d.status()["closed"]["answers"]}
        for protocol in ("tcp", "udp"):
            one = told[protocol, "ipv4"]
            assert one["answer"] == "silence" and why in one["unknown"], told
        assert why in " ".join(d.verb("status").stdout.split())
        assert met(w, w.host4)["tcp"][22][:2] == ("filtered", "no-response")


def test_a_source_that_is_always_let_in_does_not_make_it_unknown() -> None:
    with guarded(f"always: [192.0.2.0/24]\n{CONFIG}", NAMED) as (_, d):
        told = d.status()["closed"]
        assert {one["answer"] for one in told["answers"]} == {"silence"}
        assert {one["unknown"] for one in told["answers"]} == {None}, told


@pytest.mark.parametrize("kind", ["", "icmp-host-prohibited", "icmp-admin-prohibited", "tcp-reset"])
def test_what_iptables_rejects_with_is_read(kind: str) -> None:
    with guarded() as (w, d):
        for program, name in (("iptables", kind), ("ip6tables", kind.replace("icmp-host", "icmp6-adm"))):
            name = name.replace("icmp-admin", "icmp6-adm") if program == "ip6tables" else name
            words = [program, "-A", "INPUT", "-p", "tcp", "-m", "multiport", "!", "--dports", "22,80"]
            w.host.run([*words, "-j", "REJECT", *(["--reject-with", name] if name else [])])
        until(lambda: all(alike(met(w, host)) for host in (w.host4, w.host6)))
        assert {one["unknown"] for one in d.status()["closed"]["answers"]} == {None}


@pytest.mark.parametrize("firewall", ["none", "admin prohibited"])
def test_a_guard_loaded_without_a_daemon_answers_by_what_is_known_then(firewall: str) -> None:
    with (
        world() as w,
        service(w.host, "tcp/22"),
        service(w.host, "udp/51820"),
        daemon(w.host, CONFIG.replace("LINGER", ""), guard=False, start=False) as d,
    ):
        w.host.nft(FIREWALLS[firewall].replace("; }", "\n}\n"))
        w.host.run(["sysctl", "-qw", "net.ipv4.icmp_ratelimit=0"])
        d.verb("guard")
        assert alike(met(w, w.host4)), met(w, w.host4)
        loaded = w.host.run(["nft", "-s", "list", "table", "inet", "portress"]).stdout
        assert "reject" in loaded.partition("chain closed {")[2].partition("\n\t}")[0]
        assert "reject" in d.verb("rules").stdout


def test_a_host_without_an_address_keeps_silent() -> None:
    """As at boot, before the network is up."""
    with world() as w, daemon(w.host, CONFIG.replace("LINGER", ""), guard=False, start=False) as d:
        w.host.ip("addr flush dev eth0", "addr flush dev eth1")
        d.verb("guard")
        closed = w.host.run(["nft", "-s", "list", "chain", "inet", "portress", "closed"]).stdout
        assert "drop" in closed and "reject" not in closed


@pytest.mark.parametrize("linger", ["linger: true", "linger: false"])
def test_those_who_are_admitted_get_in_as_ever(linger: str) -> None:
    with guarded(CONFIG.replace("LINGER", linger)) as (w, d):
        for source, host in ((w.stranger4, w.host4), (w.stranger6, w.host6)):
            assert tcp_state(w.stranger, host, 22) == "closed" == udp_state(w.stranger, host, 51820)
            d.verb("admit", source, "ssh")
            d.verb("admit", source, "vpn")
            assert tcp_state(w.stranger, host, 22) == "open" == udp_state(w.stranger, host, 51820)


def bent(packet: bytes, at: int, value: int) -> bytes:
    """A byte of the TCP or UDP header is another."""
    at += 20 if packet[0] >> 4 == 4 else 40
    return packet[:at] + bytes([value]) + packet[at + 1 :]


def right(packet: bytes, src: str, dst: str) -> bytes:
    """With the checksum of TCP that it should have."""
    length = 20 if packet[0] >> 4 == 4 else 40
    bare = packet[length : length + 16] + b"\0\0" + packet[length + 18 :]
    return packet[:length] + summed(src, dst, 6, bare, 16)


@pytest.mark.parametrize("firewall", [pytest.param("none", marks=pytest.mark.wide), "tcp reset"])
def test_packets_that_nobody_sends_do_not_tell_them_apart(firewall: str) -> None:
    """Headers cut short or too long (RFC 9293, 3.1), wrong checksums, broadcast (RFC 1122, 4.2.3.10)."""
    with guarded(firewall=FIREWALLS[firewall]) as (w, _):
        for src, host in ((w.stranger4, w.host4), (w.stranger6, w.host6)):
            for words in (0, 3, 4, 5, 6, 7, 10, 15):
                heard = {
                    port: count(w, host, right(bent(tcp(src, host, port, 41000), 12, words << 4), src, host))
                    for port in (22, 23)
                }
                assert heard[22] == heard[23], (host, words, heard)
                assert words not in (5, 6) or heard[22] == 1, "what is whole is answered"
            for port, other in ((22, 23), (51820, 51821)):
                build = tcp if port == 22 else datagram
                at = 16 if port == 22 else 6
                wrong = [count(w, host, bent(build(src, host, one, 41000), at, 99)) for one in (port, other)]
                assert wrong == [0, 0], (host, port, wrong)
                none = [bent(bent(build(src, host, one, 41000), at, 0), at + 1, 0) for one in (port, other)]
                found = [count(w, host, one) for one in none]
                assert found[0] == found[1], (host, port, found)
        everybody = "198.51.100.63"
        for build, ports in ((tcp, (22, 23)), (datagram, (51820, 51821))):
            found = [count(w, everybody, build(w.stranger4, everybody, port, 41000)) for port in ports]
            assert found == [0, 0]


def count(w: World, to: str, packet: bytes) -> int:
    """How many answers come before that to a SYN, to a closed port of the host, that was sent after it."""
    src, host = (w.stranger4, w.host4) if packet[0] >> 4 == 4 else (w.stranger6, w.host6)
    with capture(w.stranger, "tcp or icmp or icmp6") as heard, sender(w.stranger) as send:
        send.send(to, packet)
        send.send(host, tcp(src, host, LAST, 41000))
        until(lambda: re.search(rf"\.{LAST} > .*Flags \[R", printed(heard)))
        answers = [line for line in heard.lines() if "Flags [R" in line or "unreachable" in line]
        return len(answers) - 1


def printed(heard: Capture) -> str:
    """What tcpdump says of what was captured so far: it may be writing the next packet."""
    words = ["tcpdump", "-nn", "-r", str(heard.path)]
    return subprocess.run(words, capture_output=True, text=True).stdout
