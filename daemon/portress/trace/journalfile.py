"""Reads knocks out of journals that are not being listened to: an export, a journal's directory or file.

In: the stream of `journalctl -o export` (systemd.io/JOURNAL_EXPORT_FORMATS), or what systemd-python reads.
Out: (source, knock, unix time in ns, 0) for each line of the kernel's packet log with the prefix asked for.
Which entries count, and at which time, is as with the journal watcher (journal.py): those that the kernel
itself wrote, when it wrote them.
"""

from __future__ import annotations

import os
import re
import socket
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from io import BufferedReader
from pathlib import Path
from typing import Any, Final

from portress.errors import Mistake
from portress.watch import Heard
from portress.watch.journal import StampClock
from portress.watch.logline import parse

Entry = Mapping[bytes, bytes | None]  # None: a field that is there more than once

MAGIC: Final = b"LPKSHHRH"  # how a journal file begins
_BEGINS: Final = re.compile(rb"[A-Z_][A-Z0-9_]{0,63}(=|\n)")  # how an export does
_MESSAGE, _TIME, _GOT = b"MESSAGE", b"__REALTIME_TIMESTAMP", b"__MONOTONIC_TIMESTAMP"
_STAMP, _BOOT = b"_SOURCE_MONOTONIC_TIMESTAMP", b"_BOOT_ID"
_KERNEL: Final = {b"_TRANSPORT": b"kernel", b"SYSLOG_FACILITY": b"0", b"SYSLOG_IDENTIFIER": b"kernel"}
_WANTED: Final = frozenset({_MESSAGE, _TIME, _GOT, _STAMP, _BOOT, *_KERNEL})
_number: Final = re.compile(rb"[0-9]{1,18}").fullmatch
_LONGEST: Final = 1 << 16  # bytes of a field that are looked at: the kernel's lines are shorter by far
_DAMAGED: Final = 64  # entries one after the other
_LEFT_OUT: Final = "damaged entries are left out"
_LARGEST: Final = 1 << 40  # bytes that a field may have at all
_SOURCE_PORT: Final = re.compile(rb" SPT=([0-9]{1,5}) ")
_TARGET: Final = re.compile(rb" DST=([0-9A-Fa-f.:]{2,39}) ")


class JournalReading:
    """The knocks in the entries of a journal, oldest first: iterate once.

    `inside` are the interfaces that are not guarded, beside lo.

    to        the address that the last knock given went to
    port      the port that it came from
    packets   lines of the packet log so far, whatever they say
    position  bytes of the stream done with; for a directory, the microsecond reached
    notes     sentences about what could not be read, for the user
    odd       lines that are no knocks: "line" for what the kernel does not write for a first packet,
              "inside" for interfaces that are not guarded, "field" for entries with a field twice
    """

    def __init__(self, name: str, prefix: str, inside: tuple[str, ...] = ()) -> None:
        self.name = name
        self.to = b""
        self.port = 0
        self.packets = self.position = 0
        self.notes: list[str] = []
        self.odd: Counter[str] = Counter()
        self._prefix = prefix
        self._start = prefix.encode("utf-8", "surrogateescape")
        self._inside = frozenset({"lo", *inside})
        self._boot: bytes | None = None
        self._clock = StampClock()

    def _entries(self) -> Iterator[Entry]:
        raise NotImplementedError

    def __iter__(self) -> Iterator[Heard]:
        """Raises Mistake when it cannot be read."""
        try:
            for entry in self._entries():
                heard = self._hear(entry)
                if heard is not None:
                    yield heard
            if not self.packets:
                self.notes.append(f"no kernel log line starts with '{self._prefix}' (journal.prefix)")
        except OSError as error:
            raise Mistake(f"{self.name}: {os.strerror(error.errno or 0)}") from None

    def _hear(self, entry: Entry) -> Heard | None:
        message = entry.get(_MESSAGE, b"")
        if any(entry.get(field, b"") != value for field, value in _KERNEL.items()) or message is None:
            if None in entry.values():
                self.odd["field"] += 1
            return None
        if not message.startswith(self._start):
            return None
        self.packets += 1
        found, moment = parse(message, self._prefix), self._moment(entry)
        if found is None or moment is None:
            self.odd["line"] += 1
            return None
        source, knock, interface = found
        if interface in self._inside:
            self.odd["inside"] += 1
            return None
        self.to, self.port = _target(message), _port(message)
        return source, knock, moment * 1000, 0

    def _moment(self, entry: Entry) -> int | None:
        """When the kernel wrote the line, in us of unix time."""
        time, got, stamp = (entry.get(name) or b"" for name in (_TIME, _GOT, _STAMP))
        if not _number(time):
            return None
        if not (_number(got) and _number(stamp)):
            return int(time)
        if entry.get(_BOOT) != self._boot:
            self._boot, self._clock = entry.get(_BOOT), StampClock()
        return int(time) - (int(got) - self._clock.monotonic(int(stamp), int(got)))


def _target(message: bytes) -> bytes:
    """The address the packet went to, of a line that `parse` has found whole."""
    found = _TARGET.search(message)
    text = found[1].decode() if found else ""
    return socket.inet_pton(socket.AF_INET6 if ":" in text else socket.AF_INET, text)


def _port(message: bytes) -> int:
    """The port the packet came from, of a line that `parse` has found whole."""
    found = _SOURCE_PORT.search(message)
    return int(found[1]) if found else 0


def is_export(head: bytes) -> bool:
    """Whether a file that begins so is a journal's export."""
    return _BEGINS.match(head) is not None


class Export(JournalReading):
    """The entries in the stream that `journalctl -o export` writes, in constant memory."""

    def __init__(self, stream: BufferedReader, name: str, prefix: str, inside: tuple[str, ...] = ()) -> None:
        super().__init__(name, prefix, inside)
        self._stream = stream

    def _entries(self) -> Iterator[Entry]:
        entry: dict[bytes, bytes | None] = {}
        while line := self._line():
            if line == b"\n":
                yield entry
                entry = {}
                continue
            name, equals, value = line.partition(b"=")
            if not equals:
                name = line[:-1]
                whole = self._binary(name)
                if whole is None:
                    self.notes.append(f"byte {self.position}: no journal export: the rest is left out")
                    return
                value = whole
            if name in _WANTED:
                entry[name] = None if name in entry else value.removesuffix(b"\n")
        if entry:
            self.notes.append(f"byte {self.position}: the file ends in the middle of an entry")

    def _line(self) -> bytes:
        """The next line, with its end; of one that is too long the beginning, without an end."""
        line = rest = self._stream.readline(_LONGEST)
        self.position += len(line)
        while rest and not rest.endswith(b"\n"):
            rest = self._stream.readline(_LONGEST)
            self.position += len(rest)
        return line

    def _binary(self, name: bytes) -> bytes | None:
        """A field's value that is given by its length; None if nothing like it stands here."""
        head = self._stream.read(8)
        size = int.from_bytes(head, "little")
        if not _BEGINS.fullmatch(name + b"\n") or len(head) < 8 or size > _LARGEST:
            return None
        value = self._stream.read(min(size, _LONGEST))
        left = size - len(value)
        while left > 0 and (more := len(self._stream.read(min(left, 1 << 20)))):
            left -= more
        self.position += 8 + size - left + 1
        return value if self._stream.read(1) == b"\n" else None


class Journal(JournalReading):
    """The kernel's entries in a directory of journal files, or in one file, by systemd-python.

    `span` is the first and the last moment in it, in microseconds of unix time. Raises Mistake.
    """

    def __init__(self, path: Path, prefix: str, inside: tuple[str, ...] = ()) -> None:
        super().__init__(str(path), prefix, inside)
        try:
            from systemd import journal
        except ImportError:
            raise Mistake(f"{path}: python3-systemd, which reads journals, is not installed") from None
        where: dict[str, Any] = {"path": str(path)} if path.is_dir() else {"files": [str(path)]}
        try:
            self._reader = journal.Reader(**where)
            self._reader.converters = dict.fromkeys((_TIME.decode(), _GOT.decode(), "__CURSOR"), _raw)
            self._reader.data_threshold = _LONGEST
            self._reader.add_match(**{name.decode(): value.decode() for name, value in _KERNEL.items()})
            self.span = (self._edge(last=False), self._edge(last=True))
            self._reader.seek_head()
        except OSError as error:
            raise Mistake(f"{path}: no journal that can be read: {os.strerror(error.errno or 0)}") from None
        self.position = self.span[0]

    def _edge(self, *, last: bool) -> int:
        if last:
            self._reader.seek_tail()
        else:
            self._reader.seek_head()
        entry = self._one(self._reader.get_previous if last else self._reader.get_next)
        return int(entry.get(_TIME.decode(), 0)) if entry else 0

    def close(self) -> None:
        self._reader.close()

    def _entries(self) -> Iterator[Entry]:
        while found := self._one(self._reader.get_next):
            entry = {name: _plain(found.get(name.decode(), "")) for name in _WANTED}
            entry[_GOT] = str(found[_GOT.decode()].timestamp).encode()
            self.position = int(found.get(_TIME.decode(), 0))
            yield entry

    def _one(self, get: Callable[[], Any]) -> Any:
        """The next entry that can be had; none at the end, and where nothing but damage follows."""
        for _ in range(_DAMAGED):
            try:
                return get()
            except (OSError, UnicodeDecodeError):  # the latter: a field's name is damaged
                if _LEFT_OUT not in self.notes:
                    self.notes.append(_LEFT_OUT)
        return None


def _raw(value: Any) -> Any:
    return value


def _plain(value: Any) -> bytes | None:
    """A field as it stands in the journal: systemd-python decodes what is UTF-8, and lists what is twice."""
    if isinstance(value, list):
        return None
    return value if isinstance(value, bytes) else str(value).encode("utf-8", "surrogateescape")
