"""Configurations to measure with, and daemons that run in the laboratory with their log in a file.

In: how many doors and keyholders. Out: a Running, which can be asked, and whose time and memory can be
read.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from lab.portress import REPOSITORY, Daemon, daemon
from lab.space import LabError, Namespace
from portress import control

RIGHT: Final = ("tcp/4617", "udp/2953", "tcp/6381")
GAP: Final = 60  # seconds
PROGRAM: Final = str(REPOSITORY / ".venv/bin/portress")
WATCHED: Final = str(REPOSITORY / "scripts/benchmarks/watched.py")
PYTHON: Final = str(REPOSITORY / ".venv/bin/python")
_FIRST_KNOCK: Final = 20001
_FIRST_SERVICE: Final = 10001


def knocks_of(door: int) -> tuple[str, ...]:
    """The sequence of door number `door` (0 to 999); that of door 0 is the documentation's."""
    if door == 0:
        return RIGHT
    first = _FIRST_KNOCK + 3 * door
    return (f"tcp/{first}", f"udp/{first + 1}", f"tcp/{first + 2}")


def doors(count: int = 1, top: str = "", stay: str = "1h", linger: bool = True) -> str:
    """A configuration with so many doors; door 0 is `ssh`, which guards tcp/22."""
    lines = [top, "doors:"] if top else ["doors:"]
    for number in range(count):
        service = 22 if number == 0 else _FIRST_SERVICE + number
        name = "ssh" if number == 0 else f"door{number}"
        knocks = ", ".join(knocks_of(number))
        lines.append(f"  {name}: {{services: [tcp/{service}], stay: {stay}, linger: {str(linger).lower()},")
        lines.append(f"    fixed: {{knocks: [{knocks}], gap: {GAP}s}}}}")
    return "\n".join(lines) + "\n"


def rotating(names: tuple[str, ...] = ("vpn", "lan", "web"), top: str = "") -> str:
    """A configuration with rotating doors alone, each guarding a TCP port from 50001 on."""
    lines = [top, "doors:"] if top else ["doors:"]
    for number, name in enumerate(names):
        lines.append(f"  {name}: {{services: [tcp/{60001 + number}], stay: 1h, rotating:")
        lines.append(f"    {{pool: 20000-51999, protocols: [tcp, udp], length: 4, gap: {GAP}s, skew: 1}}}}")
    return "\n".join(lines) + "\n"


def secret(number: int) -> str:
    """A keyholder's secret in base32, the same in every run."""
    return base64.b32encode(hashlib.sha256(f"bench {number}".encode()).digest()[:20]).decode()


def keyholders(count: int, names: tuple[str, ...] = ("vpn", "lan", "web")) -> str:
    """The text of a keyholders.yaml."""
    listed = ", ".join(names)
    return "".join(
        f"- {{name: holder{number}, doors: [{listed}], secret: {secret(number)}, style: derived}}\n"
        for number in range(count)
    )


def cpu(pid: int) -> float:
    """Seconds of CPU that the process's threads have used, to the nanosecond."""
    total = 0
    for task in Path(f"/proc/{pid}/task").iterdir():
        with contextlib.suppress(OSError):
            total += int((task / "schedstat").read_text().split()[0])
    return total / 1e9


def memory(pid: int, what: str = "Rss") -> float:
    """Resident memory of the process in MB (10^6 bytes): `Rss`, or without what others share, `Pss`."""
    text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    found = re.search(rf"^{what}:\s*(\d+) kB", text, re.MULTILINE)
    assert found is not None, text
    return int(found[1]) * 1024 / 1e6


class Running:
    """A daemon at work in a namespace."""

    def __init__(self, ns: Namespace, files: Daemon, *, watched: bool = False) -> None:
        """`watched`: every turn of its loop is timed (`watched.py`)."""
        self.ns = ns
        self.files = files
        self.turns = files.folder / "turns"
        self._program = [PYTHON, WATCHED, str(self.turns)] if watched else [PROGRAM]
        self.log = files.folder / "log"
        self.pid = 0
        self.started = 0.0  # seconds that the last start took

    def start(self, timeout: float = 30, options: tuple[str, ...] = ()) -> float:
        """Start it and wait until it is ready; how many seconds that took."""
        before = len(self.told())
        begun = time.perf_counter()
        with self.log.open("a") as out:
            command = [*self._program, "run", *self.files.options, *options]
            self.files.process = self.ns.popen(command, stdout=out, stderr=out)
        self.pid = self.files.process.pid
        while "ready, watching" not in self.told()[before:]:
            if self.files.process.poll() is not None or time.perf_counter() - begun > timeout:
                raise LabError(f"portress run did not get ready:\n{self.told()}")
            time.sleep(0.001)
        self.started = time.perf_counter() - begun
        return self.started

    def told(self) -> str:
        """Its log."""
        return self.log.read_text() if self.log.exists() else ""

    def wait_for(self, text: str, since: int = 0, timeout: float = 30) -> float:
        """Wait until `text` is in the log after its first `since` characters; seconds waited."""
        begun = time.perf_counter()
        while text not in self.told()[since:]:
            if time.perf_counter() - begun > timeout:
                raise LabError(f"no '{text}' in the log:\n{self.told()[-2000:]}")
            time.sleep(0.001)
        return time.perf_counter() - begun

    def ask(self, do: str, **more: Any) -> Any:
        return control.ask(self.files.socket, do, **more)

    def heard(self) -> int:
        """Knocks the tracker has judged."""
        return sum(self.ask("status")["knocks"].values())

    def admitted(self) -> int:
        """How many are admitted."""
        return sum(door["admitted"] for door in self.ask("status")["doors"])

    @property
    def cpu(self) -> float:
        return cpu(self.pid)

    @contextlib.contextmanager
    def work(self) -> Iterator[list[float]]:
        """How much work (ms) the longest turns of a watched daemon's loop are meanwhile."""
        begun, found = time.monotonic(), [0.0]
        yield found
        for line in self.turns.read_text().splitlines():
            when, _, work = map(float, line.split())
            if when >= begun:
                found.append(work)

    def settle(self, quiet: float = 0.3, timeout: float = 20) -> int:
        """Wait until no more knocks come; how many were heard in all."""
        until, before = time.monotonic() + timeout, -1
        while time.monotonic() < until:
            now = self.heard()
            if now == before:
                return now
            before = now
            time.sleep(quiet)
        return before


@contextlib.contextmanager
def running(
    ns: Namespace, config: str, *, holders: str | None = None, start: bool = True, watched: bool = False
) -> Iterator[Running]:
    """A daemon with this configuration, ready when this returns. It loads its guard itself,
    which is gone when the block ends."""
    with daemon(ns, config, keyholders=holders, guard=False, start=False) as files:
        made = Running(ns, files, watched=watched)
        if start:
            made.start()
        yield made
    ns.run(["nft", "delete", "table", "inet", "portress"], check=False)
