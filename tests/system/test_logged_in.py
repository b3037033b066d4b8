"""Whoever is logged in is not shut out: by the service's first start, by a reload, by a change on trial."""

from __future__ import annotations

import contextlib
import json
import subprocess
import time
from collections.abc import Iterator

import pytest

from lab import World, tcp_state
from system.host import admitted, configure, host, messages
from system.machine import Machine

WEB = """closed: drop
doors:
  web:
    services: [tcp/8080]
    stay: 1h
    fixed: {knocks: [tcp/7201, udp/9442], gap: 60s}
"""
SSH = """  ssh:
    services: [tcp/22]
    stay: 8h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 60s}
"""
# Connects, never authenticates, and stays: what somebody does who guesses passwords.
_GUESSER = f"import socket, time\ns = socket.create_connection(('{World.host4}', 22))\ntime.sleep(600)"
_SEEN_BY_LOGIND = (
    "from portress import logins, session\n"
    "held = {one.inode: one for one in session.connections('self')}\n"
    "print([str(one.source) for one in logins._by_logind(held)])"
)


@contextlib.contextmanager
def _session(machine: Machine, *words: str) -> Iterator[subprocess.Popen[str]]:
    """Somebody is logged in from `stranger`; with `-tt` at a terminal."""
    command = machine.login.command(machine.host4)
    session = machine.stranger.popen(
        [*command[:1], *words, *command[1:], "echo in; exec cat"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        bufsize=1,
    )
    assert session.stdout is not None and session.stdout.readline().strip() == "in"
    yield session
    session.kill()


def _goes_on(session: subprocess.Popen[str], word: str) -> bool:
    """Whether what is typed in the session comes back."""
    assert session.stdin is not None and session.stdout is not None
    session.stdin.write(f"{word}\n")
    session.stdin.flush()
    return any(word in session.stdout.readline() for _ in range(20))


def _eventually(machine: Machine, unit: str, words: str) -> str:
    until = time.monotonic() + 10
    while True:
        said = messages(machine, unit)
        for text in said:
            if words in text:
                return text
        assert time.monotonic() < until, "\n".join(said)
        time.sleep(0.1)


@pytest.mark.parametrize("logind", [True, False])
def test_the_first_start_admits_who_is_logged_in_and_nobody_who_is_only_connected(logind: bool) -> None:
    with host(run=False) as machine:
        if not logind:
            machine.systemctl("mask", "--now", "systemd-logind.service")
        guesser = machine.another.popen(["python3", "-c", _GUESSER])
        with _session(machine) as session:
            seen = machine.run("python3", "-c", _SEEN_BY_LOGIND).stdout.strip()
            assert seen == (f"['{World.stranger4}']" if logind else "[]")
            machine.systemctl("start", "portress.service")
            machine.await_state("portress.service", "active")
            assert guesser.poll() is None
            assert tcp_state(machine.stranger, machine.host4, 22) == "open"
            assert tcp_state(machine.another, machine.host4, 22) == "filtered"
            assert not admitted(machine, World.another4)
            assert _goes_on(session, "still here")
        said = _eventually(machine, "portress-guard.service", "Logged in when the doors were closed")
        assert f"admitted to ssh for 8h: {World.stranger4} (root)" in said
        assert World.another4 not in said


def test_a_start_after_a_flush_while_nothing_ran_admits_who_is_logged_in_too() -> None:
    with host() as machine:
        machine.systemctl("stop", "portress.service")
        machine.run("nft", "flush", "ruleset")
        with _session(machine):
            machine.systemctl("start", "portress.service")
            machine.await_state("portress.service", "active")
            assert tcp_state(machine.stranger, machine.host4, 22) == "open"
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"


def test_a_start_leaves_the_doors_open_where_the_guard_was_taken_away_by_hand() -> None:
    with host(run=False) as machine:
        machine.run("portress", "guard")
        machine.run("portress", "unguard")
        machine.systemctl("start", "portress.service")
        assert tcp_state(machine.another, machine.host4, 22) == "open"
        machine.run("portress", "guard")
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"
        machine.systemctl("restart", "portress.service")
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"


@pytest.mark.parametrize("linger", ["true", "false"])
def test_a_reload_that_guards_the_port_one_is_logged_in_by_says_whom_it_concerns(linger: str) -> None:
    with host(WEB) as machine, _session(machine, "-tt") as session:
        configure(machine, f"{WEB}{SSH}    linger: {linger}\n")
        machine.systemctl("reload", "portress.service")
        told = _eventually(machine, "portress.service", "tcp/22: guarded from now on")
        assert f"not admitted: {World.stranger4} (root)" in told
        assert session.stdout is not None
        seen = [session.stdout.readline() for _ in range(9)]  # a terminal turns an end of line into two
        assert any("tcp/22: guarded from now on" in line for line in seen), seen
        assert any("the next login needs a knock first" in line for line in seen), seen
        assert _goes_on(session, "still here")
        assert not admitted(machine, World.stranger4)
        assert tcp_state(machine.stranger, machine.host4, 22) == "filtered"


@pytest.mark.parametrize(
    "free", ["always: [{source}]", pytest.param("inside: [{interface}]", marks=pytest.mark.wide)]
)
def test_a_reload_after_which_one_needs_an_admission_says_whom_it_concerns(free: str) -> None:
    """Who got in without a knock before and would not now is named; who was admitted or never free is not."""
    with host(WEB + SSH) as machine:
        (route,) = json.loads(machine.run("ip", "-json", "route", "get", World.stranger4).stdout)
        words = free.format(source=World.stranger4, interface=route["dev"])
        configure(machine, f"{words}\n{WEB}{SSH}")
        machine.systemctl("reload", "portress.service")
        with _session(machine, "-tt") as session:
            configure(machine, f"callers: 1000\n{words}\n{WEB}{SSH}")
            machine.systemctl("reload", "portress.service")  # nothing changes for anybody
            configure(machine, WEB + SSH)
            machine.systemctl("reload", "portress.service")
            told = _eventually(machine, "portress.service", "need an admission from now on")
            assert f"not admitted: {World.stranger4} (root)" in told
            assert session.stdout is not None
            seen = [session.stdout.readline() for _ in range(9)]
            assert any("the next login needs a knock first" in line for line in seen), seen
            assert _goes_on(session, "still here")
            assert tcp_state(machine.stranger, machine.host4, 22) == "filtered"
            machine.run("portress", "admit", World.stranger4, "ssh")
            configure(machine, f"{words}\n{WEB}{SSH}")
            machine.systemctl("reload", "portress.service")
            configure(machine, WEB + SSH)
            machine.systemctl("reload", "portress.service")  # is admitted, so that nothing is asked of it
        said = messages(machine, "portress.service")
        assert sum("from now on. Logged in" in text for text in said) == 1, "\n".join(said)


def test_a_change_on_trial_goes_back_by_itself_under_the_service() -> None:
    with host(WEB) as machine:
        configure(machine, WEB + SSH)
        tried = machine.run("portress", "guard", "--trial", "10s").stdout
        assert "the guard from before restored" in tried
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"
        until = time.monotonic() + 20
        while tcp_state(machine.another, machine.host4, 22) != "open":
            assert time.monotonic() < until, "the trial did not end"
            time.sleep(0.2)
        assert tcp_state(machine.another, machine.host4, 8080) == "filtered"
        machine.run("portress", "guard", "--trial", "5m")
        kept = machine.run("portress", "guard", "--keep").stdout
        assert "Closed to everyone not admitted: web (tcp/8080), ssh (tcp/22)." in kept
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"


def test_keeping_the_guard_says_what_holds_and_what_is_missing() -> None:
    with host(run=False) as machine:
        machine.run("portress", "guard", "--trial", "5m")
        kept = machine.run("portress", "guard", "--keep").stdout
        assert "The guard stays. Closed to everyone not admitted: ssh (tcp/22)." in kept
        assert "No daemon runs, so no knock opens a door yet: systemctl start portress" in kept
        assert "After a reboot the doors would be open: systemctl enable portress" in kept
        machine.systemctl("enable", "--now", "portress.service")
        machine.run("portress", "guard", "--trial", "5m")
        assert "nothing is missing" in machine.run("portress", "guard", "--keep").stdout
        machine.systemctl("disable", "portress.service")
        machine.systemctl("enable", "portress-guard.service")
        machine.run("portress", "guard", "--trial", "5m")
        kept = machine.run("portress", "guard", "--keep").stdout
        assert "After a reboot the doors would be closed, and no knock would open them" in kept


def _findings(machine: Machine) -> dict[str, str]:
    told = json.loads(machine.run("portress", "doctor", "--json", check=False).stdout)
    return {one["name"]: one["do"] for one in told["findings"]}


def test_the_doctor_says_that_the_next_boot_is_open_and_how_to_change_that() -> None:
    with host() as machine:
        assert "boot-open" not in _findings(machine)
        machine.systemctl("disable", "portress.service")
        line = _findings(machine)["boot-open"]
        machine.run("sh", "-c", line)
        assert "boot-open" not in _findings(machine)
        machine.reboot()
        machine.await_state("portress.service", "active")
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"
