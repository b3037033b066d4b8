"""From where this process is being run, and who else is connected: what `portress guard` looks at first."""

from __future__ import annotations

import contextlib
import os
import re
import sys
from collections.abc import Iterable, Iterator
from ipaddress import IPv6Address
from pathlib import Path
from typing import Final, NamedTuple

from portress.knock import TCP, Service, Source
from portress.sock_diag import SockDiag

_VARIABLE: Final = "SSH_CONNECTION"
_ESTABLISHED: Final = "01"  # TCP_ESTABLISHED in /proc/net/tcp (proc(5))
_DEEPEST: Final = 64  # ancestors looked at
_NO_LOGIN: Final = str(2**32 - 1)  # loginuid of what no login began


class Connection(NamedTuple):
    """An established TCP connection of this host: addresses in network byte order (4 or 16 bytes), ports."""

    local: bytes
    local_port: int
    peer: bytes
    peer_port: int
    inode: str


Ends = tuple[bytes, int, int]  # of a connection: the peer's address and port, and the port here


class Told(NamedTuple):
    """An SSH connection as a process's environment tells it."""

    source: Source
    source_port: int
    port: int  # of the server

    @property
    def ends(self) -> Ends:
        return self.source.packed, self.source_port, self.port


def origins() -> list[Source]:
    """The address that the SSH session comes from, also behind sudo, su or env -i; none outside of SSH.

    In a terminal that was taken up again from elsewhere, the environment tells of a connection that is
    gone. Then the addresses of the same user's sessions under way, for this must be one of them.
    """
    for pid in ("self", *ancestors(os.getpid())):
        told = by_variable(pid)
        if told is not None:
            established = {(one.peer, one.peer_port, one.local_port) for one in connections("self")}
            if told.ends in established:
                return [told.source]
            return _sessions(established) or [told.source]
        source = _by_socket(pid)
        if source is not None:
            return [source]
    return []


def connected(services: Iterable[Service]) -> list[Connection]:
    """The connections under way to one of the services of this host itself."""
    wanted = list(services)
    return [
        one
        for one in connections("self")
        if any((TCP << 16 | one.local_port) in service and service.covers(one.local) for service in wanted)
    ]


def ancestors(pid: int) -> Iterator[str]:
    """The processes above this one, its parent first."""
    for _ in range(_DEEPEST):
        try:
            # The second field after the name, which may hold spaces (proc(5)).
            pid = int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])
        except (OSError, ValueError):
            return
        if pid <= 1:
            return
        yield str(pid)


def by_variable(pid: str) -> Told | None:
    """The SSH connection that a process's environment tells of, whoever wrote it there."""
    try:
        environment = Path(f"/proc/{pid}/environ").read_bytes()
    except OSError:
        return None
    for entry in environment.split(b"\0"):
        name, _, value = entry.decode(errors="replace").partition("=")
        words = value.split()
        if name == _VARIABLE and len(words) == 4:
            try:
                return Told(Source.parse(words[0]), int(words[1]), int(words[3]))
            except ValueError:
                return None
    return None


def _sessions(established: set[Ends]) -> list[Source]:
    """Where the SSH sessions under way come from, those of this login alone where the kernel noted it."""
    mine, found = _login("self"), set()
    for pid in os.listdir("/proc"):
        if pid.isdecimal() and mine in (None, _login(pid)):
            told = by_variable(pid)
            if told is not None and told.ends in established:
                found.add(told.source)
    return sorted(found, key=lambda one: (one.family, one.packed))


def _login(pid: str) -> str | None:
    """Whose login a process belongs to (loginuid, proc(5)); None where nobody noted it."""
    try:
        text = Path(f"/proc/{pid}/loginuid").read_text().strip()
    except OSError:
        return None
    return text if text != _NO_LOGIN else None


def _by_socket(pid: str) -> Source | None:
    """The other end of an sshd's own connection."""
    try:
        if not Path(f"/proc/{pid}/comm").read_text().startswith("sshd"):
            return None
        links = {os.readlink(f"/proc/{pid}/fd/{name}") for name in os.listdir(f"/proc/{pid}/fd")}
    except OSError:
        return None
    peers = (one.peer for one in connections(pid) if f"socket:[{one.inode}]" in links)
    return next((Source.of(peer) for peer in peers), None)


def connections(pid: str) -> Iterator[Connection]:
    """Established TCP connections in the process's network namespace."""
    if pid == "self":
        with contextlib.suppress(OSError), SockDiag() as diag:  # far sooner than by the files
            found = diag.established()
            yield from (Connection(*one[:4], str(one.inode)) for one in found)
            return
    for name in ("tcp", "tcp6"):
        try:
            lines = Path(f"/proc/{pid}/net/{name}").read_text().splitlines()[1:]
        except OSError:
            continue
        for line in lines:
            words = line.split()
            if len(words) > 9 and words[3] == _ESTABLISHED:
                yield Connection(*_end(words[1]), *_end(words[2]), words[9])


def _end(text: str) -> tuple[bytes, int]:
    """An address and port of /proc/net/tcp: 32-bit words in the host's byte order. IPv4-mapped is IPv4."""
    address, _, port = text.partition(":")
    words = re.findall(".{8}", address)
    packed = b"".join(int(word, 16).to_bytes(4, sys.byteorder) for word in words)
    mapped = IPv6Address(packed).ipv4_mapped if len(packed) == 16 else None
    return (mapped.packed if mapped is not None else packed), int(port, 16)
