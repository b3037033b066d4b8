"""The laboratory shows what a plain kernel does, so that what it shows of a guarded host can be believed."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lab import (
    LabError,
    capture,
    crowd,
    echoes,
    namespace,
    sender,
    service,
    sshd,
    sweep,
    tcp_state,
    udp_state,
    until,
    world,
)

SHUT = "table inet shut { chain entry { type filter hook prerouting priority -150; tcp dport 22 drop; }; }"


def test_an_open_port_a_closed_one_and_a_filtered_one_are_told_apart() -> None:
    with world() as w, service(w.host, "tcp/22") as answering, service(w.host, "udp/53"):
        for address in (w.host4, w.host6):
            assert tcp_state(w.stranger, address, 22, timeout=5) == "open"
            assert tcp_state(w.another, address, 23, timeout=5) == "closed"
            assert udp_state(w.stranger, address, 53, timeout=5) == "open"
            assert udp_state(w.another, address, 54, timeout=5) == "closed"
        w.host.nft(SHUT)
        for address in (w.host4, w.host6):
            assert tcp_state(w.stranger, address, 22, timeout=0.2) == "filtered"
    assert set(answering.met) == {w.stranger4, w.stranger6}


def test_an_address_that_is_there_echoes_and_another_does_not() -> None:
    with world() as w:
        until(lambda: echoes(w.stranger, w.host4) and echoes(w.another, w.host6))
        w.host.nft("table inet mute { chain entry { type filter hook input priority 0; policy drop; }; }")
        assert not echoes(w.stranger, w.host4, timeout=0.2) and not echoes(w.another, w.host6, timeout=0.2)


def test_ssh_logs_in_by_key_and_a_session_stays() -> None:
    with world() as w, sshd(w.host, (22, 2022)) as server:
        assert server.ssh(w.stranger, w.host4, "id", "-un").stdout == "root\n"
        assert server.ssh(w.another, w.host6, "id", "-un", port=2022).stdout == "root\n"
        session = server.session(w.stranger, w.host4)
        assert session.stdin and session.stdout
        session.stdin.write("still here\n")
        assert session.stdout.readline() == "still here\n"


@pytest.mark.parametrize("family", [4, 6])
def test_forged_packets_arrive_whole_and_are_answered_as_any_other(family: int) -> None:
    with world() as w, capture(w.host) as taken, sender(w.stranger) as send:
        host = w.host4 if family == 4 else w.host6
        for source in crowd(20, family):
            send.syn(source, host, 4617)
            send.udp(source, host, 2953, payload=b"odd")
        lines = [line for line in taken.lines() if "4617" in line or "2953" in line]
    for source in crowd(20, family):
        about = [line for line in lines if f" {source}" in line]
        assert any("Flags [S]" in line for line in about)
        assert any("Flags [R.]" in line for line in about), "a wrong checksum would not be answered"
        assert any("udp port 2953 unreachable" in line or "unreachable port" in line for line in about)


def test_an_address_is_owned_when_packets_to_it_are_taken() -> None:
    with namespace() as ns:
        ns.ip(
            "route add 2001:db8:c::5/128 dev lo"
        )  # as the kernel adds with an address, before its own route
        assert not ns.takes(["2001:db8:c::5"])
        ns.own("lo", "2001:db8:c::5", "192.0.2.5")
        assert ns.takes(["2001:db8:c::5", "192.0.2.5"]) and not ns.takes(["2001:db8:c::6"])
        with ns.enter(), socket.create_server(("2001:db8:c::5", 22), family=socket.AF_INET6):
            assert tcp_state(ns, "2001:db8:c::5", 22) == "open"


def test_the_backend_is_dialled_at_the_host() -> None:
    with world(backend=True) as w:
        assert w.backend is not None
        w.forward("tcp", 8443, to=443)
        with service(w.backend, "tcp/443") as answering:
            assert tcp_state(w.stranger, w.host4, 8443) == "open"
            assert tcp_state(w.another, w.host6, 8443) == "open"
        assert answering.met == [w.stranger4, w.another6]


def test_entering_a_namespace_ends_with_the_block() -> None:
    before = os.readlink("/proc/thread-self/ns/net")
    with namespace() as ns:
        with pytest.raises(RuntimeError), ns.enter():
            assert socket.if_nameindex() == [(1, "lo")]
            raise RuntimeError
        assert os.readlink("/proc/thread-self/ns/net") == before
    assert not ns.path.exists()


def test_a_program_that_fails_is_reported_with_what_it_said() -> None:
    with namespace() as ns, pytest.raises(LabError, match="No such file"):
        ns.run(["ls", "/nowhere"])


KILLED = """
import os, sys, time
from lab import namespace, scratch
with namespace() as ns, scratch() as folder:
    ns.popen(["sleep", "1000"])
    print(ns.path, folder, flush=True)
    time.sleep(1000)
"""


@pytest.mark.parametrize("temporary", ["/tmp", "/var/tmp"])
def test_what_a_killed_run_left_behind_is_swept_up(temporary: str) -> None:
    words = [sys.executable, "-c", KILLED]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1]), "TMPDIR": temporary}
    with subprocess.Popen(words, env=environment, stdout=subprocess.PIPE, text=True) as killed:
        assert killed.stdout
        left = [Path(word) for word in killed.stdout.readline().split()]
        sweep()
        assert [path.exists() for path in left] == [True, True], "a living run's things are left alone"
        killed.kill()
    assert [path.exists() for path in left] == [True, True]
    sweep()
    until = time.monotonic() + 5
    while any(path.exists() for path in left) and time.monotonic() < until:
        time.sleep(0.01)
    assert [path.exists() for path in left] == [False, False]
