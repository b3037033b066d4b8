"""What the daemon's memory of knocks does not hold, for `portress why`: the ledger's last admissions, who is
enrolled now, and knocks that were right at another time.

In: a source's last knocks, the configuration, the keyholders. Out: a Background. Deriving other times'
sequences takes a while: it is for a thread.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Final

from attrs import field, frozen

from portress.clock import step_at
from portress.config.model import Config
from portress.keyholders.keyholder import Keyholder
from portress.knock import SECOND, UNSURE, Expected, Source
from portress.ledger.ledger import LedgerError, Reader, Record
from portress.run.recent import Note
from portress.sequence.other_times import OtherTimes
from portress.verdict import Completed, Expired

_RECORDS: Final = 4  # of the ledger's last admissions of a source


@frozen
class Astray:
    """A completed sequence that was not in force: `steps` time steps old, or of a time to come if below 0."""

    opening: Expected
    steps: int


@frozen
class Background:
    """`past`: the source's admissions in the ledger, newest first. `enrolled`: the keyholders' names, None if
    they are not known. `astray`: by the moment (ns) of the knock that completed it. `back`: how far back (ns)
    the memory reaches if knocks have been forgotten since the daemon began."""

    past: tuple[Record, ...] = ()
    enrolled: frozenset[str] | None = None
    astray: Mapping[int, Astray] = field(factory=dict)
    back: int | None = None


def last_admissions(ledger: Path, source: Source) -> tuple[Record, ...]:
    """A source's last admissions by the ledger, newest first; none where it cannot be read.

    It is read beside the daemon's own connection: nothing that has to be written waits.
    """
    try:
        with Reader(ledger) as reader:
            return tuple(reader.history(source=source, limit=_RECORDS))
    except LedgerError:
        return ()


def astray(
    notes: Iterable[Note],
    packed: bytes,
    config: Config,
    keyholders: tuple[Keyholder, ...],
    now: int,
    unix: float,
) -> dict[int, Astray]:
    """Which of the knocks completed a sequence of another time. `now` (ns) and `unix` (s) are one moment."""
    other_times, found = OtherTimes(config, keyholders), dict[int, Astray]()
    heard = [one for one in notes if one[1] not in (0, UNSURE) and not isinstance(one[2], Expired)]
    if not other_times.on or all(isinstance(verdict, Completed) for _, _, verdict in heard):
        return found
    for when, knock, _ in heard:
        step = step_at(max(0.0, unix - (now - when) / SECOND))
        opening = other_times.hear(packed, knock, when, step)
        if opening is not None:
            found[when] = Astray(opening, step - (opening.step or 0))
    return found
