"""The service as an operations team meets it: confined, talkative, reloaded and upgraded with people in."""

from __future__ import annotations

import re
import subprocess
import time

from lab import World, scratch, tcp_state
from lab.portress import REPOSITORY
from system.crowds import guest, strangers
from system.host import (
    admitted,
    config,
    configure,
    deb,
    host,
    installed,
    knock,
    messages,
    status,
)
from system.machine import Machine

WEB = """  web:
    services: [tcp/8080]
    stay: 1h
    fixed: {knocks: [tcp/7201, udp/9442], gap: 60s}
"""


def _since(machine: Machine, count: int, words: str, timeout: float = 10) -> str:
    """The first message of the service after the first `count` that has the words in it."""
    until = time.monotonic() + timeout
    while True:
        said = messages(machine, "portress.service")[count:]
        for text in said:
            if words in text:
                return text
        assert time.monotonic() < until, "\n".join(said)
        time.sleep(0.1)


def test_the_daemon_runs_confined_and_opens_doors_nonetheless() -> None:
    with host() as machine:
        pid = machine.show("portress.service", "MainPID")
        about = machine.run("cat", f"/proc/{pid}/status").stdout
        sets = dict(re.findall(r"^(Cap\w+|NoNewPrivs|Seccomp):\s*(\w+)$", about, re.MULTILINE))
        only_net_admin = f"{1 << 12:016x}"
        assert {sets[name] for name in ("CapPrm", "CapEff", "CapBnd", "CapAmb")} == {only_net_admin}
        assert (sets["NoNewPrivs"], sets["Seccomp"]) == ("1", "2")
        assert machine.run("ps", "-o", "user=", "-p", pid).stdout.strip() == "portress"
        knock(machine, machine.stranger, World.stranger4)
        assert machine.login.ssh(machine.stranger, machine.host4, "id", "-un").stdout == "root\n"
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"
        knock(machine, machine.another, World.another6)
        assert tcp_state(machine.another, machine.host6, 22) == "open"


def test_its_exposure_is_low_by_systemds_own_measure() -> None:
    with host(run=False) as machine:
        words = ("systemd-analyze", "security", "--threshold=15", "--no-pager")  # in tenths
        measured = machine.run(*words, "portress.service", check=False)
        assert measured.returncode == 0, measured.stdout
        assert (
            machine.run("systemd-analyze", "verify", "--man=no", "portress.service", check=False).stderr == ""
        )


def test_its_exposure_is_as_low_where_it_is_read_from_its_file() -> None:
    with host(run=False) as machine:
        machine.copy(REPOSITORY / "systemd", "/root/systemd")
        words = ("systemd-analyze", "security", "--offline=yes", "--threshold=15", "--no-pager")
        for file in ("/root/systemd/portress.service", "/usr/lib/systemd/system/portress.service"):
            measured = machine.run(*words, file, check=False)
            assert measured.returncode == 0, measured.stdout


def test_the_journal_can_be_asked_by_door_source_and_event() -> None:
    with host() as machine:
        knock(machine, machine.stranger, World.stranger4)
        _since(machine, 0, f"{World.stranger4} admitted to ssh")
        by_door = machine.journal(None, "PORTRESS_DOOR=ssh", "PORTRESS_EVENT=admitted")
        assert [entry["PORTRESS_SOURCE"] for entry in by_door] == [World.stranger4]
        assert len(str(by_door[0]["MESSAGE_ID"])) == 32
        assert by_door[0]["_SYSTEMD_UNIT"] == "portress.service"
        told = " ".join(messages(machine, "portress.service"))
        assert not any(port in told for port in ("4617", "2953", "6381"))


def test_status_line_and_control_socket_are_for_root_and_the_group_alone() -> None:
    with host() as machine:
        knock(machine, machine.stranger, World.stranger4)
        until = time.monotonic() + 10
        while "ssh: 1 admitted" not in machine.show("portress.service", "StatusText"):
            assert time.monotonic() < until, machine.show("portress.service", "StatusText")
            time.sleep(0.1)
        machine.run("useradd", "--groups", "portress", "helper")
        machine.run("useradd", "other")
        assert World.stranger4 in machine.run("runuser", "-u", "helper", "--", "portress", "status").stdout
        refused = machine.run("runuser", "-u", "other", "--", "portress", "status", check=False)
        assert refused.returncode == 1
        assert World.stranger4 not in refused.stdout


def test_a_reload_takes_a_new_configuration_whole() -> None:
    with host(config(more=WEB)) as machine:
        knock(machine, machine.stranger, World.stranger4)
        machine.run("portress", "admit", World.another4, "web")
        before = len(messages(machine, "portress.service"))
        configure(machine, config())
        machine.systemctl("reload", "portress.service")
        _since(machine, before, "reloaded")
        assert admitted(machine, World.stranger4)
        doors = {entry["door"] for entry in status(machine)["admissions"]}
        assert doors == {"ssh"}


def test_a_bad_configuration_is_refused_on_reload_and_the_old_one_goes_on() -> None:
    with host() as machine:
        knock(machine, machine.stranger, World.stranger4)
        pid = machine.show("portress.service", "MainPID")
        configure(machine, config().replace("tcp/4617", "tcp/70000"))
        done = machine.run("systemctl", "reload", "portress.service", check=False)
        assert done.returncode == 1
        wrong = re.compile(r"portress\.yaml:\d+: doors\.ssh\.fixed\.knocks\[0\]")
        assert any(wrong.search(text) for text in _of(machine))
        assert machine.show("portress.service", "ActiveState") == "active"
        assert machine.show("portress.service", "MainPID") == pid
        assert admitted(machine, World.stranger4)
        knock(machine, machine.another, World.another4)


def _of(machine: Machine) -> list[str]:
    return messages(machine, "portress.service")


def test_a_configuration_copied_in_as_root_alone_is_readable_after_a_reload() -> None:
    with host() as machine:
        before = len(_of(machine))
        machine.run("chown", "root:root", "/etc/portress/portress.yaml")
        machine.run("chmod", "600", "/etc/portress/portress.yaml")
        machine.systemctl("reload", "portress.service")
        _since(machine, before, "reloaded")
        modes = machine.run("stat", "-c", "%a %U %G", "/etc/portress/portress.yaml").stdout
        assert modes == "640 root portress\n"


def test_an_upgrade_over_a_running_service_throws_nobody_out() -> None:
    with host() as machine, scratch() as folder:
        newer = folder / "newer"
        subprocess.run(["dpkg-deb", "--raw-extract", deb(), newer], check=True)
        control = newer / "DEBIAN/control"
        control.write_text(control.read_text().replace("Version: 1.0.0", "Version: 1.0.1"))
        subprocess.run(
            ["dpkg-deb", "--root-owner-group", "-Znone", "--build", newer, machine.path("/root/newer.deb")],
            check=True,
            capture_output=True,
        )
        knock(machine, machine.another, World.another4)
        pid = machine.show("portress.service", "MainPID")
        with strangers(machine) as crowd, guest(machine, machine.another) as inside:
            machine.run("dpkg", "--install", "/root/newer.deb")
            machine.await_state("portress.service", "active")
        assert machine.show("portress.service", "MainPID") != pid
        assert (crowd.sent > 100, crowd.answers) == (True, [])
        assert set(inside.met) == {"open"}
        assert machine.path("/etc/portress/portress.yaml").read_text() == config()
        knock(machine, machine.stranger, World.stranger4)


def test_a_credential_is_read_in_place_of_the_keyholders_file() -> None:
    with installed().boot(start=False) as machine:
        configure(machine, config(more=VPN))
        credential = machine.path("/etc/credstore/portress.keyholders.yaml")
        credential.parent.mkdir(parents=True, exist_ok=True)
        credential.write_text(f"- {{name: ana, doors: [vpn], secret: {'A' * 32}, style: derived}}\n")
        credential.chmod(0o600)
        machine.start()
        machine.systemctl("start", "portress.service")
        machine.await_state("portress.service", "active")
        assert status(machine)["keyholders"] == 1


VPN = """  vpn:
    services: [udp/51820]
    stay: 24h
    rotating: {pool: 20000-51999, length: 4, gap: 10s}
"""
