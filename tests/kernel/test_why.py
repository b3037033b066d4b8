"""`portress why` and `portress status` asked by root, and by those who may talk to the daemon and no more."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from lab import as_nobody, daemon, sender, world
from lab.portress import Daemon

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
        assert "root is told the rest" in told_to_nobody(d, "status", "--json")


def test_of_a_source_that_nothing_was_heard_of_it_says_how_to_look() -> None:
    with world() as w, daemon(w.host, CONFIG) as d:
        told = " ".join(d.verb("why", w.another4).stdout.split())
        assert (
            "shut out" in told and "either no packet of it arrives, or its first knock is a wrong one" in told
        )
        assert f"portress trace knocks.pcap --source {w.another4}" in told
