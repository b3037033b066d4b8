"""What can go wrong, with strangers dialling and an admitted source connecting throughout.

Each fault must let no stranger in and throw no admitted source out, and the service must recover where
it can: the table of faults in the README says the same in words.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator

from lab import World, crowd, sender, until
from system.crowds import guest, strangers
from system.host import admitted, config, host, knock, messages, status
from system.machine import Machine


@contextlib.contextmanager
def _under_fire(machine: Machine) -> Iterator[None]:
    """`another` is let in; meanwhile it gets in each time, and no stranger does."""
    knock(machine, machine.another, World.another4)
    with strangers(machine) as outside, guest(machine, machine.another) as inside:
        yield
        time.sleep(0.2)
        until(lambda: outside.sent > 100)
    assert outside.sent > 100
    assert outside.answers == []
    assert set(inside.met) == {"open"}


def _restarted(machine: Machine, pid: str, timeout: float = 30) -> None:
    """The service runs again, as another process than before."""
    until = time.monotonic() + timeout
    while True:
        now = machine.show("portress.service", "MainPID")
        if now not in ("0", pid) and machine.show("portress.service", "ActiveState") == "active":
            return
        assert time.monotonic() < until, "\n".join(messages(machine, "portress.service")[-20:])
        time.sleep(0.1)


def _opens_to_others(machine: Machine) -> None:
    """Somebody new can knock and get in."""
    knock(machine, machine.stranger, World.stranger4)


def test_a_killed_daemon_is_started_again() -> None:
    with host() as machine:
        with _under_fire(machine):
            pid = machine.show("portress.service", "MainPID")
            machine.run("kill", "-KILL", pid)
            _restarted(machine, pid)
        _opens_to_others(machine)
        assert {one["source"] for one in status(machine)["admissions"]} == {World.another4, World.stranger4}


def test_a_daemon_that_hangs_is_caught_by_the_watchdog() -> None:
    with host() as machine:
        with _under_fire(machine):
            pid = machine.show("portress.service", "MainPID")
            machine.run("kill", "-STOP", pid)
            _restarted(machine, pid)
        assert any("Watchdog timeout" in text for text in messages(machine, "portress.service"))
        _opens_to_others(machine)


def test_a_full_disk_stops_the_ledger_and_nothing_else() -> None:
    with host() as machine:
        machine.systemctl("stop", "portress.service")
        machine.run(
            "mount", "-t", "tmpfs", "-o", "size=1m,mode=700,uid=portress", "tmpfs", "/var/lib/portress"
        )
        machine.systemctl("start", "portress.service")
        with _under_fire(machine):
            machine.run("dd", "if=/dev/zero", "of=/var/lib/portress/full", "bs=4k", check=False)
            _opens_to_others(machine)
            _fills_up(machine)
            assert machine.show("portress.service", "ActiveState") == "active"
            machine.run("rm", "/var/lib/portress/full")
        machine.run("portress", "admit", "2001:db8:fa:f00d::7", "ssh")
        until(lambda: "2001:db8:fa:f00d::7" in machine.run("portress", "history").stdout)


def _fills_up(machine: Machine) -> None:
    """Admissions until the ledger says that there is no room."""
    for number in range(1, 250):
        machine.run("portress", "admit", f"2001:db8:fa:{number}::7", "ssh")
        if any("ledger" in text.lower() for text in messages(machine, "portress.service")):
            return
    raise AssertionError("the ledger never complained")


def test_a_state_directory_that_is_read_only_stops_the_ledger_and_nothing_else() -> None:
    with host() as machine:
        machine.systemctl("stop", "portress.service")
        machine.run("mount", "--bind", "/var/lib/portress", "/var/lib/portress")
        machine.run("mount", "-o", "remount,bind,ro", "/var/lib/portress")
        machine.systemctl("start", "portress.service")
        with _under_fire(machine):
            _opens_to_others(machine)
        assert machine.show("portress.service", "ActiveState") == "active"
        assert any("ledger" in text.lower() for text in messages(machine, "portress.service"))


def test_a_daemon_out_of_memory_is_started_again() -> None:
    with host() as machine:
        with _under_fire(machine):
            pid = machine.show("portress.service", "MainPID")
            machine.limit_memory("portress.service", 1 << 20)
            with sender(machine.stranger) as send:
                for source in crowd(20_000, 6):
                    send.syn(source, machine.host6, 4617)
            _restarted(machine, pid)
        _opens_to_others(machine)


def test_without_the_journal_doors_open_all_the_same() -> None:
    sockets = ("systemd-journald.socket", "systemd-journald-dev-log.socket", "systemd-journald-audit.socket")
    with host() as machine:
        machine.systemctl("mask", "--runtime", "systemd-journald.service", *sockets)
        machine.run("systemctl", "stop", "systemd-journald.service", *sockets)
        with _under_fire(machine):
            _opens_to_others(machine)
            pid = machine.show("portress.service", "MainPID")
            machine.run("kill", "-KILL", pid)
            _restarted(machine, pid)
        machine.systemctl("unmask", "--runtime", "systemd-journald.service", *sockets)
        machine.systemctl("start", "systemd-journald.service")
        machine.run("portress", "dismiss", World.stranger4)
        assert not admitted(machine, World.stranger4)


def test_a_journal_that_hangs_holds_nobody_up() -> None:
    with host(config()) as machine:
        machine.run("pkill", "-STOP", "-x", "systemd-journal")
        try:
            with _under_fire(machine):
                for _ in range(3):
                    _opens_to_others(machine)
                    machine.run("portress", "dismiss", World.stranger4)
        finally:
            machine.run("pkill", "-CONT", "-x", "systemd-journal")
        assert machine.show("portress.service", "ActiveState") == "active"
