"""Doors that admit a connection: many in a row, port clashes, scans of all source ports."""

from __future__ import annotations

import argparse
import re
import socket
import subprocess
import time

import pytest

import client
from kernel.behind import PORT, Behind, behind, dial, fixed, port_of
from lab import daemon, sender, service, sshd, until, world

ALONE = client.load()
KNOCKS = ["tcp/4617", "udp/2953", "tcp/6381"]
pytestmark = pytest.mark.parametrize("decide", ["kernel", "daemon"])

PASSED = """
table inet passed {
  counter syns { }
  chain in {
    type filter hook input priority 0; policy accept;
    tcp dport 22 tcp flags & (syn | ack) == syn counter name syns
  }
}
"""
# What the translator's host sends itself is not translated.
UNTRACKED = """
table inet untracked {
  chain out { type filter hook output priority -300; policy accept; notrack; }
}
"""
LATE = """
import socket, sys, time
with socket.create_server(("", 22)) as server:
    made, _ = server.accept()
    with made:
        while made.recv(65536):
            pass
        time.sleep(3)
        made.sendall(b"x" * 1_000_000)
"""


def plan(host: str) -> object:
    knocks = tuple((one[:3], int(one[4:])) for one in KNOCKS)
    return ALONE.Plan(host, 10.0, knocks, {}, b"", "tcp")


def relay(b: Behind, host: str, *options: str) -> subprocess.Popen[str]:
    words = ["/usr/bin/python3", "-I", str(client.CLIENT), "--to", host, *KNOCKS, "--one-port", *options]
    return b.one.popen([*words, "--relay", host, "22"], stdin=-1, stdout=-1, stderr=-1)


def connected(b: Behind, host: str, *, first_from: int = 0, timeout: float = 30) -> tuple[socket.socket, int]:
    """The connection that the relay would have, and how often it knocked; the first time from that port."""
    sent = 0

    class Counting(ALONE.Knocker):  # type: ignore[name-defined,misc]
        def send(self, address: object, knocks: object) -> None:
            nonlocal sent
            sent += 1
            super().send(address, knocks)

        def stream(self, family: int) -> socket.socket:
            if sent == 1 and not self.local:
                self.local = first_from
            made = super().stream(family)
            assert isinstance(made, socket.socket)
            return made

    knocker = Counting(0.005)
    knocker.one_port = "tcp"
    options = argparse.Namespace(
        relay=(host, 22),
        families=(socket.AF_INET, socket.AF_INET6),
        timeout=timeout,
        quiet=True,
        progress=lambda _: None,
    )
    with b.one.enter():
        made = ALONE.opened(plan(host), options, ALONE.Clock(0.0), knocker)
    knocker.tidy(0)
    return made, sent


def passed(b: Behind) -> int:
    listed = b.host.run(["nft", "list", "counter", "inet", "passed", "syns"]).stdout
    return int(re.findall(r"packets (\d+)", listed)[0])


def test_500_connections_in_a_row_each_with_a_sequence_of_its_own(decide: str) -> None:
    text = fixed(decide, "tcp/22", KNOCKS[-1])
    with behind() as b, service(b.host, "tcp/22"), daemon(b.host, text) as d:
        again = 0
        for _ in range(500):
            made, sent = connected(b, b.host4)
            again += sent - 1
            made.close()
        assert again <= 5  # a lost race with the machine's load, at most
        until(lambda: d.status()["knocks"]["completed"] >= 500)


def test_where_the_translator_has_to_change_the_port_the_next_sequence_comes_from_another(
    decide: str,
) -> None:
    """A neighbour holds the mapping of the knocker's port to the door's: the two clash at the translator."""
    with behind() as b, sshd(b.host), daemon(b.host, fixed(decide, "tcp/22", KNOCKS[-1])) as d:
        assert not dial(b.two, b.host4, 22, PORT, 0.3)
        made, sent = connected(b, b.host4, first_from=PORT)
        with made:
            assert sent > 1
            made.settimeout(5)
            assert made.recv(7) == b"SSH-2.0"
            ports = {one["source"].partition(" port ")[2] for one in d.status()["admissions"]}
            assert str(PORT) in ports and len(ports) == sent


def test_a_scan_of_all_source_ports_by_the_neighbour_lets_nothing_in(decide: str) -> None:
    """From behind the translator, and with the public address forged: every port, the knocker's own too. Over
    each family, whoever decides: scripts/test wide."""
    scanned(4 if decide == "daemon" else 6, decide)


def scanned(family: int, decide: str) -> None:
    with behind() as b, sshd(b.host), daemon(b.host, fixed(decide, "tcp/22", KNOCKS[-1])) as d:
        host, outer = (b.host4, b.outer4) if family == 4 else (b.host6, b.outer6)
        inner = "192.0.2.58" if family == 4 else "2001:db8:3::10"
        made, _ = connected(b, host)
        with made, sender(b.two) as behind_it, sender(b.translator) as outside:
            assert port_of(d)
            b.host.nft(PASSED)
            b.translator.nft(UNTRACKED)
            for port in range(1, 65536):
                behind_it.syn(inner, host, 22, port)
                outside.syn(outer, host, 22, port)
                if port % 500 == 0:
                    time.sleep(0.01)
            time.sleep(0.3)
            assert passed(b) == 0
            made.setblocking(True)
            made.settimeout(5)
            assert made.recv(7) == b"SSH-2.0"


def test_the_counter_of_the_scan_sees_a_connection_that_is_let_in(decide: str) -> None:
    with behind() as b, sshd(b.host), daemon(b.host, fixed(decide, "tcp/22", KNOCKS[-1])):
        b.host.nft(PASSED)
        made, _ = connected(b, b.host4)
        made.close()
        assert passed(b) >= 1


def test_a_half_closed_connection_carries_on_after_the_stay(decide: str) -> None:
    text = fixed(decide, "tcp/22", KNOCKS[-1]).replace("    fixed", "    stay: 1s\n    fixed")
    with behind() as b, daemon(b.host, text) as d:
        b.host.popen(["/usr/bin/python3", "-c", LATE])
        with relay(b, b.host4) as process:
            got, _ = process.communicate("all there is", timeout=60)
            assert (process.returncode, len(got)) == (0, 1_000_000)
            assert d.status()["admissions"] == []


def test_the_same_port_may_knock_again_for_another_connection_and_only_for_one(decide: str) -> None:
    """The claim of the first connection does not keep the second one out, nor let a third one in."""
    with behind() as b, service(b.host, "tcp/22"), daemon(b.host, fixed(decide, "tcp/22", KNOCKS[-1])) as d:
        for _ in range(2):
            made, sent = connected(b, b.host4, first_from=PORT)
            assert sent == 1
            made.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
            made.close()
            b.translator.run(["conntrack", "-F"], check=False)
            b.host.run(["conntrack", "-F"], check=False)
            assert not dial(b.one, b.host4, 22, PORT)
            assert not dial(b.two, b.host4, 22, PORT)
        assert {one["source"] for one in d.status()["admissions"]} == {f"{b.outer4} port {PORT}"}


def hours(since: float, seconds: int) -> str:
    """A line with hours that begin in the minute of `since`, in UTC."""
    begin, end = (time.strftime("%H:%M", time.gmtime(at)) for at in (since, since + seconds))
    return f'    hours: {{from: "{begin}", to: "{end}", zone: UTC}}\n'


def test_outside_the_hours_no_connection_is_let_in_also_without_a_daemon(decide: str) -> None:
    text = fixed(decide, "tcp/22", KNOCKS[-1])
    for since, inside in ((time.time() + 6 * 3600, False), (time.time() - 3600, True)):
        with behind() as b, sshd(b.host), daemon(b.host, text + hours(since, 4 * 3600)) as d:
            for running in (True, False):
                if not running:
                    d.kill()
                if inside and (running or decide == "kernel"):
                    made, _ = connected(b, b.host4)
                    with made:
                        made.settimeout(5)
                        assert made.recv(7) == b"SSH-2.0"
                        assert not dial(b.two, b.host4, 22, made.getsockname()[1])
                    continue
                with pytest.raises(ALONE.NotDone):
                    connected(b, b.host4, first_from=PORT, timeout=2)
                assert not dial(b.one, b.host4, 22, PORT) and not dial(b.two, b.host4, 22, PORT)
                if running:
                    d.wait_for("knocked right, but back is closed; opens at")
                    assert d.status()["admissions"] == []


def test_the_address_counts_whole_also_where_a_prefix_is_one_source(decide: str) -> None:
    """Somebody else of the same /64 dials from a port of the same number."""
    text = f"source_prefix: {{}}\n{fixed(decide, 'tcp/22', KNOCKS[-1])}"
    one, two = "2001:db8:c::1", "2001:db8:c::2"
    with (
        world() as w,
        service(w.host, "tcp/22") as met,
        daemon(w.host, text) as d,
        sender(w.stranger) as send,
    ):
        for knock in KNOCKS[:-1]:
            send.knock(two, w.host6, knock)  # of one source, as the prefix is
        send.syn(one, w.host6, int(KNOCKS[-1][4:]), PORT)
        d.wait_for(f"{one} port {PORT} admitted to back")
        w.host.nft(PASSED)
        for source, port in ((two, PORT), (one, PORT + 1), (two, PORT + 1)):
            send.syn(source, w.host6, 22, port)
        time.sleep(0.3)
        listed = w.host.run(["nft", "list", "counter", "inet", "passed", "syns"]).stdout
        assert "packets 0 " in listed and not met.met
        send.syn(one, w.host6, 22, PORT)
        time.sleep(0.3)
        assert "packets 1 " in w.host.run(["nft", "list", "counter", "inet", "passed", "syns"]).stdout


def test_history_names_the_port(decide: str) -> None:
    with behind() as b, sshd(b.host), daemon(b.host, fixed(decide, "tcp/22", KNOCKS[-1])) as d:
        made, _ = connected(b, b.host4)
        made.close()
        source = f"{b.outer4} port {port_of(d)}"
        until(lambda: source in d.verb("history", "--json", check=False).stdout)
        assert source in d.verb("history", "--source", b.outer4, "--json").stdout


def test_who_takes_the_daemon_down_gets_no_more_in_than_the_knocker(decide: str) -> None:
    """Where the kernel decides the knocker gets in without a daemon, and only from his own port; the next
    daemon knows him by it. Where the daemon decides nobody does."""
    with behind() as b, sshd(b.host), daemon(b.host, fixed(decide, "tcp/22", KNOCKS[-1])) as d:
        d.kill()
        if decide == "daemon":
            with pytest.raises(ALONE.NotDone):
                connected(b, b.host4, timeout=2)
            return
        made, _ = connected(b, b.host4)
        with made:
            assert not dial(b.two, b.host4, 22, PORT)
            assert not dial(b.two, b.host4, 22, made.getsockname()[1])
            d.start()
            assert port_of(d) == made.getsockname()[1]
