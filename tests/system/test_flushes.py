"""Somebody throws the whole ruleset away, again and again, while strangers and an admitted source connect."""

from __future__ import annotations

import random
import time

import pytest

from lab import World, tcp_state, until
from system.crowds import guest, strangers
from system.host import admitted, await_admitted, config, host, knock, status
from system.machine import Machine
from system.root import release


class Outcome:
    """What so many flushes (`times`) came to."""

    def __init__(self, times: int, sent: int, moments: list[float], met: dict[str, int]) -> None:
        self.times = times
        self.sent = sent
        self.through = len(moments)
        self.met = met
        self.away: list[float] = []  # seconds between the first and the last SYN that got through, each time
        begun = last = -1.0
        for moment in moments:
            if moment - last > 0.015:  # strangers dial every few milliseconds
                if begun >= 0:
                    self.away.append(last - begun)
                begun = moment
            last = moment
        if begun >= 0:
            self.away.append(last - begun)

    def __str__(self) -> str:
        longest, total = max(self.away, default=0.0) * 1000, sum(self.away) * 1000
        return (
            f"{self.times} flushes: {self.through} of {self.sent} SYNs of strangers got through, the guard"
            f" was seen away {len(self.away)} times, {longest:.1f} ms at the longest, {total:.1f} ms in all"
        )


def _seconds(line: str) -> float:
    """The time of day of a line of tcpdump."""
    hours, minutes, seconds = line.split()[0].split(":")
    return int(hours) * 3600 + int(minutes) * 60 + float(seconds)


def _flush(machine: Machine, times: int) -> Outcome:
    """Flush the ruleset at random moments under fire; afterwards the guard is there with its admission."""
    chance = random.Random(7)
    knock(machine, machine.another, World.another4)
    with strangers(machine) as outside, guest(machine, machine.another) as inside:
        for _ in range(times):
            time.sleep(chance.uniform(0.01, 0.08))
            machine.ns.run(["nft", "flush", "ruleset"])
        time.sleep(0.3)
    await_admitted(machine, World.another4)
    assert tcp_state(machine.stranger, machine.host4, 22) == "filtered"
    return Outcome(times, outside.sent, [_seconds(line) for line in outside.answers], inside.met)


def flushed(suite: str, times: int = 100) -> str:
    """What so many flushes come to in that release, told. Where a table can have an owner: nothing."""
    with host(suite=suite) as machine:
        version = machine.run("nft", "--version").stdout.split()[1]
        outcome = _flush(machine, times)
        restored = status(machine)["guard"]["restorations"]
        assert set(outcome.met) == {"open"}
        if tuple(map(int, version.removeprefix("v").split(".")[:2])) >= (1, 1):
            assert (outcome.through, restored) == (0, {})
        else:
            assert restored  # several may be one
            assert machine.journal(None, "PORTRESS_EVENT=restored")
        return f"{outcome} (nft {version})"


def test_a_guard_whose_ruleset_is_flushed_cannot_be_or_is_put_back_at_once(
    capsys: pytest.CaptureFixture[str],
) -> None:
    told = flushed(release(), 25)
    with capsys.disabled():
        print(f"\n{told}")


def test_a_guard_that_was_deleted_or_changed_is_put_back() -> None:
    with host(suite="bookworm") as machine:
        knock(machine, machine.another, World.another4)
        for deed in (
            ["delete", "table", "inet", "portress"],
            ["flush", "chain", "inet", "portress", "entry"],
            ["flush", "set", "inet", "portress", "ssh_4"],
        ):
            machine.ns.run(["nft", *deed])
            until(lambda: tcp_state(machine.stranger, machine.host4, 22) == "filtered")
            until(lambda: tcp_state(machine.another, machine.host4, 22) == "open")


def test_reloading_the_hosts_own_firewall_leaves_the_doors_guarded() -> None:
    with host() as machine:
        machine.systemctl("start", "nftables.service")
        until(lambda: status(machine)["guard"]["present"])  # it may have been flushed just now
        knock(machine, machine.another, World.another4)
        for verb in ("reload", "restart", "stop"):
            machine.systemctl(verb, "nftables.service")
            until(lambda: tcp_state(machine.stranger, machine.host4, 22) == "filtered")
            until(lambda: admitted(machine, World.another4))


def test_reloading_it_while_the_daemon_is_down_leaves_them_guarded_too() -> None:
    with host(config()) as machine:
        machine.systemctl("start", "nftables.service")
        machine.systemctl("stop", "portress.service")
        machine.systemctl("reload", "nftables.service")
        until(lambda: tcp_state(machine.stranger, machine.host4, 22) == "filtered")
