"""The sets that the guard counts knocks in, read over netlink: what the counter watcher polls.

In: heard_4 and heard_6, whose elements are (source . protocol . port), and knocks_4 and knocks_6, whose
elements are sources; each element has a counter, a timeout that every hit renews, and what is left of it.
Out: for every element how often it was hit and how long ago the last time. Attribute numbers are those of
the kernel's include/uapi/linux/netfilter/nf_tables.h.

What is left of an element is told in ms at the moment at which the kernel looks at that element, and its
clock moves in ticks (1 to 10 ms). So ages that were told at different moments do not say what came first.
"""

from __future__ import annotations

import errno
import os
import socket
from collections.abc import Iterable, Sequence
from struct import Struct, pack
from types import TracebackType
from typing import Final, NamedTuple, Self

from portress.errors import Mistake
from portress.netlink import NETLINK_NETFILTER, attribute, attributes

_NFTABLES: Final = 10 << 8  # NFNL_SUBSYS_NFTABLES
_INET: Final = 1  # NFPROTO_INET
_GET_TABLE, _GET_SET, _GET_ELEMENTS, _GET_OBJECT = 1, 10, 13, 19
_TABLE_NAME, _TABLE_HANDLE = 1, 4
_SET_TABLE, _SET_NAME, _SET_HANDLE = 1, 2, 16
_LIST_TABLE, _LIST_SET, _LIST_ELEMENTS, _LIST_ONE = 1, 2, 3, 1
_KEY, _TIMEOUT, _LEFT, _EXPRESSION, _VALUE = 1, 4, 5, 7, 1
_EXPRESSION_DATA: Final = 2
_OBJECT_TABLE, _OBJECT_NAME, _OBJECT_TYPE, _OBJECT_DATA, _COUNTER = 1, 2, 3, 4, 1
_PACKETS: Final = 2  # NFTA_COUNTER_PACKETS
_REQUEST, _ACK, _DUMP = 0x1, 0x4, 0x300
_ERROR, _DONE = 2, 3
_NESTED: Final = 0x8000
_HEADER: Final = Struct("=IHHII")
_number: Final = Struct("=i").unpack_from
_ANSWER: Final = 5.0  # seconds; the kernel answers within the call that asks
_RECEIVE: Final = 1 << 17  # bytes: more than the kernel puts into one datagram of a dump
_BUFFER: Final = 1 << 20  # bytes that the socket keeps: a thousand answers


class Count(NamedTuple):
    """An element: its key's bytes, ms since its last hit, hits, ms until it ends without another."""

    key: bytes
    age: int
    packets: int
    left: int


def _be64(view: memoryview) -> int:
    return int.from_bytes(view, "big")


def _count(view: memoryview) -> Count:
    key, timeout, left, packets = b"", 0, 0, 0
    for kind, value in attributes(view):
        if kind == _KEY:
            key = next((bytes(data) for inner, data in attributes(value) if inner == _VALUE), b"")
        elif kind == _TIMEOUT:
            timeout = _be64(value)
        elif kind == _LEFT:
            left = _be64(value)
        elif kind == _EXPRESSION:
            packets = next(
                (
                    _be64(number)
                    for inner, data in attributes(value)
                    if inner == _EXPRESSION_DATA
                    for counted, number in attributes(data)
                    if counted == _PACKETS
                ),
                0,
            )
    return Count(key, timeout - left, packets, left)


class _Layout:
    """Where the values of an element lie, learned from one: the kernel writes all of a set in the same
    way."""

    def __init__(self, element: memoryview) -> None:
        """`element` begins with its own attribute header."""
        self.size = len(element)
        spans = sorted(_spans(element, 0, ()))
        form, at, self._places = ">", 0, {}
        names: list[str] = []
        for start, length, name in spans:
            form += f"{start - at}s" + ("8x" if name == "bytes" else "Q" if length == 8 else f"{length}s")
            names += ["fixed"] if name == "bytes" else ["fixed", name]
            at = start + length
        form += f"{self.size - at}s"
        names.append("fixed")
        self._struct = Struct(form)
        self._fixed = [place for place, name in enumerate(names) if name == "fixed"]
        self._places = {name: place for place, name in enumerate(names) if name != "fixed"}
        row = self._struct.unpack(element)
        self._expected = [row[place] for place in self._fixed]

    def read(self, listed: memoryview) -> list[Count] | None:
        """All elements of a list, None if they do not all look like the one this was learned from."""
        if len(listed) % self.size or not {"key", "timeout", "left", "packets"} <= self._places.keys():
            return None
        key, timeout, left, packets = (self._places[name] for name in ("key", "timeout", "left", "packets"))
        rows = list(self._struct.iter_unpack(listed))
        for place, value in zip(self._fixed, self._expected, strict=True):
            if any(row[place] != value for row in rows):
                return None
        return [Count(row[key], row[timeout] - row[left], row[packets], row[left]) for row in rows]


_NAMES: Final = {
    (_LIST_ONE, _KEY, _VALUE): "key",
    (_LIST_ONE, _TIMEOUT): "timeout",
    (_LIST_ONE, _LEFT): "left",
    (_LIST_ONE, _EXPRESSION, _EXPRESSION_DATA, 1): "bytes",
    (_LIST_ONE, _EXPRESSION, _EXPRESSION_DATA, _PACKETS): "packets",
}
_OPENED: Final = {path[:depth] for path in _NAMES for depth in range(1, len(path))}


def _spans(view: memoryview, start: int, path: tuple[int, ...]) -> list[tuple[int, int, str]]:
    """Offset, length and name of each value in the attributes that begin at offset `start` of the element."""
    found, at = [], start
    for kind, value in attributes(view):
        inner = (*path, kind)
        if inner in _NAMES:
            found.append((at + 4, len(value), _NAMES[inner]))
        elif inner in _OPENED:
            found += _spans(value, at + 4, inner)
        at += len(value) + 7 & ~3
    return found


class KnockCounts:
    """A socket to nf_tables for one table. Every method raises Mistake where the kernel refuses.

    A context manager. What is asked for and is not there is None or empty, and no mistake.
    """

    def __init__(self, table: str) -> None:
        self._table = table
        self._sequence = 0
        self._layouts: dict[int, _Layout] = {}
        self._socket: socket.socket | None = None

    def __enter__(self) -> Self:
        opened = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_CLOEXEC, NETLINK_NETFILTER)
        opened.connect((0, 0))  # nobody but the kernel answers
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER)
        opened.settimeout(_ANSWER)
        self._socket = opened
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Closing twice does no harm."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def fileno(self) -> int:
        return self._open().fileno()

    def all(self, name: str) -> tuple[list[Count], bool]:
        """Every element of a set; and whether it is every one for certain.

        The kernel tells some 340 in one piece. Between two pieces it only remembers how many it has told: if
        one of those goes meanwhile, or the set grows, others are passed over.
        """
        (answers,) = self._ask([(_GET_ELEMENTS, self._which(name), _REQUEST | _DUMP)])
        pieces = answers or []
        return [one for answer in pieces for one in self._elements(answer)], len(pieces) < 2

    def together(self, asked: Sequence[tuple[str, Sequence[bytes]]]) -> list[list[Count] | None]:
        """For each (set, keys) these elements, all looked at within one call; None if one is not there."""
        requests = []
        for name, keys in asked:
            listed = b"".join(
                attribute(_LIST_ONE | _NESTED, attribute(_KEY | _NESTED, attribute(_VALUE, key)))
                for key in keys
            )
            which = self._which(name) + attribute(_LIST_ELEMENTS | _NESTED, listed)
            requests.append((_GET_ELEMENTS, which, _REQUEST | _ACK))
        return [
            None if answers is None else [one for answer in answers for one in self._elements(answer)]
            for answers in self._ask(requests)
        ]

    def standing(self, name: str, counter: str) -> tuple[tuple[int, int] | None, int]:
        """What tells this set of this table from any other of the same name; and a named counter's
        packets."""
        table = self._table.encode() + b"\0"
        counted = (
            attribute(_OBJECT_TABLE, table)
            + attribute(_OBJECT_NAME, counter.encode() + b"\0")
            + attribute(_OBJECT_TYPE, pack("!I", _COUNTER))
        )
        tables, sets, objects = self._ask(
            [
                (_GET_TABLE, attribute(_TABLE_NAME, table), _REQUEST | _ACK),
                (_GET_SET, self._which(name), _REQUEST | _ACK),
                (_GET_OBJECT, counted, _REQUEST | _ACK),
            ]
        )
        identity = None
        if tables and sets:
            identity = _handle(tables[0], _TABLE_HANDLE), _handle(sets[0], _SET_HANDLE)
        return identity, 0 if not objects else _packets(objects[0])

    def _which(self, name: str) -> bytes:
        # NFTA_SET_* and NFTA_SET_ELEM_LIST_* have the same numbers for table and name.
        return attribute(_SET_TABLE, self._table.encode() + b"\0") + attribute(
            _SET_NAME, name.encode() + b"\0"
        )

    def _open(self) -> socket.socket:
        if self._socket is None:
            raise ValueError("the counter watcher is closed")
        return self._socket

    def _ask(self, requests: Sequence[tuple[int, bytes, int]]) -> list[list[memoryview] | None]:
        """Send requests in one datagram; for each the attributes of its answers, None if nothing is there."""
        channel, first = self._open(), self._sequence
        datagram = b""
        for kind, payload, flags in requests:
            body = pack("=BBH", _INET, 0, 0) + payload
            header = _HEADER.pack(16 + len(body), _NFTABLES | kind, flags, self._sequence, 0)
            datagram += header + body
            self._sequence = self._sequence + 1 & 0xFFFFFFFF
        answers: list[list[memoryview] | None] = [[] for _ in requests]
        waiting = len(requests)
        try:
            channel.send(datagram)
            while waiting:
                waiting -= _sort(memoryview(channel.recv(_RECEIVE)), first, answers)
        except OSError as error:
            # Answers that still come are passed over: what is asked next has other numbers.
            raise Mistake(f"the guard's counts cannot be read: {os.strerror(error.errno or 0)}") from error
        return answers

    def _elements(self, answer: memoryview) -> Iterable[Count]:
        for kind, listed in attributes(answer):
            if kind != _LIST_ELEMENTS or len(listed) < 4:
                continue
            size = int.from_bytes(listed[:2], "little" if pack("=H", 1)[0] else "big") + 3 & ~3
            layout = self._layouts.get(size)
            if layout is None and 4 < size <= len(listed):
                layout = self._layouts[size] = _Layout(listed[:size])
            found = None if layout is None else layout.read(listed)
            if found is None:
                yield from (_count(one) for inner, one in attributes(listed) if inner == _LIST_ONE)
            else:
                yield from found


def _sort(view: memoryview, first: int, answers: list[list[memoryview] | None]) -> int:
    """Lay the messages of a datagram to the requests they answer; how many of these are done with it."""
    done = 0
    while len(view) >= 16:
        length, kind, _, sequence, _ = _HEADER.unpack_from(view)
        place = sequence - first & 0xFFFFFFFF
        if place < len(answers):
            if kind == _DONE:
                done += 1
            elif kind == _ERROR:
                done += 1
                (code,) = _number(view, 16)
                if code == -errno.ENOENT:
                    answers[place] = None
                elif code:
                    raise OSError(-code, os.strerror(-code))
            else:
                got = answers[place]
                if got is not None:
                    got.append(view[20:length])
        view = view[max(16, length) + 3 & ~3 :]
    return done


def _handle(answer: memoryview, kind: int) -> int:
    return next((_be64(value) for inner, value in attributes(answer) if inner == kind), 0)


def _packets(answer: memoryview) -> int:
    return next(
        (
            _be64(number)
            for kind, data in attributes(answer)
            if kind == _OBJECT_DATA
            for counted, number in attributes(data)
            if counted == _PACKETS
        ),
        0,
    )
