"""No stranger gets in while a host boots: both Debians, each firewall and way to start sshd, three boots.

The network is up before systemd, and strangers dial from before the start. Prints a line for each.
"""

from __future__ import annotations

import pytest

from system.booting import FIREWALLS, SSHD, boot

SUITES = ("bookworm", "trixie")
BOOTS = 3


@pytest.mark.parametrize("sshd", SSHD)
@pytest.mark.parametrize("firewall", FIREWALLS)
@pytest.mark.parametrize("suite", SUITES)
def test_no_stranger_gets_in_while_it_boots(suite: str, firewall: str, sshd: str) -> None:
    boots = [boot(suite=suite, firewall=firewall, sshd=sshd) for _ in range(BOOTS)]
    sent, inside = sum(one.sent for one in boots), sum(len(one.answers) for one in boots)
    print(f"\n{suite} {firewall} {sshd}: {BOOTS} boots, {sent} SYNs of strangers, {inside} answered by sshd")
    assert all(one.sent > 100 for one in boots)
    assert [(one.answers, one.cycles) for one in boots] == [((), ())] * BOOTS


@pytest.mark.parametrize("suite", SUITES)
def test_without_portress_the_same_boot_lets_strangers_in(suite: str) -> None:
    one = boot(suite=suite, guarded=False)
    print(f"\n{suite} without portress: {one.sent} SYNs of strangers, {len(one.answers)} answered by sshd")
    assert len(one.answers) > 10
