"""The README's commands, run as they are there: the package built, installed, tried, kept, and used.

Only what stands for something else is filled in: the host's name, an address, a file.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import time
from pathlib import Path

from lab import World, scratch, tcp_state
from lab.portress import REPOSITORY
from system.host import await_admitted, await_rotating, configure
from system.machine import Machine, Machines
from system.root import debian, release

README = (REPOSITORY / "README.md").read_text()
PLACES = {"gate.example.org": World.host4, "YOUR-ADDRESS": World.stranger4, "198.51.100.7": World.stranger4}
# Shown by tests of their own; a trace needs a capture, and following never ends.
ELSEWHERE = ("scripts/demo", "scripts/test", "portress trace FILE", "portress follow")


def _section(title: str) -> str:
    return README.partition(f"\n## {title}\n")[2].partition("\n## ")[0]


def commands(title: str) -> list[str]:
    """The command lines of a section, in their order, without the comments behind them."""
    begin = r"scripts/\S+|portress\S*|apt|systemctl|journalctl"
    found = re.findall(rf"^ {{4,}}((?:{begin})(?: .*)?)$", _section(title), re.MULTILINE)
    lines = [line.partition("  #")[0].strip() for line in found]
    return [line for line in lines if not line.startswith(ELSEWHERE)]


def _filled_in(line: str) -> str:
    for place, value in PLACES.items():
        line = line.replace(place, value)
    return line


def _example() -> str:
    """The README's own configuration, whole."""
    return _section("Configuration by example").partition("```yaml\n")[2].partition("```")[0]


def _built(machine: Machine, build: str, folder: Path) -> None:
    """Run the README's first command in a copy of the tree; what it built is where the next one looks."""
    copy = folder / "tree"
    for name in ("daemon", "systemd", "scripts", "shared", "config"):
        shutil.copytree(REPOSITORY / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("README.md", "DEVELOPERS.md", "LICENSE"):
        if (REPOSITORY / name).exists():
            shutil.copy(REPOSITORY / name, copy)
    subprocess.run(build.split(), cwd=copy, check=True, capture_output=True)
    machine.path("/root/dist").mkdir()
    (package,) = (copy / "dist").glob("portress_*_all.deb")
    shutil.copy(package, machine.path("/root/dist"))


def _client(machine: Machine, line: str) -> str:
    """A line of the README on the stranger's computer, with `portress-knock` and the key for `ssh` there."""
    ssh = " ".join(machine.login.command(World.host4, "echo", "in"))
    line = _filled_in(line).replace(f"ssh {World.host4}", ssh)
    path = f"PATH={REPOSITORY / 'scripts'}:$PATH; "
    return machine.stranger.run(["sh", "-ec", path + line], timeout=60).stdout


def test_the_installation_works_as_it_is_written() -> None:
    follow(release())


def follow(suite: str) -> None:
    """Install it in that release, reboot, and use it from elsewhere, with the README's own commands."""
    machines = Machines(debian() if suite == release() else debian(suite, more=()))
    steps = commands("Install it without locking yourself out")
    build, install, check, doctor, trial, start, knock, keep, enable = steps
    with machines.boot() as machine, scratch() as folder:
        _built(machine, build, folder)
        machine.run("sh", "-ec", f"cd /root && {install}", timeout=120)
        example = _example()
        configure(machine, example)
        machine.run(*check.split())
        assert machine.run(*doctor.split(), check=False).returncode in (0, 1)
        assert tcp_state(machine.stranger, machine.host4, 22) == "open"
        machine.run(*trial.split())
        machine.systemctl(*start.split()[1:])
        machine.await_state("portress.service", "active")
        assert tcp_state(machine.stranger, machine.host4, 22) == "closed"
        assert "in" in _client(machine, knock).split()
        await_admitted(machine, World.stranger4)
        assert machine.run("portress", "status", "--json").stdout
        machine.run(*keep.split())
        machine.run(*enable.split())
        machine.reboot()
        machine.await_state("portress.service", "active")
        assert tcp_state(machine.another, machine.host4, 22) == "closed"
        assert "in" in _client(machine, knock).split()
        _connecting(machine)
        for line in commands("What is going on"):
            machine.run("sh", "-ec", _filled_in(line), timeout=60) if "doctor" not in line else None


def _connecting(machine: Machine) -> None:
    """The section on laptops: a keycard made on the host, and used from elsewhere."""
    enrol, listed, unenrol, knock = commands("Connecting")[:4]
    machine.run("sh", "-ec", f"cd /root && {_filled_in(enrol)}")
    assert "ana" in machine.run(*listed.split()).stdout
    await_rotating(machine)
    with scratch() as folder:
        shutil.copy(machine.path("/root/ana.keycard"), folder)
        machine.stranger.run(["sh", "-ec", f"cd {folder}; PATH={REPOSITORY / 'scripts'}:$PATH; {knock}"])
    came = ["portress", "history", "--keyholder", "ana", "--json"]
    until = time.monotonic() + 20
    while machine.run(*came, check=False).returncode:  # the ledger is written behind
        assert time.monotonic() < until, machine.run("journalctl", "-t", "portress", "-n", "40").stdout
        time.sleep(0.2)
    machine.run(*unenrol.split())
    assert "ana" not in machine.run(*listed.split(), check=False).stdout  # 1: nobody is enrolled


def test_the_pages_are_installed_where_the_readme_says() -> None:
    with scratch() as folder:
        words = [str(REPOSITORY / "scripts/install"), "--destdir", str(folder), "--prefix", "/usr"]
        subprocess.run(words, check=True, capture_output=True)
        doc = folder / "usr/share/doc/portress"
        links = re.findall(r"(?:\]\(|src=\")([^)#:\"]+)", (doc / "README.md").read_text())
        assert len(links) > 5
        assert [link for link in links if link != "DEVELOPERS.md" and not (doc / link).exists()] == []
