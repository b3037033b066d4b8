"""A systemd-journald of one's own, fed by this machine's kernel as any other, with files of its own.

It runs in a mount namespace where /run/systemd, /run/log and /var/log/journal are its own folders, and
/etc/machine-id its own file: a host that was never booted has no id. A daemon started beside it finds its
journal there, where a host keeps it. `journal.path` is the directory of its files, seen from outside. The
kernel logs packets of other network namespaces only within `namespaces_may_log()`.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import secrets
import signal
import socket
import stat
import subprocess
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import pytest

from lab.space import LabError, Namespace, scratch

_ALL_NAMESPACES: Final = Path("/proc/sys/net/netfilter/nf_log_all_netns")
_KERNEL_LOG: Final = Path("/dev/kmsg")
_INSTEAD: Final = "on a host with a kernel log of its own run: scripts/test tests/kernel -k 'journal or log'"
_LOCK: Final = Path("/run/portress-test-log.lock")
_JOURNALD: Final = "/usr/lib/systemd/systemd-journald"
_START: Final = f"""
mkdir -p /run/systemd /run/log
mount --bind "$1/systemd" /run/systemd
mount --bind "$1/log" /run/log
mount --bind "$1/var" /var/log/journal
mount --bind "$1/machine-id" /etc/machine-id
exec {_JOURNALD}
"""
_CONF: Final = "[Journal]\nStorage=volatile\nRateLimitIntervalSec=0\nForwardToSyslog=no\nForwardToWall=no\n"


def log_forbidden() -> str | None:
    """Why the kernel's log cannot be had here, as in a container that was given none; None where it can."""
    try:
        about = _KERNEL_LOG.stat()
        if not stat.S_ISCHR(about.st_mode):
            return f"{_KERNEL_LOG} is not the kernel's log"
        os.close(os.open(_KERNEL_LOG, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC))
        os.close(os.open(_ALL_NAMESPACES, os.O_WRONLY | os.O_CLOEXEC))
    except OSError as error:
        return f"{error.filename}: {error.strerror}"
    return None


@contextlib.contextmanager
def namespaces_may_log() -> Iterator[None]:
    """The kernel logs for other network namespaces, too; as it was afterwards, one test at a time.

    Where a container forbids it, the test ends here as an expected failure whose reason the run prints.
    """
    forbidden = log_forbidden()
    if forbidden is not None:
        pytest.xfail(f"not tested in this container, which forbids it: {forbidden}; {_INSTEAD}")
    with _LOCK.open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        before = _ALL_NAMESPACES.read_text()
        _ALL_NAMESPACES.write_text("1\n")
        try:
            yield
        finally:
            _ALL_NAMESPACES.write_text(before)


class _Beside(Namespace):
    """A network namespace whose programs see the journal."""

    def __init__(self, ns: Namespace, pid: int) -> None:
        super().__init__(ns.name)
        self._started = ns._started
        self._pid = pid

    def _inside(self, command: Sequence[str]) -> list[str]:
        spaces = [f"--net={self.path}", f"--mount=/proc/{self._pid}/ns/mnt"]
        return ["nsenter", *spaces, "--", *map(str, command)]


class Journal:
    """A running journald; `folder` holds its files and sockets."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._machine = secrets.token_hex(16)
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def path(self) -> Path:
        """The directory of the journal files."""
        return self.folder / "log/journal" / self._machine

    def start(self, timeout: float = 10) -> None:
        """Start it and wait until it takes messages."""
        for name in ("systemd/journald.conf.d", "log/journal", "var"):
            (self.folder / name).mkdir(parents=True, exist_ok=True)
        (self.folder / "systemd/journald.conf.d/lab.conf").write_text(_CONF)
        (self.folder / "machine-id").write_text(f"{self._machine}\n")
        words = [
            "unshare",
            "--mount",
            "--propagation",
            "private",
            "sh",
            "-ec",
            _START,
            "sh",
            str(self.folder),
        ]
        with (self.folder / "told").open("a") as told:
            self._process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=told, stderr=told)
        until = time.monotonic() + timeout
        while not list(self.path.glob("*.journal")) or not self.socket.exists():
            if self._process.poll() is not None or time.monotonic() > until:
                self.stop()
                raise LabError(f"journald does not start: {(self.folder / 'told').read_text()}")
            time.sleep(0.01)

    def stop(self) -> None:
        """End it. Its files stay."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    @property
    def socket(self) -> Path:
        """Where programs send entries of their own making."""
        return self.folder / "systemd/journal/socket"

    def beside(self, ns: Namespace) -> Namespace:
        """The same network namespace; programs started in it see this journal as the system's."""
        return _Beside(ns, self.pid)

    def run(self, *words: str) -> bytes:
        """What a program prints that sees this journal as the system's; kernel lines may be any bytes."""
        command = ["nsenter", f"--mount=/proc/{self.pid}/ns/mnt", "--", *words]
        done = subprocess.run(command, capture_output=True, timeout=30)
        if done.returncode:
            raise LabError(f"{' '.join(words)}: exit {done.returncode}\n{done.stderr.decode()}")
        return done.stdout

    def sync(self) -> None:
        """Until all that was said before is in the files."""
        self.run("journalctl", "--sync")

    def rotate(self) -> None:
        """The present files are closed and new ones begun, as at their greatest size."""
        before = set(self.path.iterdir())
        self._signal(signal.SIGUSR2)
        until = time.monotonic() + 5
        while not set(self.path.iterdir()) - before:
            if time.monotonic() > until:
                raise LabError("journald does not rotate its files")
            time.sleep(0.01)

    def vacuum(self) -> int:
        """All closed files are removed, as when the disk gets full; how many there were."""
        before = len(list(self.path.glob("*.journal")))
        self.run("journalctl", "--vacuum-files=1", "--vacuum-size=1")
        return before - len(list(self.path.glob("*.journal")))

    def _signal(self, number: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(number)

    def submit(self, fields: Sequence[tuple[str, bytes]]) -> None:
        """Send an entry as any program may (systemd.io/JOURNAL_NATIVE_PROTOCOL)."""
        datagram = b"".join(
            name.encode() + b"\n" + len(value).to_bytes(8, "little") + value + b"\n" for name, value in fields
        )
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as dial:
            dial.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 1 << 21)
            dial.connect(str(self.socket))
            dial.send(datagram)


@contextlib.contextmanager
def journald() -> Iterator[Journal]:
    """A journald running, and gone with its files afterwards."""
    with scratch() as folder:
        journal = Journal(folder)
        journal.start()
        try:
            yield journal
        finally:
            journal.stop()
