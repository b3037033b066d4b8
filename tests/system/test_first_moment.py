"""Nobody gets in between systemd's first moment and the guard, also where the network is up before that."""

from __future__ import annotations

import pytest

from system.booting import SSHD, boot
from system.host import installed

# What systemd starts in a boot before any ordinary service or socket: see bootup(7).
EARLY = ("sysinit.target", "network-pre.target")


@pytest.mark.parametrize("sshd", [SSHD[0], *(pytest.param(one, marks=pytest.mark.wide) for one in SSHD[1:])])
def test_no_stranger_gets_in_though_the_network_is_up_before_systemd(sshd: str) -> None:
    one = boot(sshd=sshd)
    assert one.sent > 100
    assert (one.answers, one.cycles) == ((), ())


def test_without_portress_the_same_boot_lets_strangers_in() -> None:
    assert len(boot(guarded=False).answers) > 10


def test_the_first_unit_follows_nothing_that_follows_sysinit_and_the_second_the_firewalls() -> None:
    with installed(full=True).boot() as machine:
        machine.systemctl("unmask", "firewalld.service", "ufw.service")
        for unit in ("portress-guard.service", "nftables.service", "ufw.service", "firewalld.service"):
            machine.systemctl("enable", unit)
        before = machine.show("portress-guard.service", "Before").split()
        assert set(EARLY) <= set(before)
        assert set(EARLY) <= set(machine.show("portress-guard.service", "WantedBy").split())
        followed = _followed(machine.show, "portress-guard.service")
        assert "local-fs.target" in followed and "nftables.service" in followed
        assert not followed & {"sysinit.target", "basic.target", "network-pre.target", "firewalld.service"}
        after = set(machine.show("portress-guard-again.service", "After").split())
        assert {"nftables.service", "ufw.service", "firewalld.service", "portress-guard.service"} <= after
        checked = machine.run("systemd-analyze", "verify", "--man=no", "default.target", check=False)
        assert "cycle" not in checked.stderr


def _followed(show: object, unit: str) -> set[str]:
    """All that a unit comes after, and what that comes after."""
    assert callable(show)
    found: set[str] = set()
    coming = [unit]
    while coming:
        for one in show(coming.pop(), "After").split():
            if one not in found:
                found.add(one)
                coming.append(one)
    return found
