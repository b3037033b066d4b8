"""The stand-alone client as a ProxyCommand of a real ssh, at a real guard, over either address family."""

from __future__ import annotations

import os
import subprocess
import time
from pathlib import Path

import pytest

import client
from lab import Daemon, Namespace, Sshd, daemon, sshd, world
from portress.sequence.rotating import STEP

CONFIG = """\
closed: drop
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    rotating: {pool: 20000-49999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""
NAME = "myhost.example.org"


def keycard(d: Daemon, host: str) -> Path:
    path = d.folder / "ana.keycard"
    d.verb("enrol", "ana", "--door", "ssh", "--host", host, "--keycard", str(path))
    return path


def command(server: Sshd, card: Path, host: str, *remote: str, options: str = "") -> list[str]:
    relay = f"/usr/bin/python3 -I {client.CLIENT} {card} {options} --relay %h %p"
    words = server.command(host, *remote, wait=70)
    return [words[0], "-o", f"ProxyCommand={relay}", *words[1:]]


def login(
    ns: Namespace, server: Sshd, card: Path, host: str, options: str = ""
) -> subprocess.CompletedProcess[str]:
    return ns.run(command(server, card, host, "echo", "in", options=options), check=False, timeout=100)


@pytest.mark.parametrize("closed", ["drop", "reject"])
@pytest.mark.parametrize("family", [4, 6])
def test_ssh_comes_in_through_the_relay_whatever_closed_ports_do(closed: str, family: int) -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG.replace("drop", closed)) as d:
        host, source = (w.host4, w.stranger4) if family == 4 else (w.host6, w.stranger6)
        card = keycard(d, host)
        for _ in range(2):  # the second time the door is open already
            done = login(w.stranger, server, card, host)
            assert (done.returncode, done.stdout, done.stderr) == (0, "in\n", "")
        assert [one["source"] for one in d.status()["admissions"]] == [source]


def test_a_name_that_only_ssh_knows_leads_to_the_keycards_host() -> None:
    """As README.md has it: `Host myhost` and a ProxyCommand, and no third line."""
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG) as d:
        done = login(w.stranger, server, keycard(d, w.host4), "myhost")
        assert (done.returncode, done.stdout, done.stderr) == (0, "in\n", "")


def test_a_sequence_used_by_another_source_is_waited_out() -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG, start=False) as d:
        d.ahead = STEP - time.time() % STEP - 11  # a new step begins 11 s from now
        d.start()
        card = keycard(d, w.host4)
        assert login(w.stranger, server, card, w.host4, f"--offset {d.ahead}").stdout == "in\n"
        done = login(w.another, server, card, w.host4, f"--offset {d.ahead}")
        assert (done.returncode, done.stdout) == (0, "in\n")
        d.wait_for("refused at ssh", w.another4, "used before")
        assert {one["source"] for one in d.status()["admissions"]} == {w.stranger4, w.another4}


def test_a_family_that_leads_nowhere_costs_a_moment_and_no_login() -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG) as d:
        w.host.nft("""
            table ip6 silence {
              chain first {
                type filter hook prerouting priority -300
                icmpv6 type { nd-neighbor-solicit, nd-neighbor-advert } accept
                drop
              }
            }""")
        hosts = d.folder / "hosts"
        hosts.write_text(f"{w.host6} {NAME}\n{w.host4} {NAME}\n")
        mounted = f'mount --bind {hosts} /etc/hosts; exec "$@"'
        private = ["unshare", "--mount", "--propagation", "private", "sh", "-ec", mounted, "sh"]
        words = command(server, keycard(d, NAME), NAME, "echo", "in")
        done = w.stranger.run([*private, *words], check=False, timeout=100)
        assert (done.returncode, done.stdout, done.stderr) == (0, "in\n", "")
        assert [one["source"] for one in d.status()["admissions"]] == [w.stranger4]


def test_much_goes_both_ways_through_the_relay_unharmed() -> None:
    much = os.urandom(20_000_000)
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG) as d:
        sent, got = d.folder / "sent", d.folder / "got"
        sent.write_bytes(much)
        words = command(server, keycard(d, w.host4), w.host4, "cat")
        with sent.open("rb") as source, got.open("wb") as target:
            assert w.stranger.popen(words, stdin=source, stdout=target).wait(120) == 0
        assert got.read_bytes() == much
