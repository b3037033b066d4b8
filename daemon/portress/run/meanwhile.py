"""The guard was thrown away while no daemon ran: what got in until root's part has it back is cut.

Root notes when it loaded the guard. Who was admitted since then, by the ledger, or is logged in may go on;
every other flow to a door that began after that moment is a stranger's.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterable

from portress.config.model import Config
from portress.durations import counted
from portress.errors import Mistake
from portress.guard import strangers
from portress.guard.table import Table
from portress.knock import SECOND, UDP, Source
from portress.ledger.ledger import Reader
from portress.paths import Paths
from portress.run import root_files

_NAME = "loaded"  # among root's files: when the guard was loaded, unix ns


def note(paths: Paths) -> None:
    """The guard is in force and is meant to be, from now on or longer."""
    if root_files.read(paths.socket, _NAME) is None:
        with contextlib.suppress(OSError, Mistake):
            root_files.write(paths.socket, _NAME, str(time.time_ns()))


def forget(paths: Paths) -> None:
    """The guard is taken away on purpose: what begins from now on is nobody's business."""
    with contextlib.suppress(OSError, Mistake):
        root_files.remove(paths.socket, _NAME)


def lost(paths: Paths) -> int | None:
    """When (unix ns) a guard was loaded that ought to be there; None if there ought to be none."""
    try:
        return int(root_files.read(paths.socket, _NAME) or "")
    except ValueError:
        return None


def cut(paths: Paths, table: Table, config: Config, since: int, here: Iterable[Source]) -> str:
    """Cut strangers' flows that began at `since` or later; a line that says so. `here`: who is logged in."""
    held = {(door, config.source(one.packed)) for one in here for door in config.doors}
    with contextlib.suppress(Mistake), Reader(paths.ledger) as reader:
        held |= {(one.door, config.source(one.source.packed)) for one in reader.history(since=since / SECOND)}
    try:
        found = strangers.cut(strangers.guarded_ports(config, held), since)
        table.refuse({config.source(one.source) for one in found if one.protocol == UDP})
    except (OSError, Mistake) as error:
        return f"The guard was gone; strangers' flows from meanwhile could not be cut: {error}"
    return f"The guard was gone; {counted(len(found), 'flow')} of strangers from meanwhile cut."
