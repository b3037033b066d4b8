"""Who is taken for whom: prefixes with their neighbours, the dismissed, callers that send something else.

Which addresses are in a prefix is worked out with Python's `ipaddress`.
"""

from __future__ import annotations

import ipaddress
import json
import socket
import time
from typing import Any

import pytest

from lab import Daemon, daemon, sender, service, tcp_state, until, world
from lab.packets import TCP, _ip, checksum
from lab.probe import echoes
from lab.worlds import World

RIGHT = ["tcp/4617", "udp/2953", "tcp/6381"]
CONFIG = """
{top}
doors:
  ssh:
    services: [tcp/22, udp/51820]
    stay: 1h
    fixed: {{knocks: [tcp/4617, udp/2953, tcp/6381], gap: 20s}}
"""
RESTORE = "restore: true\n"


def config(top: str = "") -> str:
    return CONFIG.format(top=top)


def endings(d: Daemon) -> list[str]:
    """Of all admissions in the ledger, which is written a moment after an admission ends."""
    told = json.loads(d.verb("history", "--json").stdout)["admissions"]
    return sorted(one["ending"] or "" for one in told)


@pytest.mark.parametrize("running", [True, False])
@pytest.mark.parametrize(
    ("width", "prefix"),
    [
        # A /20 is wider than any network for examples: 198.18.0.0/15 is for tests (RFC 2544).
        ("{ipv4: 20, ipv6: 64}", "198.18.16.0/20"),
        ("{ipv4: 27, ipv6: 64}", "203.0.113.32/27"),
        ("{ipv4: 32, ipv6: 56}", "2001:db8:c:100::/56"),
        ("{ipv4: 32, ipv6: 63}", "2001:db8:c:2::/63"),
        ("{ipv4: 32, ipv6: 49}", "2001:db8:c::/49"),
    ],
)
def test_a_prefix_is_one_source_and_its_neighbours_are_not(width: str, prefix: str, running: bool) -> None:
    """Each knock comes from another address of it, and a further one dials the door: over IPv6, too."""
    network = ipaddress.ip_network(prefix)
    inside = [network[1], network[network.num_addresses // 2], network[-2], network[-1]]
    outside = [network[0] - 1, network[-1] + 1]
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config(f"source_prefix: {width}")) as d:
        own = (w.host4, w.stranger4) if network.version == 4 else (w.host6, w.stranger6)
        w.stranger.own("lo", *map(str, (*inside, *outside)))
        w.host.ip(*(f"route replace {one} via {own[1]}" for one in (*inside, *outside)))
        if running:
            with sender(w.stranger) as send:
                for one, text in zip(inside, RIGHT, strict=False):
                    send.knock(str(one), own[0], text)
            d.wait_for(f"{prefix} admitted")
        else:
            d.terminate()
            d.verb("admit", str(inside[0]), "ssh")
        states = {str(one): tcp_state(w.stranger, own[0], 22, source=str(one)) for one in (*inside, *outside)}
        assert states == {**{str(one): "open" for one in inside}, **{str(one): "filtered" for one in outside}}


def test_dismissing_who_is_in_always_changes_nothing_for_it() -> None:
    top = "always: [198.51.100.64/26, '2001:db8:2::/64']\nsource_prefix: {ipv4: 32, ipv6: 128}"
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config(top)) as d:
        for source, host in ((w.another4, w.host4), (w.another6, w.host6)):
            d.verb("admit", source, "ssh")
            d.verb("admit", "203.0.113.9", "ssh")
            d.verb("dismiss", source)
            assert tcp_state(w.another, host, 22) == "open"
            with w.another.enter(), socket.create_connection((host, 22), timeout=3) as session:
                assert session.recv(100) == b"portress lab\n"
                session.sendall(b"on")
                assert session.recv(100) == b"on"


@pytest.mark.parametrize("running", [True, False])
@pytest.mark.parametrize(("before", "after"), [("32", "24"), ("32", "27")])
def test_who_was_dismissed_stays_so_when_more_addresses_count_as_one(
    before: str, after: str, running: bool
) -> None:
    """A flow that the host itself keeps alive does not let the dismissed go on."""
    top = "source_prefix: {{ipv4: {}, ipv6: 64}}"
    with world() as w, daemon(w.host, config(top.format(before))) as d:
        d.verb("admit", w.stranger4, "ssh")
        with w.host.enter():
            server = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with w.stranger.enter():
            client = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with server, client:
            server.bind((w.host4, 51820))
            client.bind((w.stranger4, 40000))
            assert _gets_in(w, server, client)
            d.verb("dismiss", w.stranger4)
            assert not _gets_in(w, server, client)
            d.configure(config(top.format(after)))
            if running:
                d.reload()
                d.wait_for("reloaded")
            else:
                d.terminate()
                d.verb("guard")
            assert not _gets_in(w, server, client)
            d.verb("admit", w.stranger4, "ssh")
            assert _gets_in(w, server, client)


def _gets_in(w: World, server: socket.socket, client: socket.socket) -> bool:
    """Whether a datagram of the client gets in while the host sends to it, too."""
    server.settimeout(0.5)
    for _ in range(2):
        server.sendto(b"host", (w.stranger4, 40000))
        client.sendto(b"client", (w.host4, 51820))
        try:
            server.recv(100)
        except TimeoutError:
            return False
    return True


@pytest.mark.parametrize("family", [4, 6])
def test_icmp_of_a_caller_does_not_keep_its_state_alive(family: int) -> None:
    """Neither in the kernel nor for the tracker: only a knock renews it."""
    with world() as w, daemon(w.host, config("source_prefix: {ipv4: 32, ipv6: 128}")) as d:
        source, host = (w.stranger4, w.host4) if family == 4 else (w.stranger6, w.host6)
        with sender(w.stranger) as send:
            send.knock(source, host, "tcp/4617")
            _wait_for_caller(d, source)
            time.sleep(2.2)
            before = _left(w, source)
            assert echoes(w.stranger, host)
            after = _left(w, source)
            assert before and {name: left for name, left in after.items() if left > before[name]} == {}
            send.knock(source, host, "udp/2953")
            time.sleep(0.2)
            assert {name for name, left in _left(w, source).items() if left > before.get(name, 0) + 1}, (
                "a knock does"
            )


def _wait_for_caller(d: Daemon, source: str) -> None:
    end = time.monotonic() + 10
    while not any(source in line for line in d.verb("why", source).stdout.splitlines()):
        assert time.monotonic() < end
    time.sleep(0.2)


def _left(w: World, source: str) -> dict[str, int]:
    """In which of the guard's sets and maps the source is, and the seconds that it has left there."""
    words = ["nft", "-j", "list", "table", "inet", "portress"]
    listed: list[Any] = json.loads(w.host.run(words).stdout)["nftables"]
    found = {}
    for one in listed:
        body = one.get("set") or one.get("map") or {}
        for element in body.get("elem", ()):
            inner = element[0] if isinstance(element, list) else element
            if isinstance(inner, dict) and inner.get("elem", {}).get("val") == source:
                found[body["name"]] = int(inner["elem"]["expires"])
    return found


@pytest.mark.parametrize("words", [0, 4, 7, 15])
@pytest.mark.parametrize("family", [4, 6])
def test_a_syn_whose_data_offset_is_out_of_range_is_no_knock(words: int, family: int) -> None:
    """RFC 9293, 3.1: at least five words of 32 bits, and not beyond the segment (here 24 bytes)."""
    with world() as w, daemon(w.host, config("source_prefix: {ipv4: 32, ipv6: 128}")) as d:
        source, host = (w.stranger4, w.host4) if family == 4 else (w.stranger6, w.host6)
        with sender(w.stranger) as send:
            send.send(host, _syn(source, host, 4617, words))
            send.knocks(source, host, RIGHT[1:])
            time.sleep(0.3)
            assert "admitted" not in d.log
            send.send(host, _syn(source, host, 4617, 6))
            send.knocks(source, host, RIGHT[1:])
            d.wait_for("admitted", source)


def _syn(src: str, dst: str, port: int, words: int) -> bytes:
    """A SYN of 24 bytes whose header says that it has so many words, with the right checksum."""
    segment = port.to_bytes(2, "big") * 2 + bytes(3) + b"\x01" + bytes(4) + bytes((words << 4, 2, 0xFA, 0xF0))
    segment += bytes(4) + b"\x02\x04\x05\xb4"
    ends = b"".join(ipaddress.ip_address(one).packed for one in (src, dst))
    total = checksum(ends + len(segment).to_bytes(4, "big") + TCP.to_bytes(4, "big") + segment)
    return _ip(src, dst, TCP, segment[:16] + total.to_bytes(2, "big") + segment[18:])


@pytest.mark.parametrize("guarded", [True, False])
def test_a_daemon_that_starts_with_a_wider_prefix_knows_who_was_let_in(guarded: bool) -> None:
    """Whether the guard stood meanwhile, or has to be loaded again: also for `dismiss`."""
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config(RESTORE)) as d:
        another = str(ipaddress.ip_address(w.stranger4) + 1)
        with sender(w.stranger) as send:
            send.knocks(w.stranger4, w.host4, RIGHT)
            d.wait_for(f"{w.stranger4} admitted to ssh")
            send.knocks(another, w.host4, RIGHT)
            d.wait_for(f"{another} admitted to ssh")
        d.terminate()
        if not guarded:
            w.host.nft("delete table inet portress")
        d.configure(config(f"{RESTORE}source_prefix: {{ipv4: 24, ipv6: 64}}"))
        d.start()
        (one,) = d.status()["admissions"]
        wide = ipaddress.ip_network(f"{w.stranger4}/24", strict=False)
        assert (one["source"], one["how"]) == (str(wide), "knock" if guarded else "restored")
        assert tcp_state(w.stranger, w.host4, 22) == "open"
        until(lambda: endings(d) == ["", "source_prefix changed"])
        d.verb("dismiss", another)
        assert d.status()["admissions"] == []
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"


@pytest.mark.parametrize("guarded", [True, False])
def test_a_daemon_that_starts_with_a_narrower_prefix_lets_nobody_in_by_the_wider_one(guarded: bool) -> None:
    wide = config(f"{RESTORE}source_prefix: {{ipv4: 24, ipv6: 64}}")
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, wide) as d:
        first = ipaddress.ip_network(f"{w.stranger4}/24", strict=False)[0]
        with sender(w.stranger) as send:
            send.knocks(w.stranger4, w.host4, RIGHT)
        d.wait_for("admitted to ssh")
        d.terminate()
        if not guarded:
            w.host.nft("delete table inet portress")
        d.configure(config(RESTORE))
        d.start()
        assert d.status()["admissions"] == []
        listed = w.host.run(["nft", "list", "set", "inet", "portress", "ssh_4"]).stdout
        assert f"{first} " not in listed and "timeout" not in listed.partition("elements")[2]
        until(lambda: endings(d) == ["source_prefix changed"])
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
