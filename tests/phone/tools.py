"""What the checks of the page need from the npm registry, in build/phone, of the versions locked here.

The tests run in several processes: the first one installs, the others wait.
"""

from __future__ import annotations

import fcntl
import shutil
import subprocess
from functools import lru_cache
from pathlib import Path
from typing import Final

from lab import LabError
from lab.portress import REPOSITORY

HERE: Final = Path(__file__).parent
BUILD: Final = REPOSITORY / "build" / "phone"
_NAMES: Final = ("package.json", "package-lock.json")
_STAMP: Final = BUILD / "installed"  # what was installed, once it was


@lru_cache(maxsize=1)
def node_modules() -> Path:
    """The installed packages; first installed, by one process, if those of the lock file are not there."""
    installed = BUILD / "node_modules"
    BUILD.mkdir(parents=True, exist_ok=True)
    with (BUILD / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not _is_installed():
            _install()
    return installed


def _install() -> None:
    if shutil.which("npm") is None:
        raise LabError("no npm here: scripts/setup dev installs npm")
    _STAMP.unlink(missing_ok=True)
    for name in _NAMES:
        shutil.copyfile(HERE / name, BUILD / name)
    words = ["npm", "ci", "--no-audit", "--no-fund", "--ignore-scripts"]
    done = subprocess.run(words, cwd=BUILD, capture_output=True, text=True, timeout=180)
    if done.returncode:
        raise LabError(f"npm ci: {done.stderr[-1000:]}")
    _STAMP.write_bytes(_wanted())


def _is_installed() -> bool:
    """Whether the last installation came to its end, and was of these files."""
    return _STAMP.is_file() and _STAMP.read_bytes() == _wanted()


def _wanted() -> bytes:
    return b"".join((HERE / name).read_bytes() for name in _NAMES)
