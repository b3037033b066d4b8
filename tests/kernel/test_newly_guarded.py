"""A reload guards what was free: sessions go on, even where none may linger, and nobody new gets in."""

from __future__ import annotations

import contextlib
import json
import socket
import time
from collections.abc import Iterator

import pytest

from kernel.peer import Peer
from lab import World, daemon, owned, sender, service, tcp_state, udp_state, until, world
from lab.packets import tcp
from lab.portress import Daemon
from lab.probe import Answering
from portress import control

STREAM, DATAGRAM = socket.SOCK_STREAM, socket.SOCK_DGRAM
WEB = """\
decide: {decide}
closed: {closed}
doors:
  web:
    services: [tcp/8443]
    stay: 1h
    linger: false
    fixed: {{knocks: [tcp/4617, udp/2953, tcp/6381], gap: 5s}}
"""
MORE = """\
  more:
    services: [tcp/8080, udp/5000]
    stay: 2s
    linger: {linger}
    fixed: {{knocks: [tcp/4617, udp/2954, tcp/6381], gap: 5s}}
"""
WAYS = [(decide, closed) for decide in ("kernel", "daemon") for closed in ("drop", "reject")]


def _web(decide: str = "kernel", closed: str = "drop") -> str:
    return WEB.format(decide=decide, closed=closed)


def _more(decide: str = "kernel", closed: str = "drop", linger: str = "false") -> str:
    return _web(decide, closed) + MORE.format(linger=linger)


@contextlib.contextmanager
def _free(text: str) -> Iterator[tuple[World, Daemon, Answering, Answering]]:
    with (
        world() as w,
        service(w.host, "tcp/8080") as stream,
        service(w.host, "udp/5000") as datagrams,
        daemon(w.host, text) as d,
    ):
        yield w, d, stream, datagrams


def _reloaded(d: Daemon, text: str) -> None:
    begun = len(d.lines)
    d.configure(text)
    d.reload()
    d.wait_for("reloaded", since=begun)


def _peers(w: World) -> list[Peer]:
    """Flows of both kinds, over both address families."""
    peers = [
        Peer(w.stranger, kind, port, host=host)
        for host in (w.host4, w.host6)
        for kind, port in ((STREAM, 8080), (DATAGRAM, 5000))
    ]
    assert all(one.answers() for one in peers)
    return peers


def _shut(w: World, *, closed: str = "drop") -> None:
    """Nobody new gets in, from the sources of those sessions either."""
    seen = "closed" if closed == "reject" else "filtered"
    for host in (w.host4, w.host6):
        assert tcp_state(w.another, host, 8080) == seen
        assert tcp_state(w.stranger, host, 8080) == seen
        assert udp_state(w.stranger, host, 5000) == seen


@pytest.mark.parametrize(("decide", "closed"), WAYS)
def test_sessions_go_on_and_nobody_is_admitted(decide: str, closed: str) -> None:
    with _free(_web(decide, closed)) as (w, d, _, _):
        peers = _peers(w)
        _reloaded(d, _more(decide, closed))
        assert [one.answers() for one in peers] == [True] * 4
        _shut(w, closed=closed)
        assert d.status()["admissions"] == []
        assert [one.answers() for one in peers] == [True] * 4


@pytest.mark.parametrize("decide", ["kernel", "daemon"])
def test_they_go_on_whatever_becomes_of_the_guard_and_the_daemon(decide: str) -> None:
    with _free(_web(decide, "reject")) as (w, d, _, _):
        peers = _peers(w)
        _reloaded(d, _more(decide, "reject"))
        _reloaded(d, _more(decide, "reject").replace("stay: 2s", "stay: 3s"))
        assert [one.answers() for one in peers] == [True] * 4, "after another reload"
        _reloaded(d, _more(decide, "reject") + "source_prefix: {ipv4: 24, ipv6: 64}\n")
        assert [one.answers() for one in peers] == [True] * 4, "after a reload that counts other sources"
        d.restart()
        assert [one.answers() for one in peers] == [True] * 4, "after a restart"
        begun = len(d.lines)
        w.host.nft("flush ruleset\n")
        if not owned(w.host):
            d.wait_for("; restored", since=begun)
        assert [one.answers() for one in peers] == [True] * 4, "after a flush"
        d.terminate()
        assert [one.answers() for one in peers] == [True] * 4, "without a daemon"
        d.verb("guard")
        assert [one.answers() for one in peers] == [True] * 4, "the guard loaded anew"
        d.start()
        assert [one.answers() for one in peers] == [True] * 4, "with a daemon again"
        _shut(w, closed="reject")


def test_a_trial_without_a_daemon_that_ends_brings_them_back_too() -> None:
    with _free(_web()) as (w, d, _, _):
        peers = _peers(w)
        _reloaded(d, _more())
        d.terminate()
        before = _which(w)
        d.configure(_more().replace("stay: 2s", "stay: 3s"))
        d.verb("guard", "--trial", "8s")
        assert _which(w) != before
        until(lambda: _which(w) == before)
        assert [one.answers() for one in peers] == [True] * 4
        _shut(w)


def _which(w: World) -> str:
    """The guard that is loaded, by its comment."""
    listed = w.host.run(["nft", "list", "chain", "inet", "portress", "entry"]).stdout
    return next((line for line in listed.splitlines() if "comment" in line), "")


@pytest.mark.parametrize("decide", ["kernel", "daemon"])
@pytest.mark.parametrize("closed", ["drop", "reject"])
def test_a_session_that_ended_is_over_also_for_its_own_port(decide: str, closed: str) -> None:
    """Dialled again from the same port, by SYN, by a packet from within a connection, by a datagram."""
    with _free(_web(decide, closed)) as (w, d, stream, datagrams):
        w.host.sysctl(
            net__netfilter__nf_conntrack_udp_timeout=1, net__netfilter__nf_conntrack_udp_timeout_stream=1
        )
        talk, ask = Peer(w.stranger, STREAM, 8080), Peer(w.stranger, DATAGRAM, 5000)
        kept = Peer(w.stranger, STREAM, 8080)
        assert ask.answers() and ask.answers()
        _reloaded(d, _more(decide, closed))
        assert talk.answers() and ask.answers()
        stream.met.clear()
        datagrams.met.clear()
        sport = talk.sport
        talk.reset()
        time.sleep(2.5)  # longer than connection tracking remembers the datagrams, as set above
        assert not ask.answers() and not ask.answers()
        with pytest.raises(OSError):
            Peer(w.stranger, STREAM, 8080, sport=sport)
        with pytest.raises(OSError):
            Peer(w.stranger, STREAM, 8080, sport=sport)
        with sender(w.stranger) as send:
            for flags in (0x10, 0x18, 0x12, 0x29, 0x0A, 0x06, 0x03):  # ACK, PSH ACK, SYN ACK, and odd ones
                send.send(w.host4, tcp(w.stranger4, w.host4, sport, 8080, flags=flags, payload=b"in?"))
        time.sleep(0.3)
        assert stream.met == [] and datagrams.met == []
        assert kept.answers()


def test_the_same_ports_from_elsewhere_are_another_flow() -> None:
    with _free(_web()) as (w, d, stream, datagrams):
        talk, ask = Peer(w.stranger, STREAM, 8080), Peer(w.stranger, DATAGRAM, 5000)
        assert ask.answers()
        _reloaded(d, _more())
        stream.met.clear()
        datagrams.met.clear()
        with pytest.raises(OSError):
            Peer(w.another, STREAM, 8080, sport=talk.sport)
        assert not Peer(w.another, DATAGRAM, 5000, sport=ask.sport).answers()
        assert not Peer(w.stranger, DATAGRAM, 5000, host=w.host6, sport=ask.sport).answers()
        assert stream.met == [] and datagrams.met == []


def test_what_was_only_half_a_flow_does_not_begin_afterwards() -> None:
    """A datagram that nobody has answered yet is no session: an answer later on makes none of it."""
    with world() as w, daemon(w.host, _web()) as d:
        with w.host.enter():
            listening = socket.socket(socket.AF_INET, DATAGRAM)
        listening.bind((w.host4, 5000))
        listening.settimeout(0.7)
        with w.stranger.enter():
            half = socket.socket(socket.AF_INET, DATAGRAM)
        half.connect((w.host4, 5000))
        half.send(b"first")
        _, back = listening.recvfrom(100)
        _reloaded(d, _more())
        listening.sendto(b"late answer", back)
        half.send(b"second")
        with pytest.raises(TimeoutError):
            listening.recv(100)
        listening.close()
        half.close()


def test_what_the_host_itself_sends_later_does_not_bring_a_flow_of_datagrams_back() -> None:
    """Connection tracking then takes the host for the one who began, and the other side's for answers."""
    with world() as w, daemon(w.host, _web()) as d:
        with w.host.enter():
            server = socket.socket(socket.AF_INET, DATAGRAM)
        server.bind((w.host4, 5000))
        server.settimeout(0.7)
        with w.stranger.enter():
            client = socket.socket(socket.AF_INET, DATAGRAM)
        client.connect((w.host4, 5000))
        client.send(b"first")
        _, back = server.recvfrom(100)
        server.sendto(b"answer", back)
        _reloaded(d, _more())
        client.send(b"second")
        assert server.recv(100) == b"second"
        w.host.run(["conntrack", "--delete", "--proto", "udp", "--dport", "5000"])
        server.sendto(b"are you still there?", back)
        client.send(b"third")
        with pytest.raises(TimeoutError):
            server.recv(100)
        server.close()
        client.close()


@pytest.mark.parametrize("running", [True, False])
def test_dismissing_ends_them(running: bool) -> None:
    with _free(_web()) as (w, d, _, _):
        peers = _peers(w)
        _reloaded(d, _more())
        assert [one.answers() for one in peers] == [True] * 4
        if not running:
            d.terminate()
        d.verb("dismiss", w.stranger4, check=False)
        assert [one.answers() for one in peers] == [False, False, True, True]


def test_who_is_admitted_later_keeps_them_to_the_end_of_that_stay() -> None:
    with _free(_web()) as (w, d, _, _):
        talk, ask = Peer(w.stranger, STREAM, 8080), Peer(w.stranger, DATAGRAM, 5000)
        assert ask.answers()
        _reloaded(d, _more())
        d.verb("admit", w.stranger4, "more", "--for", "2s")
        assert talk.answers() and ask.answers()
        d.wait_for("admission to more ended")
        assert not talk.answers() and not ask.answers()


def test_sessions_under_way_before_there_was_any_guard_go_on_though_they_are_idle() -> None:
    """Nothing tracked connections when they began, and nothing has been sent since."""
    for linger in ("true", "false"):
        with (
            world() as w,
            service(w.host, "tcp/8080"),
            daemon(w.host, _web(), guard=False, start=False) as d,
        ):
            peers = [Peer(w.stranger, STREAM, 8080), Peer(w.another, STREAM, 8080, host=w.host6)]
            d.verb("guard")
            d.start()
            _reloaded(d, _more(linger=linger))
            assert [one.answers() for one in peers] == [True] * 2, linger
            assert tcp_state(w.stranger, w.host4, 8080) == "filtered"
            begun = len(d.lines)
            w.host.nft("flush ruleset\n")
            if not owned(w.host):
                d.wait_for("; restored", since=begun)
            assert [one.answers() for one in peers] == [True] * 2, f"after a flush, linger: {linger}"


@pytest.mark.parametrize("key", ["inside: [eth0]\n", f"always: [{World.stranger4}]\n"])
def test_sessions_go_on_when_an_interface_or_a_source_is_guarded_from_now_on(key: str) -> None:
    with _free(_more() + key) as (w, d, _, _):
        talk, ask = Peer(w.stranger, STREAM, 8080), Peer(w.stranger, DATAGRAM, 5000)
        assert ask.answers()
        _reloaded(d, _more())
        assert talk.answers() and ask.answers()
        assert tcp_state(w.stranger, w.host4, 8080) == "filtered"


def test_what_an_admission_let_in_does_not_outlive_it_by_a_reload() -> None:
    """Its door is as strict under another name, or only now: those sessions needed an admission all along."""
    for before, after in (
        (_more(), _more().replace("  more:", "  other:")),
        (_more(linger="true"), _more(linger="false")),
    ):
        with _free(before) as (w, d, _, _):
            d.verb("admit", w.stranger4, "more", "--for", "2s")
            talk = Peer(w.stranger, STREAM, 8080)
            time.sleep(2.5 if "linger: true" in before else 0)
            _reloaded(d, after)
            time.sleep(2.5)
            assert not talk.answers()


def test_forwarded_sessions_go_on() -> None:
    with world(backend=True) as w:
        assert w.backend is not None
        w.forward("tcp", 8080, 80)
        with service(w.backend, "tcp/80"), daemon(w.host, _web(closed="reject")) as d:
            talk = Peer(w.stranger, STREAM, 8080)
            _reloaded(d, _more(closed="reject"))
            assert talk.answers()
            assert tcp_state(w.stranger, w.host4, 8080) == "closed"
            d.verb("dismiss", w.stranger4, check=False)
            assert not talk.answers()


def test_whoever_loads_the_guard_is_told_that_they_go_on() -> None:
    with _free(_web()) as (w, d, _, _):
        talk = Peer(w.another, STREAM, 8080)
        d.configure(_more())
        told = d.verb("guard")
        assert f"Connected to guarded ports: {w.another4}. Their sessions continue" in told.stdout
        assert "cut off" not in told.stderr
        assert talk.answers()


def test_a_restart_with_a_new_door_cuts_no_session_either() -> None:
    """As the service does it: `--last-good` knows what was in force before."""
    with (
        world() as w,
        service(w.host, "tcp/8080"),
        service(w.host, "udp/5000"),
        daemon(w.host, _web(closed="reject"), words=["--last-good"]) as d,
    ):
        peers = _peers(w)
        d.terminate()
        d.configure(_more(closed="reject"))
        d.start("--last-good")
        assert [one.answers() for one in peers] == [True] * 4
        _shut(w, closed="reject")


NEEDED = """\
decide: {decide}
closed: drop
always: [{always}]
inside: [{inside}]
public: [tcp/80]
doors:
  web:
    services: [tcp/8443]
    stay: 1h
    fixed: {{knocks: [tcp/4617, udp/2953, tcp/6381], gap: 5s}}
  admin:
    services: [tcp/22]
    stay: 1h
    fixed: {{knocks: [tcp/4617, udp/2954, tcp/6381], gap: 5s}}
  vpn:
    services: [udp/5000]
    stay: 1h
    fixed: {{knocks: [tcp/4617, udp/2955, tcp/6381], gap: 5s}}
"""


def test_the_daemon_says_which_doors_a_connection_needs() -> None:
    with world() as w, daemon(w.host, NEEDED.format(decide="kernel", always="192.0.2.77", inside="")) as d:

        def needed(*ends: tuple[str, str, int]) -> list[list[str]]:
            return list(control.ask(d.socket, "needed", ends=[list(one) for one in ends])["needed"])

        for source, host in ((w.stranger4, w.host4), (w.stranger6, w.host6)):
            assert needed((source, host, 22), (source, host, 8443), (source, host, 5000)) == [
                ["admin"],
                ["web"],
                [],  # its door is for UDP
            ]
            assert needed((source, host, 80), (source, host, 8080)) == [[], []]
            assert needed((source, host, 0)) == [["web", "admin"]]  # the port is not known
        assert needed(("192.0.2.77", w.host4, 22), ("192.0.2.77", w.host4, 0)) == [[], []]
        assert needed((w.host4, w.host4, 22)) == [[]]  # by way of lo
        (route,) = json.loads(w.host.run(["ip", "-json", "route", "get", w.stranger4]).stdout)
        _reloaded(d, NEEDED.format(decide="kernel", always="192.0.2.77", inside=route["dev"]))
        assert needed((w.stranger4, w.host4, 22)) == [[]]
        _reloaded(d, NEEDED.format(decide="kernel", always="192.0.2.77", inside="elsewhere0"))
        assert needed((w.stranger4, w.host4, 22)) == [["admin"]]
        d.verb("unguard")
        assert needed((w.stranger4, w.host4, 22)) == [[]]
