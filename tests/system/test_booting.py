"""The doors are shut from the first moment of a boot, before the network is there, then come back."""

from __future__ import annotations

import re
import time

from lab import World, tcp_state, until
from system.crowds import Strangers, strangers
from system.host import admitted, chroot, config, configure, host, installed, knock, messages, status
from system.machine import Machine

# The machine's links are there before its first process, as no host's are. This brings them up when a host's
# network comes up: after network-pre.target.
NETWORK = f"""[Unit]
DefaultDependencies=no
After=network-pre.target
Before=network.target
Wants=network.target

[Service]
Type=oneshot
RemainAfterExit=yes
ExecStart=/bin/ip link set eth0 up
ExecStart=-/bin/ip route add 192.0.2.0/24 via {World.stranger4}
ExecStart=-/bin/ip route add 203.0.113.0/24 via {World.stranger4}

[Install]
WantedBy=sysinit.target
"""


def _boot_under_fire(*, guarded: bool) -> Strangers:
    """What strangers met who sent SYNs from the moment the network came up until the daemon was ready."""

    def prepare(machine: Machine) -> None:
        configure(machine, config())
        machine.path("/etc/systemd/system/lab-network.service").write_text(NETWORK)
        chroot(machine.disk, "systemctl", "enable", "lab-network.service")
        if guarded:
            chroot(machine.disk, "systemctl", "enable", "portress.service")

    with installed().boot(prepare, start=False) as machine:
        machine.start(wait=False)
        machine.ns.ip("link set eth0 down")
        with strangers(machine) as crowd:
            machine.wait_booted()
            if guarded:
                machine.await_state("portress.service", "active")
            machine.await_state("ssh.service", "active")
            time.sleep(0.5)
        if guarded:
            assert crowd.answers == [], machine.run("journalctl", "--output=short-precise").stdout
            assert _arrived(machine)
        return crowd


def _arrived(machine: Machine) -> bool:
    """Whether the machine's network does work at the end: a knock opens the door."""
    knock(machine, machine.another, World.another4)
    return tcp_state(machine.another, machine.host4, 22) == "open"


def test_no_strangers_syn_gets_through_from_the_boot_to_the_daemons_ready() -> None:
    assert _boot_under_fire(guarded=True).sent > 100


def test_without_portress_the_same_boot_answers_strangers() -> None:
    assert len(_boot_under_fire(guarded=False).answers) > 10


def test_a_reboot_brings_admissions_back_with_the_time_they_have_left() -> None:
    with host(config(stay="1h")) as machine:
        knock(machine, machine.stranger, World.stranger4)
        begun = time.time()
        before = status(machine)["admissions"][0]["left"]
        machine.reboot()
        machine.await_state("portress.service", "active")
        after = status(machine)["admissions"]
        assert [(one["source"], one["door"]) for one in after] == [(World.stranger4, "ssh")]
        assert before - (time.time() - begun) - 2 <= after[0]["left"] <= before
        assert tcp_state(machine.stranger, machine.host4, 22) == "open"
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"


def test_a_normal_boot_says_nothing_of_what_is_not_amiss() -> None:
    """No line on a credential that is not there, none that no daemon runs, no warning."""
    with host() as machine:
        machine.run("journalctl", "--sync")
        units = ("portress-guard.service", "portress-guard-again.service", "portress.service")
        said = [entry for unit in units for entry in machine.journal(unit)]
        assert [str(one["MESSAGE"]) for one in said if int(one.get("PRIORITY", 6)) <= 4] == []
        assert not any("o daemon" in str(one["MESSAGE"]) or "Why" in str(one["MESSAGE"]) for one in said)
        everything = [str(entry.get("MESSAGE")) for entry in machine.journal()]
        assert any("ready, watching by" in text for text in everything)
        assert [text for text in everything if "keyholders.yaml" in text] == []
        assert [text for text in everything if "credential" in text.lower() and "portress" in text] == []


def test_after_a_power_cut_admissions_come_back_too() -> None:
    with host() as machine:
        knock(machine, machine.stranger, World.stranger4)
        machine.kill()
        machine.start()
        machine.await_state("portress.service", "active")
        assert admitted(machine, World.stranger4)
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"


def test_a_reboot_with_an_unusable_configuration_finds_the_doors_as_they_were() -> None:
    with host() as machine:
        configure(machine, config().replace("tcp/22", "tcp/twentytwo"))
        machine.reboot()
        assert tcp_state(machine.stranger, machine.host4, 22) == "filtered"
        said = "\n".join(messages(machine, "portress-guard.service"))
        assert re.search(r"portress\.yaml:\d+: doors\.ssh\.services\[0\]", said), said
        assert "Loaded the last good guard" in said
        assert "To open all doors at once, at the console: portress unguard" in said
        machine.await_state("portress.service", "active")
        assert "LAST GOOD CONFIGURATION" in machine.show("portress.service", "StatusText")
        knock(machine, machine.stranger, World.stranger4)
        configure(machine, config(stay="2h"))
        machine.systemctl("reload", "portress.service")
        time.sleep(2)  # the text is told systemd once a second
        assert "LAST GOOD CONFIGURATION" not in machine.show("portress.service", "StatusText")
        assert status(machine)["doors"][0]["stay"] == 7200
        assert admitted(machine, World.stranger4)


def test_a_restart_with_an_unusable_configuration_lets_in_who_knocks_and_says_so() -> None:
    with host() as machine:
        configure(machine, "doors: {}\n")
        machine.systemctl("restart", "portress.service")
        machine.run("journalctl", "--sync")
        told = machine.journal(None, "SYSLOG_IDENTIFIER=portress-guard", "PRIORITY=3")
        assert any("Running the last good configuration" in str(entry["MESSAGE"]) for entry in told)
        assert any("portress unguard" in str(entry["MESSAGE"]) for entry in told)
        assert any("portress.yaml:1: doors" in text for text in messages(machine, "portress.service"))
        knock(machine, machine.stranger, World.stranger4)


def test_a_daemon_that_cannot_start_says_how_to_get_in() -> None:
    with host() as machine:
        configure(machine, "doors: {}\n")
        machine.path("/var/lib/portress/last-good.yaml").unlink()
        machine.run("systemctl", "restart", "portress.service", check=False)
        machine.run("journalctl", "--sync")
        told = machine.journal(None, "SYSLOG_IDENTIFIER=portress-guard", "PRIORITY=3")
        assert any("portress unguard" in str(entry["MESSAGE"]) for entry in told)
        machine.run("portress", "unguard")
        assert tcp_state(machine.stranger, machine.host4, 22) == "open"


def test_a_first_start_without_a_configuration_says_that_nothing_is_guarded() -> None:
    with host(run=False) as machine:
        configure(machine, "doors: {}\n")
        assert machine.run("systemctl", "start", "portress.service", check=False).returncode != 0
        machine.systemctl("stop", "portress.service")
        machine.run("journalctl", "--sync")
        told = [str(entry["MESSAGE"]) for entry in machine.journal(None, "SYSLOG_IDENTIFIER=portress-guard")]
        assert any("No guard loaded" in text for text in told)
        assert not any("The doors are closed" in text for text in told)


def test_loading_the_guard_anew_from_an_unusable_configuration_leaves_the_one_in_force() -> None:
    with host() as machine:
        knock(machine, machine.stranger, World.stranger4)
        configure(machine, "doors: {}\n")
        assert machine.run("systemctl", "restart", "portress-guard.service", check=False).returncode != 0
        said = "\n".join(messages(machine, "portress-guard.service"))
        assert "The guard that is loaded stays in force" in said and "No guard loaded" not in said
        assert admitted(machine, World.stranger4)
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"


def test_stopping_the_units_leaves_the_doors_shut() -> None:
    with host() as machine:
        knock(machine, machine.stranger, World.stranger4)
        machine.systemctl("stop", "portress.service", "portress-guard.service")
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"
        assert tcp_state(machine.stranger, machine.host4, 22) == "open"


def test_a_trial_that_nobody_keeps_opens_the_doors_again_with_the_service_too() -> None:
    with host(run=False) as machine:
        machine.run("portress", "guard", "--trial", "30s")
        assert tcp_state(machine.stranger, machine.host4, 22) == "filtered"
        machine.systemctl("start", "portress.service")
        knock(machine, machine.stranger, World.stranger4)
        until(lambda: tcp_state(machine.another, machine.host4, 22) == "open")
        machine.run("portress", "guard")
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"


def test_stopped_and_started_the_service_still_knows_what_was_done_by_hand() -> None:
    with host() as machine:
        machine.run("portress", "unguard")
        machine.systemctl("stop", "portress.service")
        machine.systemctl("start", "portress.service")
        assert tcp_state(machine.another, machine.host4, 22) == "open"
        machine.run("portress", "guard", "--trial", "20s")
        machine.systemctl("stop", "portress.service")
        machine.systemctl("start", "portress.service")
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"
        until = time.monotonic() + 30
        while tcp_state(machine.another, machine.host4, 22) != "open":
            assert time.monotonic() < until, "the trial did not end"
            time.sleep(0.5)
        begun = time.monotonic()
        machine.run("portress", "guard", "--trial", "20s")
        machine.systemctl("stop", "portress.service")
        kept = machine.run("portress", "guard", "--keep").stdout
        assert kept.startswith("The guard stays. Closed to everyone not admitted: ssh (tcp/22).\n")
        time.sleep(max(0.0, begun + 21 - time.monotonic()))
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"


def test_a_trial_that_is_kept_stays() -> None:
    with host(run=False) as machine:
        machine.run("portress", "guard", "--trial", "20s")
        begun = time.monotonic()
        machine.systemctl("start", "portress.service")
        machine.run("portress", "guard", "--keep")
        time.sleep(max(0.0, begun + 21 - time.monotonic()))
        assert tcp_state(machine.another, machine.host4, 22) == "filtered"
