"""A sequence used just before the power went does not work again, at the boot or when the daemon is back.

With `decide: kernel` the packet path claims it and the ledger is written behind, so that the disk may know
nothing of the use.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator

import pytest

from lab import World, sender, tcp_state
from portress.clock import STEP
from portress.config.model import Rotating
from portress.keyholders.secret import to_base32
from portress.knock import SECOND
from portress.sequence.rotating import derive
from system.host import admitted, await_admitted, await_rotating, chroot, configure, installed, status
from system.machine import Machine

SECRET = bytes(range(20))
CONFIG = """
closed: drop
decide: {decide}
restore: false
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    rotating: {{pool: 20000-30000, protocols: [tcp, udp], length: 4, gap: 10s, skew: 0}}
"""
RULE = Rotating((20000, 30000), (6, 17), 4, 10 * SECOND, 0)
KEYHOLDERS = f"- {{name: ana, doors: [ssh], secret: {to_base32(SECRET)}, style: derived}}\n"
NEEDED = 25.0  # seconds that a step must have left for a knock, a boot and a knock


def _knocks(away: int = 0) -> list[str]:
    step = int(time.time()) // STEP + away
    return [str(knock) for knock in derive(SECRET, "ssh", RULE, step, "").knocks]


@contextlib.contextmanager
def _used(decide: str) -> Iterator[tuple[Machine, list[str]]]:
    """A machine whose service is ready, and the sequence of this minute, by which `stranger` is in."""

    def prepare(machine: Machine) -> None:
        configure(machine, CONFIG.format(decide=decide))
        machine.path("/etc/portress/keyholders.yaml").write_text(KEYHOLDERS)
        chroot(machine.disk, "chown", "root:portress", "/etc/portress/keyholders.yaml")
        machine.path("/etc/portress/keyholders.yaml").chmod(0o640)
        chroot(machine.disk, "systemctl", "enable", "portress.service")

    with installed().boot(prepare) as machine:
        machine.await_state("portress.service", "active")
        await_rotating(machine)
        left = STEP - time.time() % STEP
        if left < NEEDED:
            time.sleep(left + 0.5)
        used = _knocks()
        with sender(machine.stranger) as send:
            send.knocks(World.stranger4, World.host4, used)
            await_admitted(machine, World.stranger4)
        yield machine, used


def _restarted_without_a_wait(machine: Machine, used: list[str]) -> None:
    """A clean stop and start of the service: it is known what was used, and nothing else is refused."""
    machine.systemctl("restart", "portress.service")
    machine.await_state("portress.service", "active")
    assert status(machine)["refusing"] is None
    with sender(machine.another) as send:
        send.knocks(World.another4, World.host4, used)
        time.sleep(0.3)
    assert tcp_state(machine.another, World.host4, 22) == "filtered"


@pytest.mark.parametrize("decide", ["kernel", "daemon"])
def test_a_sequence_used_just_before_a_power_cut_is_refused_after_it(decide: str) -> None:
    with _used(decide) as (machine, used):
        if decide == "kernel":
            _restarted_without_a_wait(machine, used)
        machine.kill()
        machine.start()
        with sender(machine.another) as send:
            send.knocks(World.another4, World.host4, used)  # whoever recorded it is quicker than the daemon
            machine.await_state("portress.service", "active")
            assert _knocks() == used, "the machine took too long to boot: nothing is proven"
            for _ in range(3):
                send.knocks(World.another4, World.host4, used)
                time.sleep(0.3)
            assert status(machine)["refusing"] is not None
            assert not admitted(machine, World.another4)
            assert tcp_state(machine.another, World.host4, 22) == "filtered"
            await_rotating(machine)
            send.knocks(World.another4, World.host4, _knocks())
            await_admitted(machine, World.another4)
