"""Paper on a booted machine, confined as the service is: where uses are recorded, and what undoes that."""

from __future__ import annotations

import json
import time

from lab import crowd, sender
from system.host import admitted, await_admitted, config, host, messages
from system.machine import Machine

PAPER = config().replace("    fixed:", "    rotating: {}\n    paper: {sequences: 6}\n    fixed:")
WITNESSES = ("/var/lib/portress-paper", "/var/cache/portress")


def _sheet(machine: Machine) -> list[list[str]]:
    words = ("portress", "enrol", "ana", "--door", "ssh", "--paper", "--host", "gate.example.org", "--json")
    lines: list[list[str]] = json.loads(machine.run(*words).stdout)["paper"][0]["sequences"]
    return lines


def _dial(machine: Machine, source: str, line: list[str]) -> None:
    with sender(machine.stranger) as send:
        send.knocks(source, machine.host4, line, pause=0.02)


def _refused(machine: Machine, source: str, line: list[str]) -> None:
    """The line is dialled, and opens nothing."""
    _dial(machine, source, line)
    time.sleep(1)
    assert not admitted(machine, source)


def test_uses_are_recorded_in_both_places_and_an_older_ledger_voids_all_paper() -> None:
    one, two, three, four, five = crowd(5)
    with host(PAPER, run=False) as machine:
        lines = _sheet(machine)  # before the first start of the service
        machine.systemctl("start", "portress.service")
        machine.await_state("portress.service", "active")
        _dial(machine, one, lines[0])
        await_admitted(machine, one)
        told = {machine.run("cat", f"{place}/paper-uses").stdout for place in WITNESSES}
        assert len(told) == 1 and json.loads(told.pop())["uses"] == 1
        for place in WITNESSES:
            about = machine.run("stat", "-c", "%U %a", place, f"{place}/paper-uses").stdout.split("\n")
            assert about[:2] == ["portress 700", "portress 600"]
        machine.systemctl("stop", "portress.service")
        machine.run("cp", "-a", "/var/lib/portress", "/root/older")
        machine.run("cp", "-a", "/var/lib/portress-paper", "/root/older-paper")
        machine.reboot()
        machine.systemctl("start", "portress.service")
        machine.await_state("portress.service", "active")
        _refused(machine, two, lines[0])
        _dial(machine, two, lines[1])
        await_admitted(machine, two)
        # A backup of /var/lib as a whole: the ledger and the witness beside it agree, the one in the cache
        # has seen one use more.
        machine.systemctl("stop", "portress.service")
        machine.run("rm", "-rf", "/var/lib/portress", "/var/lib/portress-paper")
        machine.run("cp", "-a", "/root/older", "/var/lib/portress")
        machine.run("cp", "-a", "/root/older-paper", "/var/lib/portress-paper")
        machine.systemctl("start", "portress.service")
        machine.await_state("portress.service", "active")
        said = messages(machine, "portress.service")
        assert any("paper printed before is void" in text and "ana (ssh)" in text for text in said)
        for line in lines:
            _refused(machine, three, line)
        assert "void" in machine.run("portress", "keyholders").stdout
        fresh = _sheet(machine)
        _dial(machine, four, fresh[5])
        await_admitted(machine, four)
        _refused(machine, five, fresh[5])
