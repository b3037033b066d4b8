"""From where this process is being run: the address at the other end of the SSH session, if there is one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from portress.knock import Source

_VARIABLE: Final = "SSH_CONNECTION"


def origin() -> Source | None:
    """The address that the SSH session comes from, found also behind sudo or su; None outside of SSH."""
    for connection in _connections():
        words = connection.split()
        if len(words) == 4:
            try:
                return Source.parse(words[0])
            except ValueError:
                continue
    return None


def _connections() -> Iterator[str]:
    """The variable of this process, then of the processes it descends from, as far as they can be read."""
    if _VARIABLE in os.environ:
        yield os.environ[_VARIABLE]
    pid = os.getppid()
    for _ in range(64):
        if pid <= 1:
            return
        try:
            environment = Path(f"/proc/{pid}/environ").read_bytes()
            pid = _parent(pid)
        except (OSError, ValueError):
            return
        for entry in environment.split(b"\0"):
            name, _, value = entry.partition(b"=")
            if name == _VARIABLE.encode():
                yield value.decode(errors="replace")


def _parent(pid: int) -> int:
    """The parent's process id: the second field after the name, which may hold spaces (proc(5))."""
    return int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])
