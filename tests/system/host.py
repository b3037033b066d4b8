"""A machine with the package on it: the .deb built once a run, installed once on a copy of the root.

In: the root of `root.py`. Out: machines that boot with Portress installed as an administrator would have it.
Tests that run in several processes share both: the first that wants one makes it, the others wait. They go
when the process ends that started the tests.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import json
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from lab import LabError, Namespace, sender
from lab.portress import REPOSITORY
from system.machine import Machine, Machines
from system.root import alone, debian, release

_FOLDER: Final = "portress-installed-"
KNOCKS: Final = ("tcp/4617", "udp/2953", "tcp/6381")
CONFIG: Final = """
closed: drop
source_prefix: {{ipv4: 32, ipv6: 128}}
restore: true
doors:
  ssh:
    services: [tcp/22]
    stay: {stay}
    linger: true
    fixed: {{knocks: [tcp/4617, udp/2953, tcp/6381], gap: 60s}}
{more}"""


def config(stay: str = "8h", more: str = "") -> str:
    """A configuration with the door `ssh`; `more` is YAML at top level, or a further door, indented."""
    return CONFIG.format(stay=stay, more=more)


def _run() -> int:
    """The process that the whole run belongs to: with xdist the one that its workers are children of."""
    return os.getppid() if "PYTEST_XDIST_WORKER" in os.environ else os.getpid()


def _place() -> Path:
    """What the run shares."""
    folder = Path(tempfile.gettempdir(), f"{_FOLDER}{_run()}")
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder


@functools.cache
def deb() -> Path:
    """The package, built from this tree."""
    with alone(_place()):
        out = _place() / "deb"
        if not out.exists():
            making = _place() / "making"
            words = [str(REPOSITORY / "scripts/build-deb"), str(making)]
            built = subprocess.run(words, capture_output=True, text=True, timeout=120)
            if built.returncode:
                raise LabError(f"scripts/build-deb: {built.stdout}{built.stderr}")
            making.rename(out)
    (package,) = out.iterdir()
    return package


def chroot(root: Path, *words: str) -> str:
    """What a program prints in a root that isn't booted. LabError if it fails."""
    done = subprocess.run(["chroot", root, *words], capture_output=True, text=True, timeout=300)
    if done.returncode:
        raise LabError(f"{' '.join(words)}: exit {done.returncode}\n{done.stdout}{done.stderr}")
    return done.stdout


def _sweep() -> None:
    """Remove what runs that were killed have left."""
    for folder in Path(tempfile.gettempdir()).glob(f"{_FOLDER}*"):
        if not Path("/proc", folder.name.removeprefix(_FOLDER)).exists():
            _remove(folder)


def _remove(folder: Path) -> None:
    for root in (*folder.glob("root"), *folder.glob("*/root")):
        if root.is_mount():
            subprocess.run(["umount", "--lazy", root], check=False)
    shutil.rmtree(folder, ignore_errors=True)


if _run() == os.getpid():
    atexit.register(lambda: _remove(_place()))


@functools.cache
def installed(suite: str | None = None, *, full: bool = False) -> Machines:
    """Boots machines that have the package. It is put on a copy of the root, which goes when the run ends.

    Another release than the one that runs here comes without the programs that Portress lives with, or
    `full`, with them.
    """
    base = debian(suite) if suite in (None, release()) or full else debian(suite, more=())
    package = deb()
    folder = _place() / base.name
    with alone(_place()):
        if not (folder / "done").exists():
            _sweep()
            _remove(folder)  # what one that failed has left
            _install(base, package, folder)
            (folder / "done").touch()
    return Machines(folder / "root")


def _install(base: Path, package: Path, folder: Path) -> None:
    root, upper, work = (folder / name for name in ("root", "upper", "work"))
    for each in (root, upper, work):
        each.mkdir(parents=True)
    options = f"lowerdir={base},upperdir={upper},workdir={work}"
    subprocess.run(["mount", "-t", "overlay", "overlay", "-o", options, root], check=True)
    shutil.copy(package, root / "root/portress.deb")
    chroot(root, "dpkg", "--install", "/root/portress.deb")


def configure(machine: Machine, text: str) -> None:
    """Write the configuration, as an administrator's editor leaves it."""
    machine.path("/etc/portress/portress.yaml").write_text(text)


@contextlib.contextmanager
def host(text: str | None = None, *, suite: str | None = None, run: bool = True) -> Iterator[Machine]:
    """A booted machine with the package and this configuration; with `run`, its service is ready."""

    def prepare(machine: Machine) -> None:
        configure(machine, config() if text is None else text)
        if run:
            chroot(machine.disk, "systemctl", "enable", "portress.service")

    with installed(suite).boot(prepare) as machine:
        if run:
            machine.await_state("portress.service", "active")
        yield machine


def status(machine: Machine) -> Any:
    """What `portress status --json` prints inside, as Python values."""
    return json.loads(machine.run("portress", "status", "--json", "--limit", "0").stdout)


def await_rotating(machine: Machine) -> None:
    """Until rotating sequences are not refused any more, as they are for the first minute after a boot."""
    until = time.monotonic() + 180
    while (refusing := status(machine)["refusing"]) is not None:
        assert time.monotonic() < until, "rotating sequences are refused for good"
        time.sleep(max(0.5, refusing["left"]))


def knock(machine: Machine, ns: Namespace, source: str, timeout: float = 30) -> None:
    """Knock the sequence of the door `ssh` from `source`, which must be let in within `timeout` seconds."""
    with sender(ns) as send:
        send.knocks(source, machine.host6 if ":" in source else machine.host4, KNOCKS, pause=0.02)
    await_admitted(machine, source, timeout)


def admitted(machine: Machine, source: str) -> bool:
    """Whether the kernel holds an admission of that source through the door `ssh`."""
    name = "ssh_6" if ":" in source else "ssh_4"
    listed = machine.run("nft", "-j", "list", "set", "inet", "portress", name, check=False)
    return f'"{source}"' in listed.stdout


def await_admitted(machine: Machine, source: str, timeout: float = 30) -> None:
    until = time.monotonic() + timeout
    while not admitted(machine, source):
        if time.monotonic() > until:
            said = "\n".join(str(entry.get("MESSAGE")) for entry in machine.journal("portress.service")[-30:])
            raise LabError(f"{source} is not let in:\n{said}")
        time.sleep(0.1)


def messages(machine: Machine, unit: str) -> list[str]:
    """The texts in a unit's journal, all boots, oldest first."""
    machine.run("journalctl", "--sync", check=False)
    return [str(entry.get("MESSAGE")) for entry in machine.journal(unit)]
