"""Who may read and change the files: secrets that others can read are none, and a file that others can change
is theirs."""

from __future__ import annotations

import stat
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final, Literal

from attrs import frozen

from portress.config.model import Config
from portress.doctor.probe.finding import Finding

Role = Literal["configuration", "keyholders", "state", "ledger", "socket"]

_ROOT: Final = 0


@frozen
class File:
    """One file or directory: what for, where, its mode and owner's user id. `above`: directories on the way
    to it that others than root and the owner may change."""

    role: Role
    path: str
    mode: int
    owner: int
    above: tuple[str, ...] = ()

    @property
    def written(self) -> str:
        """The mode as chmod takes it."""
        return f"{stat.S_IMODE(self.mode):04o}"


def read(places: Iterable[tuple[Role, Path]]) -> tuple[File, ...]:
    """Look at those of the places that exist."""
    found = []
    for role, path in places:
        try:
            about = path.stat()
        except OSError:
            continue
        above = tuple(str(folder) for folder in path.resolve().parents if _loose(folder, about.st_uid))
        found.append(File(role, str(path), about.st_mode, about.st_uid, above))
    return tuple(found)


def _loose(folder: Path, owner: int) -> bool:
    """Whether others than root and `owner` may replace what is in the directory."""
    about = folder.stat()
    if about.st_uid not in (_ROOT, owner):
        return True
    if about.st_mode & stat.S_ISVTX:  # as /tmp: only an owner may replace what is there
        return False
    grouped = about.st_mode & stat.S_IWGRP and about.st_gid != _ROOT
    return bool(about.st_mode & stat.S_IWOTH or grouped)


def judge(config: Config, files: Iterable[File]) -> Iterator[Finding]:
    """Every file whose mode lets others in."""
    secret = any(door.fixed is not None for door in config.doors.values())
    for file in files:
        yield from _one(file, secret or file.role != "configuration")


def _one(file: File, secret: bool) -> Iterator[Finding]:
    mode, path = stat.S_IMODE(file.mode), file.path
    if mode & stat.S_IWOTH:
        yield Finding(
            f"{file.role}-writable",
            "error",
            f"{path}: mode {file.written}: writable by every user",
            _WRITABLE[file.role],
            f"chmod o-rwx {path}",
        )
    elif secret and file.role in _READABLE and mode & stat.S_IROTH:
        yield Finding(
            f"{file.role}-readable",
            "warning",
            f"{path}: mode {file.written}: readable by every user",
            _READABLE[file.role],
            f"chmod o-rwx {path}",
        )
    if file.role == "keyholders" and mode & 0o070:
        yield Finding(
            "keyholders-group",
            "error",
            f"{path}: mode {file.written}: its group can read or change it",
            "it holds the keyholders' secrets, and the daemon refuses it",
            f"chmod 0600 {path}",
        )
    for folder in file.above:
        yield Finding(
            f"{file.role}-replaceable",
            "error",
            f"{folder}: others can replace what is in it, and so {path}",
            _WRITABLE[file.role],
            f"chmod go-w {folder}, and give it to root",
        )


_WRITABLE: Final[dict[Role, str]] = {
    "configuration": "anyone who changes it can open the doors",
    "keyholders": "anyone who changes it becomes a keyholder",
    "state": "anyone who changes it can make a used sequence valid again",
    "ledger": "anyone who changes it can make a used sequence valid again",
    "socket": "anyone who can write to it can admit any source",
}
_READABLE: Final[dict[Role, str]] = {
    "configuration": "it holds the sequences: anyone who reads it can knock them",
    "keyholders": "it holds the keyholders' secrets, and the daemon refuses it",
    "ledger": "it records who was admitted, when and from where",
}
