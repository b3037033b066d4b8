"""Files of the host that flush the whole ruleset, and with it the guard, each time they are loaded.

Where the guard's table has an owner that does no harm. Elsewhere one line at the end of such a file has the
guard put back in the same transaction.
"""

from __future__ import annotations

import contextlib
import glob
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

from attrs import frozen

from portress import units
from portress.doctor.probe.finding import Finding
from portress.guard.table import Table
from portress.run.include_file import LINE

_OF_THE_SERVICE: Final = ("/etc/nftables.conf", "/etc/sysconfig/nftables.conf")  # loaded by nftables.service
_OTHERS: Final = (
    *("/etc/nftables/*", "/etc/nftables.d/*", "/etc/rc.local"),
    *("/etc/network/if-pre-up.d/*", "/etc/network/if-up.d/*", "/etc/networkd-dispatcher/*/*"),
)
_FLUSH: Final = re.compile(r"^[^#]*\bflush\s+ruleset\b", re.MULTILINE)
_INCLUDE: Final = re.compile(r'^\s*include\s+"/run/portress-guard/', re.MULTILINE)
_LARGEST: Final = 1 << 20  # bytes


@frozen
class Flushing:
    """`files`: those that flush the ruleset and do not put the guard back; `owned`: it can have an owner."""

    files: tuple[str, ...]
    owned: bool


def read() -> Flushing:
    """Look at the files that are loaded at boot or at an interface's coming up."""
    places = list(_OF_THE_SERVICE) if units.enabled("nftables.service") else []
    places += [place for pattern in _OTHERS for place in sorted(glob.glob(pattern))]
    return Flushing(tuple(_flushing(places)), Table(own=True).own)


def _flushing(places: Iterable[str]) -> Iterator[str]:
    for place in places:
        with contextlib.suppress(OSError, UnicodeDecodeError):
            if Path(place).stat().st_size <= _LARGEST and flushes(Path(place).read_text()):
                yield place


def flushes(text: str) -> bool:
    """Whether a file with this text throws the guard away and does not put it back."""
    return _FLUSH.search(text) is not None and _INCLUDE.search(text) is None


def judge(flushing: Flushing) -> Iterator[Finding]:
    """The line that closes the gap, for each such file."""
    if flushing.owned:
        return
    for place in flushing.files:
        yield Finding(
            "guard-flushed",
            "warning",
            f"{place} flushes the whole ruleset, the guard too, each time it is loaded",
            "until the daemon has put the guard back, some milliseconds, the doors are open",
            f"add as the last line of {place}: {LINE}",
        )
