"""A boot of a host whose network is up before its first process, with strangers dialling from before that.

In: a release, a firewall, how sshd is started. Out: what the stranger got in: connections that sshd answered.
"""

from __future__ import annotations

import time
from typing import Final

from attrs import frozen

from lab import World
from system.crowds import strangers
from system.host import chroot, config, configure, installed, knock
from system.machine import Machine

FIREWALLS: Final = ("none", "nftables", "ufw", "firewalld")
SSHD: Final = ("ssh.service", "ssh.socket")
PAUSE: Final = 0.005  # seconds between two SYNs of strangers
_NFTABLES: Final = """flush ruleset
table inet filter {
    chain input { type filter hook input priority filter; policy accept; tcp dport 22 accept; }
}
"""


@frozen
class Boot:
    """What one boot came to: SYNs that strangers sent, their answers, and what systemd said of cycles."""

    sent: int
    answers: tuple[str, ...]
    cycles: tuple[str, ...]


def prepare(machine: Machine, *, firewall: str, sshd: str, guarded: bool) -> None:
    """Make the host what it has to be before it boots."""
    configure(machine, config())
    for unit in SSHD:
        chroot(machine.disk, "systemctl", "enable" if unit == sshd else "disable", unit)
    wall = {"nftables": "nftables.service", "ufw": "ufw.service", "firewalld": "firewalld.service"}.get(
        firewall
    )
    if firewall == "nftables":
        machine.path("/etc/nftables.conf").write_text(_NFTABLES)
    if firewall == "ufw":
        for name, old, new in (
            ("/etc/ufw/ufw.conf", "ENABLED=no", "ENABLED=yes"),
            ("/etc/default/ufw", 'DEFAULT_INPUT_POLICY="DROP"', 'DEFAULT_INPUT_POLICY="ACCEPT"'),
        ):
            machine.path(name).write_text(machine.path(name).read_text().replace(old, new))
    if wall is not None:
        chroot(machine.disk, "systemctl", "unmask", wall)
        chroot(machine.disk, "systemctl", "enable", wall)
    if guarded:
        chroot(machine.disk, "systemctl", "enable", "portress.service")


def boot(
    *, suite: str | None = None, firewall: str = "none", sshd: str = "ssh.service", guarded: bool = True
) -> Boot:
    """Boot once, under fire from before systemd's start until a while after the daemon is ready."""
    with installed(suite, full=True).boot(
        lambda machine: prepare(machine, firewall=firewall, sshd=sshd, guarded=guarded), start=False
    ) as machine:
        machine.connect()
        with strangers(machine, pause=PAUSE) as crowd:
            time.sleep(0.2)
            machine.start()
            machine.await_state(sshd, "active")
            if guarded:
                machine.await_state("portress.service", "active")
            time.sleep(1)
        if guarded and not crowd.answers:
            _open_to_a_knock(machine)
        log = machine.run("journalctl", "--no-pager", "--output=short-precise").stdout.splitlines()
        cycles = tuple(line for line in log if "ordering cycle" in line)
        return Boot(crowd.sent, tuple(_served(crowd.answers)), cycles)


def _served(answers: list[str]) -> list[str]:
    """The answers of a server. A host on which nothing listens yet answers with a reset: nobody is in."""
    return [line for line in answers if "Flags [S.]" in line]


def _open_to_a_knock(machine: Machine) -> None:
    """The network does work in the end: a knock opens the door."""
    knock(machine, machine.another, World.another4)
