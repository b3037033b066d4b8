"""Who is logged in from afar: these must not be shut out when the service first shuts the doors.

Somebody connected is not somebody logged in: whoever guesses passwords is connected, too. So a session counts
if logind knows it, or if a process of it tells by its environment (SSH_CONNECTION, which sshd sets once it
has authenticated somebody) the very connection that a server above it holds.

In: nothing but this host. Out: sources, users and terminals.
"""

from __future__ import annotations

import contextlib
import os
import pwd
import subprocess
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

from attrs import frozen

from portress.knock import Source
from portress.session import Connection, ancestors, by_variable, connections

_PATIENCE: Final = 5.0  # seconds for logind to answer
_WANTED: Final = ("Name", "Remote", "RemoteHost", "State", "Class", "TTY", "Leader")


@frozen
class Login:
    """Somebody logged in from `source`: by this name, at this terminal (as `pts/0`, "" without one)."""

    source: Source
    user: str
    terminal: str
    ends: frozenset[tuple[bytes, int]]  # address and port here of its own connection; empty if not known


def logins() -> list[Login]:
    """Everybody who is logged in from afar now, by source. It takes no longer than logind takes to answer."""
    held = {one.inode: one for one in connections("self")}
    found = {(one.source, one.terminal): one for one in (*_by_logind(held), *_by_processes(held))}
    return sorted(found.values(), key=lambda one: (one.source.family, one.source.packed, one.terminal))


def _by_logind(held: dict[str, Connection]) -> Iterator[Login]:
    """The remote sessions that logind knows, none where there is no logind."""
    listed = _told("loginctl", "list-sessions", "--no-legend", "--no-pager")
    for line in listed.splitlines():
        words = line.split()
        if not words:
            continue
        options = [f"--property={name}" for name in _WANTED]
        about = dict(
            each.partition("=")[::2]
            for each in _told("loginctl", "show-session", *options, words[0]).splitlines()
        )
        if about.get("Remote") != "yes" or about.get("Class") != "user" or about.get("State") == "closing":
            continue
        own = list(_held_by(about.get("Leader", "0"), held))
        with contextlib.suppress(ValueError):
            source = Source.of(own[0].peer) if own else Source.parse(about.get("RemoteHost", ""))
            ends = frozenset((one.local, one.local_port) for one in own)
            yield Login(source, about.get("Name", ""), about.get("TTY", ""), ends)


def _by_processes(held: dict[str, Connection]) -> Iterator[Login]:
    """The sessions of which a process tells, and the server above it holds the connection that it tells."""
    owners: dict[str, list[Connection]] = {}
    for pid in filter(str.isdecimal, os.listdir("/proc")):
        told = by_variable(pid)
        if told is None:
            continue
        for above in ancestors(int(pid)):
            own = owners.setdefault(above, list(_held_by(above, held)))
            for one in own:
                if (one.peer, one.peer_port, one.local_port) == told.ends:
                    ends = frozenset([(one.local, one.local_port)])
                    yield Login(told.source, _user(pid), _terminal(pid), ends)


def _held_by(pid: str, held: dict[str, Connection]) -> Iterator[Connection]:
    """The connections that a process holds."""
    with contextlib.suppress(OSError):
        for name in os.listdir(f"/proc/{pid}/fd"):
            with contextlib.suppress(OSError):
                link = os.readlink(f"/proc/{pid}/fd/{name}")
                inode = link.removeprefix("socket:[").removesuffix("]")
                if inode in held:
                    yield held[inode]


def _terminal(pid: str) -> str:
    """The terminal of a process, as `pts/0`; "" if it has none."""
    for number in ("0", "1", "2"):
        with contextlib.suppress(OSError):
            place = os.readlink(f"/proc/{pid}/fd/{number}")
            if place.startswith("/dev/pts/"):
                return place.removeprefix("/dev/")
    return ""


def _user(pid: str) -> str:
    with contextlib.suppress(OSError, KeyError):
        return pwd.getpwuid(os.stat(f"/proc/{pid}").st_uid).pw_name
    return ""


def _told(*words: str) -> str:
    try:
        done = subprocess.run(
            words, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=_PATIENCE, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return done.stdout if done.returncode == 0 else ""


def tell(terminals: Iterable[str], text: str) -> None:
    """Write a text to these terminals, as wall(1) does; one that takes nothing is passed over."""
    lines = "".join(f"\r\n{line}" for line in text.splitlines())
    for name in terminals:
        number = name.removeprefix("pts/")
        if not (name.startswith("pts/") and number.isdecimal()):
            continue
        flags = os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC
        with contextlib.suppress(OSError):
            handle = os.open(Path("/dev/pts", number), flags)
            try:
                os.write(handle, f"\a{lines}\r\n".encode())
            finally:
                os.close(handle)
