"""Both Debians, a hundred flushes of the whole ruleset: undone at once, or (nft 1.1) without effect. And the
firewalls that load their rules beside the guard: no gap.
"""

from __future__ import annotations

import pytest

from lab import World, tcp_state
from system.crowds import guest, strangers
from system.host import host, knock
from system.test_flushes import flushed


@pytest.mark.parametrize("suite", ["bookworm", "trixie"])
def test_a_flush_lets_nobody_stay_in(suite: str) -> None:
    print(f"\n{suite}: {flushed(suite)}")


def test_firewalld_and_ufw_come_and_go_without_a_gap() -> None:
    with host() as machine:
        machine.systemctl("unmask", "firewalld.service", "ufw.service")
        knock(machine, machine.another, World.another4)
        with strangers(machine) as outside, guest(machine, machine.another) as inside:
            for verb in ("start", "reload", "stop"):
                machine.systemctl(verb, "firewalld.service")
            machine.run("ufw", "allow", "22/tcp")
            for words in (["--force", "enable"], ["reload"], ["disable"]):
                machine.run("ufw", *words)
        assert (outside.sent > 100, outside.answers) == (True, [])
        assert inside.met["open"] > 10
        assert tcp_state(machine.another, machine.host4, 22) == "open"
