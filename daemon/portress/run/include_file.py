"""The guard as a file for the host's own nftables rules: /run/portress-guard/guard.nft.

A host whose own file begins with `flush ruleset` throws the guard away at every reload. With the line
`include "/run/portress-guard/*.nft"` at its end the same transaction puts the guard back, so that no packet
slips through. Written by root's part alone. It holds the rules and the first knocks of fixed sequences: no
admission and nothing that rotates, for a flush must not bring back what was used. The daemon adds the rest.

It is absent where the table can have an owner (there a flush does no harm, and an `include` would make the
host's whole reload fail), during a trial, and after `portress unguard`.
"""

from __future__ import annotations

import contextlib
import time
from pathlib import Path
from typing import Final

from portress.config.model import Config
from portress.errors import Mistake
from portress.guard.language import FAMILY, TABLE
from portress.guard.ruleset import build, render
from portress.guard.table import Table
from portress.run import root_files
from portress.sequence.in_force import SequencesInForce

NAME: Final = "guard.nft"
LINE: Final = 'include "/run/portress-guard/*.nft"'
# A file that is included without a flush before it must not add the rules a second time.
_ANEW: Final = f"table {FAMILY} {TABLE}\ndelete table {FAMILY} {TABLE}\n"


def text(config: Config) -> str:
    """What the file holds for this configuration."""
    rules = render(build(config, SequencesInForce(config).trie(0).opening, now=time.time()), twin=True)
    return f"# Made by Portress; see portress.service(8).\n{_ANEW}{rules}"


def write(socket: Path, config: Config) -> str | None:
    """Write the file, or remove it where the table can have an owner; what went wrong, if anything did."""
    try:
        if Table(own=True).own:
            root_files.remove(socket, NAME)
        else:
            root_files.write(socket, NAME, text(config))
    except (OSError, Mistake) as error:
        what = getattr(error, "strerror", None) or str(error)
        return f"{root_files.directory(socket) / NAME}: cannot be written: {what}"
    return None


def remove(socket: Path) -> str | None:
    """Remove the file; its text if there was one."""
    before = root_files.read(socket, NAME)
    with contextlib.suppress(OSError, Mistake):
        root_files.remove(socket, NAME)
    return before


def put_back(socket: Path, before: str | None) -> None:
    """Have the file hold again what it held before."""
    if before is not None:
        with contextlib.suppress(OSError, Mistake):
            root_files.write(socket, NAME, before)
