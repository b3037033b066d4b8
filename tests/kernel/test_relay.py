"""The stand-alone client as a ProxyCommand of a real ssh, at a real guard, over either address family."""

from __future__ import annotations

import os
import re
import subprocess
import time
from pathlib import Path

import pytest

import client
from lab import Daemon, Namespace, Sshd, World, capture, daemon, sshd, until, world
from portress.clock import STEP

CONFIG = """\
closed: drop
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    rotating: {pool: 20000-49999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""
NAME = "myhost.example.org"


def keycard(d: Daemon, host: str, name: str = "ana") -> Path:
    path = d.folder / f"{name}.keycard"
    d.verb("enrol", name, "--door", "ssh", "--host", host, "--keycard", str(path))
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


def named(w: World, d: Daemon) -> list[str]:
    """What runs a program with NAME leading to both addresses of the host, and a home of its own."""
    hosts = d.folder / "hosts"
    hosts.write_text(f"{w.host6} {NAME}\n{w.host4} {NAME}\n")
    mounted = f'mount --bind {hosts} /etc/hosts; export XDG_STATE_HOME={d.folder}; exec "$@"'
    return ["unshare", "--mount", "--propagation", "private", "sh", "-ec", mounted, "sh"]


def test_a_family_that_leads_nowhere_costs_a_moment_and_no_login() -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG) as d:
        w.host.nft("""
            table ip6 silence {
              counter dropped { }
              chain first {
                type filter hook prerouting priority -300
                icmpv6 type { nd-neighbor-solicit, nd-neighbor-advert } accept
                counter name dropped drop
              }
            }""")
        words = command(server, keycard(d, NAME), NAME, "echo", "in")
        done = w.stranger.run([*named(w, d), *words], check=False, timeout=100)
        assert (done.returncode, done.stdout, done.stderr) == (0, "in\n", "")
        assert [one["source"] for one in d.status()["admissions"]] == [w.stranger4]
        assert not re.search("refused|replay", d.log)
        tried = w.host.run(["nft", "list", "counter", "ip6", "silence", "dropped"]).stdout
        assert "packets 0" not in tried
        # IPv4 is remembered: nothing is tried over IPv6 this time.
        assert w.stranger.run([*named(w, d), *words], check=False, timeout=100).stdout == "in\n"
        assert w.host.run(["nft", "list", "counter", "ip6", "silence", "dropped"]).stdout == tried


def test_over_the_other_family_goes_no_packet_where_the_first_one_opens() -> None:
    """A listener there would have a sequence that is still good."""
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG) as d:
        for words in (
            command(server, keycard(d, NAME), NAME, "echo", "in"),
            ["/usr/bin/python3", "-I", str(client.CLIENT), str(keycard(d, NAME, "ben"))],
        ):
            with (
                capture(w.host, "ip and (tcp or udp)") as other,
                capture(w.host, "ip6 and (tcp or udp)") as first,
            ):
                assert w.stranger.run([*named(w, d), *words], check=False, timeout=100).returncode == 0
                until(first.lines)
                time.sleep(0.3)
                assert other.lines() == []
            w.host.run(["conntrack", "-F"], check=False)
            d.verb("dismiss", w.stranger6)


def test_a_knock_that_cannot_be_sent_ends_the_run_in_one_line() -> None:
    """The client's own firewall refuses the second knock: the third is not sent, the exit status says so."""
    with world() as w:
        w.stranger.nft("""
            table inet own {
              chain out { type filter hook output priority 0; udp dport 2953 drop; }
            }""")
        words = ["/usr/bin/python3", "-I", str(client.CLIENT), "--to", w.host4]
        with capture(w.host, "tcp or udp") as wire:
            done = w.stranger.run([*words, "tcp/4617", "udp/2953", "tcp/6381"], check=False)
            until(wire.lines)
            time.sleep(0.3)
            heard = "".join(wire.lines())
        (line,) = done.stderr.splitlines()
        assert done.returncode == 1
        assert line.endswith("knock 2 of 3 could not be sent: Operation not permitted")
        assert ".4617:" in heard and ".6381:" not in heard


def test_much_goes_both_ways_through_the_relay_unharmed() -> None:
    much = os.urandom(20_000_000)
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG) as d:
        sent, got = d.folder / "sent", d.folder / "got"
        sent.write_bytes(much)
        words = command(server, keycard(d, w.host4), w.host4, "cat")
        with sent.open("rb") as source, got.open("wb") as target:
            assert w.stranger.popen(words, stdin=source, stdout=target).wait(120) == 0
        assert got.read_bytes() == much
