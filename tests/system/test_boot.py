"""The machines that the other tests here stand on do boot, talk and end."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from lab import crowd, echoes, sender, tcp_state
from system.machine import Machine, Machines


def test_a_machine_boots_and_its_neighbours_reach_it(machines: Machines) -> None:
    with machines.boot() as machine:
        assert machine.systemctl("is-active", "multi-user.target") == "active\n"
        assert machine.systemctl("is-system-running", "--wait") == "running\n"
        assert echoes(machine.stranger, machine.host4)
        assert echoes(machine.another, machine.host6)
        assert machine.login.ssh(machine.stranger, machine.host4, "id", "-un").stdout == "root\n"


def test_two_machines_run_side_by_side_and_know_nothing_of_each_other(machines: Machines) -> None:
    with machines.boot() as one, machines.boot() as two:
        one.path("/root/mine").write_text("one")
        one.systemctl("stop", "ssh.service")
        assert not two.path("/root/mine").exists()
        assert two.show("ssh.service", "ActiveState") == "active"
        assert tcp_state(one.stranger, one.host4, 22) == "closed"
        assert tcp_state(two.stranger, two.host4, 22) == "open"
        assert set(one.pids("dbus.service")).isdisjoint(two.pids("dbus.service"))
        assert len(two.pids("dbus.service")) == 1


def test_a_reboot_keeps_the_disk_and_the_journal_and_loses_the_rules(machines: Machines) -> None:
    def prepare(machine: Machine) -> None:
        machine.path("/etc/motd").write_text("prepared\n")

    with machines.boot(prepare) as machine:
        machine.ns.nft("table inet before {}")
        machine.run("logger", "--tag", "lab", "before the reboot")
        machine.run("journalctl", "--sync")
        machine.reboot()
        assert machine.run("cat", "/etc/motd").stdout == "prepared\n"
        assert machine.run("nft", "list", "ruleset").stdout == ""
        assert [entry["MESSAGE"] for entry in machine.journal(None, "SYSLOG_IDENTIFIER=lab")] == [
            "before the reboot"
        ]
        with sender(machine.stranger) as send:
            send.syn(crowd(1)[0], machine.host4, 22)
        machine.power_off()
        assert not machine.on
        assert len(machine.journal(None, "SYSLOG_IDENTIFIER=lab")) == 1


def test_nothing_of_a_machine_is_left_behind(machines: Machines) -> None:
    with machines.boot() as machine:
        pids = machine.pids("dbus.service")
        places = [machine.disk, machine.ns.path, Path("/sys/fs/cgroup/systemd", machine.name)]
    assert not any(Path(f"/proc/{pid}").exists() for pid in pids)
    assert not any(place.exists() for place in places)
    assert machine.name not in Path("/proc/mounts").read_text()


_KILLED = """
import sys, time
from pathlib import Path
from system.machine import Machines
with Machines(Path(sys.argv[1])).boot() as machine:
    print(machine.name, machine.disk, *machine.pids("dbus.service"), flush=True)
    time.sleep(1000)
"""


def test_a_killed_run_leaves_nothing_for_long(machines: Machines) -> None:
    words = [sys.executable, "-c", _KILLED, str(machines.root)]
    places = {"PYTHONPATH": str(Path(__file__).parents[1]), "TMPDIR": tempfile.gettempdir()}
    with subprocess.Popen(words, env={**os.environ, **places}, stdout=subprocess.PIPE, text=True) as killed:
        assert killed.stdout
        name, disk, *pids = killed.stdout.readline().split()
        killed.kill()
    assert Path(disk).exists()
    Machines(machines.root)
    assert not any(Path(f"/proc/{pid}").exists() for pid in pids)
    assert not Path(disk).exists()
    assert name not in Path("/proc/mounts").read_text()
    assert not Path("/sys/fs/cgroup/systemd", name).exists()


def test_a_limit_on_memory_holds_inside(machines: Machines) -> None:
    with machines.boot() as machine:
        machine.run("systemd-run", "--unit=eater", "--", "python3", "-c", _EATER)
        machine.limit_memory("eater.service", 64 << 20)
        machine.await_state("eater.service", "failed")
        assert machine.show("eater.service", "Result") in ("signal", "oom-kill")


_EATER = "import time\ntime.sleep(1)\nbytearray(512 << 20)\ntime.sleep(1000)"
