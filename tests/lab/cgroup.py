"""A memory cgroup of the test's own, of version 1 or 2, whichever the machine has."""

from __future__ import annotations

import contextlib
import errno
import itertools
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NoReturn

import pytest

from lab.space import PREFIX, LabError, require_root

_ROOT: Final = Path("/sys/fs/cgroup")
_INSTEAD: Final = "run it on a host, or in a machine that may make control groups"
_serial = itertools.count(1)


def unavailable(error: OSError) -> NoReturn:
    """End the test that met this error: expected to fail where a container forbids control groups, with
    what to run instead; else LabError."""
    if error.errno == errno.EROFS:
        pytest.xfail(f"not tested in this container, which forbids it: {error.filename}; {_INSTEAD}")
    raise LabError(f"no memory cgroup is to be had here: {error}") from error


@contextlib.contextmanager
def memory(limit: int) -> Iterator[Path]:
    """A cgroup whose processes may use `limit` bytes together, swap included where it is accounted for.

    A process joins by writing its number to the folder's `cgroup.procs`. Where a container forbids it, the
    test ends here as an expected failure whose reason the run prints.
    """
    require_root()
    second = (_ROOT / "cgroup.controllers").exists()
    if second:
        with contextlib.suppress(OSError):
            (_ROOT / "cgroup.subtree_control").write_text("+memory")
    folder = (_ROOT if second else _ROOT / "memory") / f"{PREFIX}{os.getpid()}-{next(_serial)}"
    try:
        folder.mkdir()
        (folder / ("memory.max" if second else "memory.limit_in_bytes")).write_text(str(limit))
        for name in ("memory.swap.max",) if second else ("memory.memsw.limit_in_bytes",):
            with contextlib.suppress(OSError):
                (folder / name).write_text("0" if second else str(limit))
    except OSError as error:
        unavailable(error)
    try:
        yield folder
    finally:
        folder.rmdir()
