"""The files that root's own part writes (`portress guard`, the guard's units): in a directory of its own.

The daemon's user owns the directory of the control socket and could plant symbolic links there, so root
writes nothing into it. The one beside it, /run/portress-guard for /run/portress, belongs to root, mode 0700;
nothing in it is reached through a link.

In: the control socket's path. Out: texts written, read and removed whole.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from portress.errors import Mistake

_MOST = 64 << 20  # bytes read of a file


def directory(socket: Path) -> Path:
    """Where root's part has its files, for the daemon with this control socket."""
    return socket.parent.with_name(f"{socket.parent.name}-guard")


@contextlib.contextmanager
def _opened(socket: Path) -> Iterator[int]:
    """The directory's descriptor; made if need be. Raises OSError, or Mistake if it is another's."""
    place = directory(socket)
    with contextlib.suppress(FileExistsError):
        place.mkdir(mode=0o700, parents=True)
    handle = os.open(place, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        about = os.fstat(handle)
        if about.st_uid != os.geteuid() or stat.S_IMODE(about.st_mode) & 0o022:
            raise Mistake(f"{place}: has to belong to root and be writable by nobody else: remove it")
        yield handle
    finally:
        os.close(handle)


def write(socket: Path, name: str, text: str) -> None:
    """Give the file this text, whole or not at all; mode 0600. Raises OSError or Mistake."""
    fresh = f".{name}.{os.getpid()}"
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    with _opened(socket) as place:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(fresh, dir_fd=place)
        with open(os.open(fresh, flags, 0o600, dir_fd=place), "w", encoding="utf-8") as file:
            file.write(text)
        os.rename(fresh, name, src_dir_fd=place, dst_dir_fd=place)


def read(socket: Path, name: str) -> str | None:
    """The file's text; None if there is none, or none that this user may read."""
    with contextlib.suppress(OSError, ValueError, Mistake):
        if not directory(socket).exists():
            return None
        with _opened(socket) as place:
            handle = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=place)
            with open(handle, encoding="utf-8") as file:
                return file.read(_MOST)
    return None


def remove(socket: Path, name: str) -> bool:
    """Remove the file. False if there was none. Raises OSError other than that."""
    if not directory(socket).exists():
        return False
    with _opened(socket) as place:
        try:
            os.unlink(name, dir_fd=place)
        except FileNotFoundError:
            return False
    return True
