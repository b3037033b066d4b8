"""The guard is thrown away by others: what came in meanwhile is cut; a file for their rules closes the gap.

Where the table has an owner (kernel 6.9, nftables 1.1) a flush does no harm: then that is what is tested.
"""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
import threading
import time
from collections.abc import Iterator

from kernel.peer import Peer
from lab import Namespace, World, capture, crowd, daemon, owned, sender, service, tcp_state, until, world
from lab.portress import Daemon
from lab.space import halt
from portress.run import root_files

CONFIG = """\
doors:
  web:
    services: [tcp/8080, udp/5000]
    stay: {stay}
    linger: true
    fixed: {{knocks: [tcp/4617, udp/2953, tcp/6381], gap: 5s}}
"""
# Another's rules that want connection tracking: it goes on when the guard is gone.
TRACKS = """flush ruleset
table inet other { chain input { type filter hook input priority 0; ct state new accept; }; }
"""


def _peers(w: World) -> tuple[Peer, Peer]:
    return Peer(w.stranger, socket.SOCK_STREAM, 8080), Peer(w.stranger, socket.SOCK_DGRAM, 5000)


@contextlib.contextmanager
def _away(d: Daemon, text: str = "flush ruleset\n") -> Iterator[None]:
    """Somebody flushes the ruleset while the daemon is busy with something else; afterwards it is not."""
    halt(d.pid)
    try:
        d.ns.nft(text)
        yield
    finally:
        os.kill(d.pid, signal.SIGCONT)


@contextlib.contextmanager
def _guarded() -> Iterator[tuple[World, Daemon]]:
    with (
        world() as w,
        service(w.host, "tcp/8080"),
        service(w.host, "udp/5000"),
        daemon(w.host, CONFIG.format(stay="1h")) as d,
    ):
        yield w, d


def _meanwhile_cut(text: str, *, count: str) -> None:
    """Flows of a stranger that begin in the gap, and one that lingers from before."""
    with _guarded() as (w, d):
        d.verb("admit", w.another4, "web", "--for", "1s")
        lingering = Peer(w.another, socket.SOCK_STREAM, 8080)
        time.sleep(2.5)
        assert tcp_state(w.another, w.host4, 8080) == "filtered"
        if owned(w.host):
            w.host.nft(text)
            assert tcp_state(w.another, w.host4, 8080) == "filtered" and lingering.answers()
            return
        begun = len(d.lines)
        with _away(d, text):
            tcp, udp = (
                Peer(w.stranger, socket.SOCK_STREAM, 8080),
                Peer(w.stranger, socket.SOCK_DGRAM, 5000),
            )
            assert tcp.answers() and udp.answers()
        told = d.wait_for("; restored", since=begun)
        assert count in told, told
        assert not udp.answers() and not tcp.answers()
        assert lingering.answers()
        d.verb("admit", w.stranger4, "web")
        assert udp.answers()


def test_what_a_stranger_began_during_a_flush_is_cut_and_what_lingers_goes_on() -> None:
    _meanwhile_cut("flush ruleset\n", count="1 flow of strangers from meanwhile cut")


def test_the_same_where_others_rules_go_on_tracking_connections() -> None:
    _meanwhile_cut(TRACKS, count="2 flows of strangers from meanwhile cut")


def test_who_is_admitted_keeps_what_began_during_a_flush() -> None:
    with _guarded() as (w, d):
        d.verb("admit", w.stranger4, "web")
        begun = len(d.lines)
        with _away(d, TRACKS):
            tcp, udp = (
                Peer(w.stranger, socket.SOCK_STREAM, 8080),
                Peer(w.stranger, socket.SOCK_DGRAM, 5000),
            )
            assert tcp.answers() and udp.answers()
        if not owned(w.host):
            assert "; 0 flows of strangers" in d.wait_for("; restored", since=begun)
        assert tcp.answers() and udp.answers()


def test_flows_that_only_pass_through_the_host_are_nobodys_business() -> None:
    with world(backend=True) as w, service(w.backend, "tcp/8080"):
        assert w.backend is not None
        w.stranger.ip(f"route add {w.backend4}/32 via {w.host4}")
        with daemon(w.host, CONFIG.format(stay="1h")) as d:
            begun = len(d.lines)
            with _away(d, TRACKS), w.stranger.enter():
                passing = socket.create_connection((w.backend4, 8080), 3)
            passing.settimeout(3)
            passing.recv(100)
            if not owned(w.host):
                assert "; 0 flows of strangers" in d.wait_for("; restored", since=begun)
            passing.send(b"still here")
            assert passing.recv(100) == b"still here"


@contextlib.contextmanager
def _dialling(w: World) -> Iterator[list[int]]:
    """Up to 2,000 SYNs a second from a crowd, and as many datagrams from one port, of strangers."""
    stop, sent = threading.Event(), [0, 0]
    sources = crowd(512)

    def syns() -> None:
        with sender(w.stranger) as send:
            while not stop.is_set():
                send.syn(sources[sent[0] % 512], w.host4, 8080)
                sent[0] += 1
                time.sleep(0.0005)

    def datagrams() -> None:
        with sender(w.stranger) as send:
            while not stop.is_set():
                send.udp("198.51.100.9", w.host4, 5000, sport=40000, payload=b"in?")
                sent[1] += 1
                time.sleep(0.0005)

    threads = [threading.Thread(target=one, daemon=True) for one in (syns, datagrams)]
    for one in threads:
        one.start()
    try:
        yield sent
    finally:
        stop.set()
        for one in threads:
            one.join(10)


def test_reloads_with_the_guards_file_let_nobody_in_and_bring_admissions_back() -> None:
    """A hundred of them: scripts/test wide."""
    reloads(25)


def reloads(times: int) -> None:
    """So many reloads of other people's rules, beside strangers that dial all the time."""
    with world() as w, service(w.host, "udp/5000") as echo, daemon(w.host, CONFIG.format(stay="1h")) as d:
        d.verb("admit", w.another4, "web")
        d.verb("admit", "2001:db8:2::7", "web")
        w.stranger.ip("address add 198.51.100.9/26 dev eth0")
        others = d.folder / "nftables.conf"
        place = root_files.directory(d.socket)
        others.write_text(
            "flush ruleset\ntable inet other { chain input { type filter hook input priority 0; }; }\n"
            f'include "{place}/*.nft"\n'
        )
        assert (place / "guard.nft").exists() is not owned(w.host)
        expression = f"src host {w.host4} and (tcp src port 8080 or udp src port 5000)"
        with capture(w.stranger, expression) as taken:
            with _dialling(w) as sent:
                for _ in range(times):
                    w.host.run(["nft", "-f", str(others)])
                    until(lambda: _admitted(w.host), 20)  # how long it takes scripts/bench says
            answers = taken.lines()
        assert sent[0] > 10 * times and sent[1] > 5 * times
        assert answers == []
        assert "198.51.100.9" not in echo.met
        assert tcp_state(w.another, w.host4, 8080) == "closed"


def _admitted(host: Namespace) -> bool:
    def listed(name: str) -> str:
        return host.run(["nft", "list", "set", "inet", "portress", name], check=False).stdout

    return World.another4 in listed("web_4") and "2001:db8:2::7" in listed("web_6")


def test_the_file_holds_no_admission_and_nothing_that_rotates_and_is_roots_alone() -> None:
    rotating = CONFIG.format(stay="1h") + (
        "  vpn:\n    services: [udp/51820]\n    stay: 1h\n"
        "    rotating: {pool: 20000-29999, protocols: [tcp, udp], length: 4, gap: 10s}\n"
    )
    holder = f"- {{name: ana, doors: [vpn], secret: {'A' * 32}, style: derived}}\n"
    with world() as w, daemon(w.host, rotating, keyholders=holder) as d:
        d.verb("admit", w.another4, "web")
        d.verb("guard")
        place = root_files.directory(d.socket)
        if owned(w.host):
            assert not (place / "guard.nft").exists()
            return
        assert (place.stat().st_mode & 0o777, place.stat().st_uid) == (0o700, 0)
        text = (place / "guard.nft").read_text()
        assert w.another4 not in text and "4617" in text
        opening = w.host.run(["nft", "list", "table", "inet", "portress"]).stdout
        rotates = {f"udp . {n}" for n in range(20000, 30000)} | {f"tcp . {n}" for n in range(20000, 30000)}
        assert any(one in opening for one in rotates)  # the kernel's guard does hold some
        assert not any(one in text for one in rotates)


def test_the_file_is_there_exactly_while_the_guard_is_meant_to_stay() -> None:
    with world() as w, daemon(w.host, CONFIG.format(stay="1h"), guard=False, start=False) as d:
        file = root_files.directory(d.socket) / "guard.nft"
        kept = not owned(w.host)
        steps = (
            (("guard",), kept),
            (("guard", "--trial", "60s"), False),
            (("guard", "--keep"), kept),
            (("unguard",), False),
            (("guard", "--trial", "2s"), False),
        )
        for words, there in steps:
            d.verb(*words)
            assert file.exists() is there, words
        until(lambda: not w.host.run(["nft", "list", "tables"]).stdout, 20)
        assert not file.exists()
        d.verb("guard")
        d.configure(CONFIG.format(stay="2h"))
        d.verb("guard", "--trial", "6s")
        assert not file.exists()
        until(lambda: file.exists() is kept, 20)


def test_a_second_trial_that_ends_brings_the_file_back_too() -> None:
    with world() as w, daemon(w.host, CONFIG.format(stay="1h")) as d:
        file = root_files.directory(d.socket) / "guard.nft"
        kept = not owned(w.host)
        d.verb("guard")
        before = file.read_text() if kept else ""
        d.configure(CONFIG.format(stay="2h"))
        d.verb("guard", "--trial", "60s")
        d.verb("guard", "--trial", "6s")
        assert not file.exists()
        until(lambda: file.exists() is kept, 20)
        assert not kept or file.read_text() == before


def _flushed_without_a_daemon(text: str, *, count: str) -> None:
    with _guarded() as (w, d):
        d.verb("guard", "--service", "load")
        d.verb("admit", w.another4, "web", "--for", "1s")
        lingering = Peer(w.another, socket.SOCK_STREAM, 8080)
        time.sleep(2.5)  # the daemon notes every second that the guard is there: what began since is cut
        d.kill()
        w.host.nft(text)
        tcp, udp = Peer(w.stranger, socket.SOCK_STREAM, 8080), Peer(w.stranger, socket.SOCK_DGRAM, 5000)
        assert tcp.answers() and udp.answers()
        told = d.verb("guard", "--service", "load").stdout
        assert re.search(f"The guard was gone; {count} of strangers from meanwhile cut.", told), told
        assert not udp.answers() and not tcp.answers()
        assert lingering.answers()


def test_what_began_during_a_flush_while_no_daemon_ran_is_cut_by_roots_part() -> None:
    _flushed_without_a_daemon(TRACKS, count="2 flows")


def test_the_same_without_a_daemon_and_without_connection_tracking() -> None:
    # The kernel lets go of flushed rules a moment later: until then connection tracking may see the datagram.
    _flushed_without_a_daemon("flush ruleset\n", count="(1 flow|2 flows)")


def test_what_began_after_unguard_goes_on_when_the_guard_is_loaded_again() -> None:
    with _guarded() as (w, d):
        d.verb("guard", "--service", "load")
        d.kill()
        d.verb("unguard")
        w.host.nft(TRACKS)
        tcp = Peer(w.stranger, socket.SOCK_STREAM, 8080)
        assert "The guard was gone" not in d.verb("guard", "--service", "load").stdout
        assert tcp.answers()
