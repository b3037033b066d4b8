"""A door that admits a connection: two clients behind one address, and only the one who knocked gets in.

Translators keep one mapping for one inner port (RFC 4787, REQ-1; RFC 5382, REQ-1), and so does Linux's
masquerading; with `random` it does not, and the client has to say so.
"""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import time
from pathlib import Path

import pytest

import client
from kernel.behind import PORT, behind, config, dial, fixed, port_of
from lab import Daemon, Namespace, capture, daemon, service, sshd, until
from portress.clock import STEP

pytestmark = pytest.mark.parametrize("decide", ["kernel", "daemon"])
KNOCK_ONLY = """
import importlib.machinery, importlib.util, json, socket, sys
loader = importlib.machinery.SourceFileLoader("c", sys.argv[1])
module = importlib.util.module_from_spec(importlib.util.spec_from_loader("c", loader))
sys.dont_write_bytecode = True
loader.exec_module(module)
plan = module.plan_of(open(sys.argv[2]).read())
knocker = module.Knocker(0.05)
knocker.one_port = "tcp"
knocker.send((socket.AF_INET, (sys.argv[3], 1)), plan.knocks(module.Clock(0.0).step()))
knocker.rest(0.2)
knocker.tidy(0)
print(knocker.local)
"""


def enrolled(d: Daemon, host: str, door: str = "ssh") -> Path:
    path = d.folder / "ana.keycard"
    d.verb("enrol", "ana", "--door", door, "--host", host, "--keycard", str(path))
    return path


def relay(ns: Namespace, card: Path, host: str, *options: str) -> subprocess.Popen[str]:
    words = ["/usr/bin/python3", "-I", str(client.CLIENT), str(card), *options, "--relay", host, "22"]
    environment = {**os.environ, "XDG_STATE_HOME": str(card.parent)}
    return ns.popen(words, stdin=-1, stdout=-1, stderr=-1, env=environment)


@pytest.mark.parametrize("closed", ["drop", "reject"])
@pytest.mark.parametrize("family", [4, 6])
def test_only_the_knocker_gets_in_and_no_neighbour_on_any_port(closed: str, family: int, decide: str) -> None:
    with behind() as b, sshd(b.host, (22, 2222)), daemon(b.host, config(decide, closed)) as d:
        host = b.host4 if family == 4 else b.host6
        card = enrolled(d, host)
        assert json.loads(card.read_text())["admits"] == "connection"
        with relay(b.one, card, host) as process:
            assert process.stdout is not None and process.stdin is not None
            assert process.stdout.readline().startswith("SSH-2.0")
            port = port_of(d)
            assert (
                d.status()["admissions"][0]["source"]
                == f"{b.outer4 if family == 4 else b.outer6} port {port}"
            )
            for to in (22, 2222):
                assert not dial(b.two, host, to, PORT)
                assert not dial(b.two, host, to, port)
                assert not dial(b.one, host, to, PORT)
            process.stdin.write("SSH-2.0-test\r\n")
            process.stdin.flush()
            assert process.poll() is None  # it is in for good, whatever the neighbours tried
            process.kill()


def test_a_door_that_admits_connections_stays_open_for_30_seconds_by_itself(decide: str) -> None:
    with behind() as b, daemon(b.host, config(decide)) as d:
        (door,) = d.status()["doors"]
        assert door["stay"] == 30


def test_the_plain_client_says_that_the_door_needs_the_relay(decide: str) -> None:
    with behind() as b, daemon(b.host, config(decide)) as d:
        card = enrolled(d, b.host4)
        words = ["/usr/bin/python3", "-I", str(client.CLIENT), str(card)]
        done = b.one.run(words, check=False)
        assert done.returncode == 1
        assert "use --relay HOST PORT" in done.stderr


def test_many_connections_in_a_row_each_with_knocks_of_their_own(decide: str) -> None:
    """As many as there are steps in the time of a test: one sequence, one connection."""
    with behind() as b, sshd(b.host), daemon(b.host, config(decide)) as d:
        card = enrolled(d, b.host4)
        for off in (-STEP, 0, STEP):
            with relay(b.one, card, b.host4, f"--offset={off}", "--timeout", "8") as process:
                assert process.stdout is not None
                assert process.stdout.readline().startswith("SSH-2.0")
                process.kill()


def test_a_translator_that_changes_the_port_is_told_of(decide: str) -> None:
    with behind("masquerade random") as b, sshd(b.host), daemon(b.host, config(decide)) as d:
        card = enrolled(d, b.host4)
        with relay(b.one, card, b.host4, "--timeout", "6") as process:
            _, error = process.communicate(timeout=60)
        assert process.returncode == 1
        assert "this door admits only the port that knocked" in error
        assert d.status()["admissions"]


def test_why_trace_and_a_metric_tell_the_port_knocked_from_and_the_one_tried_from(decide: str) -> None:
    text = config(decide) + 'metrics: {listen: "127.0.0.1:9753"}\n'
    with (
        behind("masquerade random") as b,
        sshd(b.host),
        daemon(b.host, text) as d,
        capture(b.host, device="eth0") as taken,
    ):
        card = enrolled(d, b.host4)
        with relay(b.one, card, b.host4, "--timeout", "3") as process:
            process.communicate(timeout=60)
        port = port_of(d)
        said = " ".join(d.verb("why", b.outer4).stdout.split())
        assert f"it knocked from port {port}, but tried from port" in said
        told = b.host.run(["curl", "-s", "http://127.0.0.1:9753/metrics"]).stdout
        assert 'portress_connections_total{door="ssh"} 1.0' in told
        count = int(re.findall(r'portress_wrong_ports{door="ssh"} (\d+)', told)[0])
        assert count >= 1
        traced = json.loads(d.verb("trace", "--json", str(taken.stop())).stdout)["sources"][0]["knocks"]
        (done,) = (one for one in traced if one["verdict"] == "completed")
        tries = [one for one in traced if one["verdict"] == "service"]
        assert done["port"] == port
        assert all((one["knocked_from"], one["admitted"]) == ([port], False) for one in tries)
        assert any(f"knocked from port {port}, tried from port" in one["said"] for one in tries)


def test_a_neighbour_who_dials_in_the_gap_takes_the_place_and_nobody_else_gets_in_with_it(
    decide: str,
) -> None:
    """What remains, as the manual says: from the knocker's own port, between last knock and connection."""
    with behind() as b, sshd(b.host), daemon(b.host, config(decide)) as d:
        card = enrolled(d, b.host4)
        words = ["/usr/bin/python3", "-c", KNOCK_ONLY, str(client.CLIENT), str(card), b.host4]
        port = int(b.one.run(words).stdout)
        d.wait_for("admitted", f"{b.outer4} port {port}")
        assert dial(b.two, b.host4, 22, port)
        assert not dial(b.one, b.host4, 22, port)


def _answered(program: socket.socket, what: bytes) -> bool:
    """Sent to the relay, as programs that use UDP do again where no answer comes: the door may open late."""
    program.sendto(what, ("127.0.0.1", 5182))
    try:
        return bool(program.recv(100))
    except TimeoutError:
        return False


@pytest.mark.parametrize("family", [4, 6])
def test_a_udp_service_through_the_local_relay(family: int, decide: str) -> None:
    text = config(decide).replace("tcp/22, tcp/2222", "udp/51820").replace("ssh:", "vpn:")
    with behind() as b, service(b.host, "udp/51820"), daemon(b.host, text) as d:
        host = b.host4 if family == 4 else b.host6
        card = enrolled(d, host, "vpn")
        words = ["/usr/bin/python3", "-I", str(client.CLIENT), str(card), "--relay-udp", "5182"]
        with b.one.popen(words, env={**os.environ, "XDG_STATE_HOME": str(d.folder)}) as process:
            until(lambda: ":5182 " in b.one.run(["ss", "-Hlnu"]).stdout)
            with b.one.enter():
                program = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            with program:
                program.settimeout(2)
                for number in range(20):
                    until(lambda number=number: _answered(program, b"%d" % number))
            port = port_of(d)
            with b.two.enter():
                neighbour = socket.socket(
                    socket.AF_INET6 if family == 6 else socket.AF_INET, socket.SOCK_DGRAM
                )
            with neighbour:
                neighbour.settimeout(0.5)
                neighbour.sendto(b"x", (host, 51820))
                with pytest.raises(TimeoutError):
                    neighbour.recv(100)
            assert port
            process.terminate()


def test_much_goes_both_ways_through_the_relay_and_sessions_share_a_connection(decide: str) -> None:
    """100 MB there and back, and OpenSSH's control socket: a second session needs no second sequence."""
    with behind() as b, sshd(b.host) as server, daemon(b.host, config(decide)) as d:
        card = enrolled(d, b.host4)
        proxy = f"/usr/bin/python3 -I {client.CLIENT} {card} --relay %h %p"
        control = d.folder / "control"
        options = ["-o", f"ProxyCommand={proxy}", "-o", "ControlMaster=auto", "-o", f"ControlPath={control}"]
        words = server.command(b.host4, "cat", wait=60)
        words[1:1] = [*options, "-o", "ControlPersist=20"]
        much = os.urandom(1_000_000) * 100
        sent, got = d.folder / "sent", d.folder / "got"
        sent.write_bytes(much)
        with sent.open("rb") as source, got.open("wb") as target:
            assert b.one.popen(words, stdin=source, stdout=target).wait(120) == 0
        assert got.read_bytes() == much
        again = server.command(b.host4, "echo", "in", wait=10)
        again[1:1] = options
        assert b.one.run(again, timeout=30).stdout == "in\n"
        assert len(d.status()["admissions"]) == 1
        b.one.run(["ssh", "-O", "exit", "-o", f"ControlPath={control}", b.host4], check=False)


def test_a_second_connection_from_the_same_port_is_refused(decide: str) -> None:
    """The first SYN claims the admission; another SYN, of another sequence number, does not pass."""
    with behind() as b, sshd(b.host), daemon(b.host, config(decide)) as d:
        card = enrolled(d, b.host4)
        with relay(b.one, card, b.host4) as process:
            assert process.stdout is not None and process.stdout.readline()
            port = port_of(d)
            process.kill()
        b.translator.run(["conntrack", "-F"], check=False)
        time.sleep(0.2)
        assert not dial(b.one, b.host4, 22, port)
        assert not dial(b.two, b.host4, 22, port)


@pytest.mark.parametrize("family", [4, 6])
def test_a_fixed_door_opens_for_the_connection_of_the_clients_one_port(family: int, decide: str) -> None:
    knocks = ["tcp/4617", "udp/2953", "tcp/6381"]
    with behind() as b, sshd(b.host), daemon(b.host, fixed(decide, "tcp/22", "tcp/6381")) as d:
        host = b.host4 if family == 4 else b.host6
        words = ["/usr/bin/python3", "-I", str(client.CLIENT), "--to", host, *knocks]
        words += ["--one-port", "--relay", host, "22"]
        with b.one.popen(words, stdin=-1, stdout=-1, stderr=-1) as process:
            assert process.stdout is not None
            assert process.stdout.readline().startswith("SSH-2.0")
            port = port_of(d)
            for one in (b.one, b.two):
                assert not dial(one, host, 22, port)
                assert not dial(one, host, 22, PORT)
            process.kill()


def test_a_fixed_udp_door_through_the_local_relay_of_a_named_service(decide: str) -> None:
    text = fixed(decide, "udp/51820", "udp/6381")
    with behind() as b, service(b.host, "udp/51820"), daemon(b.host, text) as d:
        words = ["/usr/bin/python3", "-I", str(client.CLIENT), "--to", b.host4, "tcp/4617", "udp/2953"]
        words += ["udp/6381", "--one-port", "--relay-udp", "5182:51820"]
        with b.one.popen(words) as process:
            until(lambda: ":5182 " in b.one.run(["ss", "-Hlnu"]).stdout)
            with b.one.enter():
                program = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            with program:
                program.settimeout(5)
                program.sendto(b"in", ("127.0.0.1", 5182))
                assert program.recv(100)
            assert port_of(d)
            process.terminate()


def test_the_plain_client_at_a_fixed_door_knocks_and_stays_outside(decide: str) -> None:
    """It cannot know; what connects afterwards does so from another port."""
    knocks = ["tcp/4617", "udp/2953", "tcp/6381"]
    with behind() as b, sshd(b.host), daemon(b.host, fixed(decide, "tcp/22", "tcp/6381")) as d:
        b.one.run(["/usr/bin/python3", "-I", str(client.CLIENT), "--to", b.host4, *knocks])
        d.wait_for("admitted to back for 30s")
        assert not dial(b.one, b.host4, 22, PORT)
