"""Opens what `portress trace` is given, whatever it is: a capture, a journal's export, a journal.

In: a path, or "-" for standard input. Out: a Reading, and how far it has got.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from io import BufferedReader, FileIO
from pathlib import Path
from typing import Final

from attrs import frozen

from portress.config.model import Config
from portress.errors import Mistake
from portress.keyholders.keyholder import Keyholder
from portress.knock import Source
from portress.trace import journalfile
from portress.trace.capture import Capture
from portress.trace.replay import Reading, Trace
from portress.trace.timeline import Timelines

STDIN: Final = "-"
_ROOM: Final = 1 << 20


@frozen
class Opened:
    """A reading; `kind` is what it is called, `done` how much of it is read, 0 to 1, or None if unknown."""

    reading: Reading
    kind: str
    done: Callable[[], float | None]


@contextlib.contextmanager
def opened(path: str, config: Config) -> Iterator[Opened]:
    """What stands at `path`. Raises Mistake if it cannot be opened, or is nothing that can be traced."""
    where = Path(path)
    prefix, inside = config.journal_prefix, config.inside
    if path != STDIN and (where.is_dir() or _is_journal(where)):
        if where.is_dir() and not any(where.glob("*.journal*")) and not any(where.glob("*/*.journal*")):
            raise Mistake(f"{path}: a directory without journal files (*.journal)")
        journal = journalfile.Journal(where, prefix, inside)
        with contextlib.closing(journal):
            yield Opened(journal, "journal", lambda: _share(journal))
        return
    with _stream(path) as stream:
        name, size = ("standard input" if path == STDIN else path), _size(stream)
        head = _head(stream, name)
        if journalfile.is_export(head):
            export = journalfile.Export(stream, name, prefix, inside)
            yield Opened(export, "journal export", lambda: export.position / size if size else None)
        elif len(head) > 8 and all(32 <= byte < 127 or byte in b"\t\r\n" for byte in head):
            raise Mistake(
                f"{name}: a text: neither a capture (pcap, pcapng) nor a journal (journalctl -o export)"
            )
        else:
            capture = Capture(stream, name)
            yield Opened(capture, "capture", lambda: capture.position / size if size else None)


def _share(journal: journalfile.Journal) -> float | None:
    first, last = journal.span
    return (journal.position - first) / (last - first) if last > first else None


def _stream(path: str) -> BufferedReader:
    try:
        raw = FileIO(0, closefd=False) if path == STDIN else FileIO(path)
    except OSError as error:
        raise Mistake(f"{path}: {os.strerror(error.errno or 0)}") from None
    return BufferedReader(raw, _ROOM)


def _head(stream: BufferedReader, name: str) -> bytes:
    """How it begins, up to 72 bytes. Raises Mistake where there is nothing to read, as in many a device."""
    try:
        return stream.peek(72)[:72]
    except OSError as error:
        raise Mistake(f"{name}: cannot be read: {os.strerror(error.errno or 0)}") from None


def _size(stream: BufferedReader) -> int:
    """Bytes, 0 for what has no size."""
    try:
        return os.fstat(stream.fileno()).st_size
    except OSError:
        return 0


def _is_journal(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return path.is_file() and file.read(8) == journalfile.MAGIC
    except OSError:
        return False


def replay(
    path: str,
    config: Config,
    keyholders: tuple[Keyholder, ...] = (),
    *,
    hosts: frozenset[bytes] = frozenset(),
    only: Source | None = None,
    timelines: Timelines | None = None,
) -> tuple[Trace, Reading]:
    """Trace all that stands at `path`, see Trace. Raises Mistake."""
    with opened(path, config) as found:
        trace = Trace(config, keyholders, hosts=hosts, only=only, timelines=timelines)
        trace.follow(found.reading)
        return trace, found.reading
