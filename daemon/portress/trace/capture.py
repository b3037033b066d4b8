"""Reads knocks out of a capture, pcap or pcapng, of any size in constant memory.

In: the file, and the addresses of the host it is about. Out: (source, knock, unix time in ns, interface index
or 0) for each first packet to that host, as the packet watcher gives them live. A capture that ends in the
middle of a record, or goes on with garbage, is read up to there and a note says where that is.

dpkt reads both formats too, at 1.3 µs a record for the container alone and 9.5 µs with the packet; its times
are floating-point seconds, and a length that lies makes it ask for gigabytes. This takes 1 to 2 µs for all.

A fragmented packet is no knock here, while the kernel puts it together before the guard sees it.
"""

from __future__ import annotations

import contextlib
import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Final, Protocol

from portress.errors import Mistake
from portress.knock import WHOLE, Widths
from portress.trace.container import PCAP, PCAP_HEADER, PCAPNG, Frame, Garbage, Pcap, Pcapng, UnknownLink
from portress.trace.link import NOT_INCOMING
from portress.watch.frame import destination, first_packet, masking, source_port
from portress.watch.packetlog import Heard

_ROOM: Final = 1 << 20
_PACKED: Final = {b"\x1f\x8b": "gzip", b"\x28\xb5": "zstd", b"\xfd\x37": "xz", b"BZ": "bzip2"}


class CaptureStream(Protocol):
    """A binary file, or what is read like one: sys.stdin.buffer."""

    def readinto(self, buffer: memoryview, /) -> int | None: ...


class _Window:
    """The part of a file that is in memory: `buffer[:end]`, behind the `before` bytes done with."""

    def __init__(self, stream: CaptureStream) -> None:
        self.buffer = bytearray(_ROOM)
        self.end = self.before = 0
        self._stream = stream

    def move(self, at: int, size: int) -> bool:
        """Move what is at `at` to the front and read on. Whether there are `size` bytes then."""
        rest = self.end - at
        kept = self.buffer if size <= len(self.buffer) else bytearray(size)
        kept[:rest] = self.buffer[at : self.end]
        self.buffer, self.end, self.before = kept, rest, self.before + at
        with memoryview(kept) as view:
            while self.end < size:
                count = self._stream.readinto(view[self.end :])
                if not count:
                    return False
                self.end += count
        return True


class Capture:
    """The knocks in a capture, in the order of the file: iterate once.

    `local` are the addresses of the host (4 or 16 bytes): a capture has both directions, and what goes to
    others is no knock at it. Empty: every destination counts, but for frames marked as sent. `widths` say
    how many bits of an address count as the source. `name` is for messages.

    to        the address that the last knock given went to
    port      the port that it came from
    packets   records with a packet, so far
    position  bytes of the file done with, so far, to the megabyte
    notes     sentences about what could not be read, for the user
    odd       packets that are no knocks, by kind: the values of Oddity, "elsewhere" for what goes to others,
              "link" for frames without an IP packet, "block" for pcapng blocks that contradict themselves
    """

    def __init__(
        self,
        stream: CaptureStream,
        name: str,
        *,
        local: frozenset[bytes] = frozenset(),
        widths: Widths = WHOLE,
    ) -> None:
        self.name = name
        self.to = b""
        self.packets = 0
        self.notes: list[str] = []
        self.odd: Counter[str] = Counter()
        self._local = local
        self._mask = masking(widths)
        self._window = _Window(stream)
        self._start = 0  # of the last knock's packet in the window

    @property
    def port(self) -> int:
        return source_port(self._window.buffer, self._start)

    @property
    def position(self) -> int:
        return self._window.before

    def __iter__(self) -> Iterator[Heard]:
        """Raises Mistake for what is no capture, and when the file cannot be read."""
        try:
            container, at = self._container()
            yield from self._knocks(container, at)
        except OSError as error:
            raise Mistake(f"{self.name}: {os.strerror(error.errno or 0)}") from None

    def _container(self) -> tuple[Pcap | Pcapng, int]:
        """What reads this file, and where its first record begins."""
        whole = self._window.move(0, PCAP_HEADER)
        header = bytes(self._window.buffer[: min(self._window.end, PCAP_HEADER)])
        magic = header[:4]
        if magic == PCAPNG:
            return Pcapng(self.odd, self._tell), 0
        if magic in PCAP and whole:
            try:
                return Pcap(header), PCAP_HEADER
            except UnknownLink as error:
                raise Mistake(
                    f"{self.name}: link type {error} is not read: Ethernet, IP, Linux cooked and loopback are"
                ) from None
        what = "it is empty" if not header else f"it starts with {magic.hex(' ')}"
        if header[:2] in _PACKED:
            what = f"it is packed with {_PACKED[header[:2]]}: unpack it first"
        elif magic in PCAP:
            what = "it ends within its first 24 bytes"
        raise Mistake(f"{self.name}: neither pcap nor pcapng: {what}")

    def _knocks(self, container: Pcap | Pcapng, at: int) -> Iterator[Heard]:
        window, hear, head = self._window, self._hear, container.head
        size_of, frame_of = container.size, container.frame
        buffer, end = window.buffer, window.end
        try:
            while True:
                if end - at < head or (size := size_of(buffer, at)) > end - at:
                    whole = window.move(at, head)
                    at = 0
                    size = size_of(window.buffer, 0) if whole else head
                    whole = whole and window.move(0, size)
                    buffer, end = window.buffer, window.end
                    if not whole:
                        break
                frame = frame_of(buffer, at, size)
                at += size
                if frame is not None and (heard := hear(buffer, frame)) is not None:
                    yield heard
        except Garbage as garbage:
            self._tell(f"byte {window.before + at}: {garbage}: the rest is left out")
        else:
            if end:
                self._tell(f"byte {window.before}: the file ends in the middle of a record")

    def _hear(self, buffer: bytearray, frame: Frame) -> Heard | None:
        """The knock in one frame, if there is one."""
        start, end, moment, locate = frame
        self.packets += 1
        start, interface = locate(buffer, start, end)
        if start < 0:
            self.odd["elsewhere" if start == NOT_INCOMING else "link"] += 1
            return None
        verdict = first_packet(buffer, start, end)
        if not isinstance(verdict, tuple):
            self.odd[verdict.value] += 1
            return None
        self.to, self._start = destination(buffer, start), start
        if self._local and self.to not in self._local:
            self.odd["elsewhere"] += 1
            return None
        source, knock = verdict
        return source if self._mask is None else self._mask(source), knock, moment, interface

    def _tell(self, sentence: str) -> None:
        if sentence not in self.notes:
            self.notes.append(sentence)


@contextlib.contextmanager
def opened(path: Path, *, local: frozenset[bytes] = frozenset(), widths: Widths = WHOLE) -> Iterator[Capture]:
    """The capture in a file, see Capture. Raises Mistake when it cannot be opened."""
    try:
        file = path.open("rb", buffering=0)
    except OSError as error:
        raise Mistake(f"{path}: {os.strerror(error.errno or 0)}") from None
    with file:
        yield Capture(file, str(path), local=local, widths=widths)
