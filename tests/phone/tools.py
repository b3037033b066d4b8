"""What the checks of the page need from the npm registry, in build/phone, of the versions locked here."""

from __future__ import annotations

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


@lru_cache(maxsize=1)
def node_modules() -> Path:
    """The installed packages; they are installed first if those of the lock file are not there."""
    installed = BUILD / "node_modules"
    if not installed.is_dir() or any(not _same(name) for name in _NAMES):
        if shutil.which("npm") is None:
            raise LabError("no npm here: scripts/setup dev installs npm")
        BUILD.mkdir(parents=True, exist_ok=True)
        for name in _NAMES:
            shutil.copyfile(HERE / name, BUILD / name)
        words = ["npm", "ci", "--no-audit", "--no-fund", "--ignore-scripts"]
        done = subprocess.run(words, cwd=BUILD, capture_output=True, text=True, timeout=180)
        if done.returncode:
            raise LabError(f"npm ci: {done.stderr[-1000:]}")
    return installed


def _same(name: str) -> bool:
    there = BUILD / name
    return there.is_file() and there.read_bytes() == (HERE / name).read_bytes()
