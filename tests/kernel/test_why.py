"""`portress why` and `portress status` asked by root, and by those who may talk to the daemon and no more."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from kernel.test_rotating import holders, sequence, settled
from lab import as_nobody, daemon, sender, world
from lab.capture import capture
from lab.portress import Daemon, portress

CONFIG = """\
misses: {limit: 9, within: 10m, shun: 30m}
doors:
  ssh:
    services: [tcp/22]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 1s}
"""
RIGHT = ("tcp/4617", "udp/2953", "tcp/6381")
PORTS = ("4617", "2953", "6381")


def told_to_nobody(d: Daemon, verb: str, *words: str) -> str:
    """What a verb prints to a user who can reach the control socket, but not read the configuration."""
    d.folder.chmod(0o755)
    d.socket.chmod(0o666)
    program = [str(Path(sys.prefix, "bin", "portress")), verb, *d.options, *words]
    done = subprocess.run(as_nobody(program), capture_output=True, text=True, timeout=30)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_root_is_told_what_was_expected_and_nobody_else_any_port() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        send.knocks(w.stranger4, w.host4, [*RIGHT[:2], "tcp/6382", "tcp/6381", *RIGHT[:1], *RIGHT[2:]], 0.05)
        send.knocks(w.stranger4, w.host4, RIGHT[:2], 0.05)
        time.sleep(2.3)
        send.knock(w.stranger4, w.host4, RIGHT[2])
        time.sleep(0.3)
        told = d.verb("why", w.stranger4).stdout
        assert "wrong after 2 of 3 knocks right (ssh); expected tcp/6381, got tcp/6382" in " ".join(
            told.split()
        )
        assert "expected udp/2953, got tcp/6381 (too early)" in " ".join(told.split())
        assert "pause (gap 1 s)" in " ".join(told.split())
        for words in ((w.stranger4,), (w.stranger4, "--json")):
            hidden = told_to_nobody(d, "why", *words)
            assert "2 of 3 knocks right" in hidden and "(gap 1 s)" in " ".join(hidden.split())
            assert not any(port in hidden for port in (*PORTS, "6382"))


def test_a_refused_configuration_is_quoted_to_root_alone() -> None:
    with world() as w, daemon(w.host, CONFIG) as d:
        d.configure(CONFIG.replace("udp/2953", "tcp/4617"))
        d.reload()
        d.wait_for("knocks")
        d.wait_for("not reloaded")
        assert any("4617" in event["text"] for event in d.status()["events"])
        for words in ((), ("--json",)):
            assert not any(port in told_to_nobody(d, "status", *words) for port in PORTS)
        assert "shown in full to root" in told_to_nobody(d, "status", "--json")


def test_of_a_source_that_nothing_was_heard_of_it_says_how_to_look() -> None:
    with world() as w, daemon(w.host, CONFIG) as d:
        told = " ".join(d.verb("why", w.another4).stdout.split())
        assert "not admitted" in told and "either no packet arrives, or its first knock is wrong" in told
        assert f"portress trace knocks.pcap --source {w.another4}" in told


BOTH = (
    CONFIG.replace("gap: 1s", "gap: 10s")
    + """\
  vpn:
    services: [udp/51820]
    rotating: {pool: 20000-49999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""
)


def test_of_an_admitted_source_with_a_wrong_clock_it_says_what_trace_says() -> None:
    """The knocks of ten minutes ago at another door: named as such, and the firewall is not blamed."""
    settled(12)
    with (
        world() as w,
        daemon(w.host, BOTH, keyholders=holders(["ana"])) as d,
        capture(w.host) as taken,
        sender(w.stranger) as send,
    ):
        send.knocks(w.stranger4, w.host4, RIGHT, 0.05)
        d.wait_for("admitted")
        send.knocks(w.stranger4, w.host4, sequence("ana", time.time(), -20), 0.05)
        time.sleep(0.5)
        told = " ".join(d.verb("why", w.stranger4).stdout.split())
        taken.stop()
        traced = " ".join(portress(w.host, "trace", *d.options, str(taken.path)).stdout.split())
        for words in (told, traced):
            assert "ana's sequence for vpn of " in words and "clock about 10m slow, or a replay" in words
        assert "Admitted to ssh" in told and "firewall" not in told


def test_after_an_unenrolment_and_a_restart_it_names_it() -> None:
    settled(12)
    with world() as w, daemon(w.host, BOTH, keyholders=holders(["ana"])) as d, sender(w.stranger) as send:
        send.knocks(w.stranger4, w.host4, sequence("ana", time.time()), 0.05)
        d.wait_for("admitted")
        d.verb("unenrol", "ana")
        for again in (False, True):
            if again:
                d.restart()
            told = " ".join(d.verb("why", w.stranger4).stdout.split())
            assert "Keyholder ana, who was admitted to vpn from there, was unenrolled" in told
