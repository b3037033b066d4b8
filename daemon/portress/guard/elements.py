"""Elements of the guard's sets over netlink: read with the milliseconds they have left, and changed.

This goes past libnftables, which before it changes one element looks at every set of the table, and whose
JSON has whole seconds only. Here a transaction of one element takes the same time however many sets and
elements there are. Attribute numbers are those of the kernel's include/uapi/linux/netfilter/nf_tables.h.
"""

from __future__ import annotations

import errno
import struct
import time
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache
from typing import Final, NamedTuple, TypeVar

from portress.errors import Mistake
from portress.netlink import (
    ACK,
    CREATE,
    DUMP,
    EXCLUSIVE,
    NESTED,
    Netfilter,
    Transactions,
    attribute,
    attributes,
    request,
)

NFTABLES: Final = 10  # NFNL_SUBSYS_NFTABLES
INET: Final = 1  # NFPROTO_INET
_NEWSETELEM, _GETSETELEM, _DELSETELEM = 12, 13, 14
_BEGIN: Final = request(16, 0, 0, b"", resource=NFTABLES)  # NFNL_MSG_BATCH_BEGIN
_END: Final = request(17, 0, 0, b"", resource=NFTABLES)  # NFNL_MSG_BATCH_END
_LIST_TABLE, _LIST_SET, _LIST_ELEMENTS = 1, 2, 3
_LIST_ELEM: Final = 1
_ELEM_KEY, _ELEM_DATA, _ELEM_TIMEOUT, _ELEM_EXPIRATION = 1, 2, 4, 5
_DATA_VALUE, _DATA_VERDICT = 1, 2
_VERDICT_CODE, _VERDICT_CHAIN = 1, 2
_VERDICTS: Final = {"jump": 0xFFFFFFFD, "goto": 0xFFFFFFFC}  # NFT_JUMP, NFT_GOTO
_MOST: Final = 1000  # elements in one message: they are one attribute, of 65,535 bytes at the most
_SHORT: Final = struct.Struct("=H").unpack_from
_BE64: Final = struct.Struct(">Q")

_ASKED: Final = 8  # times at the most that a set is read
_AT_ONCE: Final = 3000  # bytes: what is shorter has been told in one datagram (the kernel's NLMSG_GOODSIZE)
_FEWER: Final = 400  # the same of elements with data
Timed = tuple[bytes, int]  # an element's key, and its timeout in ms (0: it never ends)
Mapped = tuple[bytes, bytes, int]  # a map's element: key, data (a verdict: `goto open_ssh`), timeout in ms


class Element(NamedTuple):
    """One element: its key's bytes, its timeout and what is left of it, in ms (0: it never ends)."""

    key: bytes
    timeout: int
    left: int


class MapElement(NamedTuple):
    """One element of a map: the bytes of its key and data, and the ms it has left (0: it never ends)."""

    key: bytes
    data: bytes
    left: int


Listed = TypeVar("Listed", Element, MapElement)


class _Layout:
    """How the kernel writes the elements of a set with timeouts and keys of `size` bytes: all alike."""

    def __init__(self, size: int) -> None:
        # What is in the host's byte order is compared with what it looks like read as big-endian.
        heads = (size + 36, _LIST_ELEM, size + 8, _ELEM_KEY, size + 4, _DATA_VALUE)
        self._heads = struct.unpack(">6H", struct.pack("=6H", *heads))
        self._tails = struct.unpack(">4H", struct.pack("=4H", 12, _ELEM_TIMEOUT, 12, _ELEM_EXPIRATION))
        self._struct = struct.Struct(f">6H{size}sHHQHHQ")

    def read(self, listed: memoryview) -> list[Element] | None:
        """The elements in the bytes of a list; None if they are not all of this layout."""
        if len(listed) % self._struct.size:
            return None
        rows = list(self._struct.iter_unpack(listed))
        if any(row[:6] != self._heads or row[7:9] + row[10:12] != self._tails for row in rows):
            return None
        return [Element(row[6], row[9], row[12]) for row in rows]


_LAYOUTS: Final = {size + 36: _Layout(size) for size in (4, 16)}


def _element(buffer: memoryview) -> Element:
    key, timeout, left = b"", 0, 0
    for kind, value in attributes(buffer):
        if kind == _ELEM_KEY:
            key = next((bytes(data) for inner, data in attributes(value) if inner == _DATA_VALUE), b"")
        elif kind == _ELEM_TIMEOUT:
            (timeout,) = _BE64.unpack(value)
        elif kind == _ELEM_EXPIRATION:
            (left,) = _BE64.unpack(value)
    return Element(key, timeout, left)


def _listed(value: memoryview) -> list[Element]:
    """The elements in a list's bytes."""
    layout = _LAYOUTS.get(_SHORT(value)[0]) if len(value) > 2 else None
    found = None if layout is None else layout.read(value)
    if found is None:
        found = [_element(elem) for inner, elem in attributes(value) if inner == _LIST_ELEM]
    return found


def _elements(payload: memoryview) -> Iterator[Element]:
    for kind, value in attributes(payload):
        if kind == _LIST_ELEMENTS:
            yield from _listed(value)


def _which(table: str, name: str) -> bytes:
    return attribute(_LIST_TABLE, table.encode() + b"\0") + attribute(_LIST_SET, name.encode() + b"\0")


def read(table: str, name: str) -> list[Element]:
    """The elements of set `name` in table inet `table`, an empty list if there is no such set.

    Raises Mistake if the kernel refuses (CAP_NET_ADMIN is missing).
    """
    return list(each(table, name))


def each(table: str, name: str) -> Iterator[Element]:
    """The same one by one, as the kernel gives them: however many there are, few are held at once."""
    return _each(table, name, _elements)


def _each(
    table: str, name: str, those_in: Callable[[memoryview], Iterable[Listed]], *, whole: bool = True
) -> Iterator[Listed]:
    """Each element once; `whole`: none may be missing.

    The kernel tells them in several datagrams, and goes on by the number of those that it has told. Where it
    clears away some whose time is over, or gives the set more room, it leaves out as many others. So the set
    is read until a reading finds nothing that those before it left out.
    """
    known, begun = set[bytes](), time.monotonic()
    for turn in range(_ASKED):
        size, more = 0, False
        for answer in _answers(table, name):
            size += len(answer)
            new = {one.key: one for one in those_in(answer) if one.key not in known}
            known.update(new)
            more = more or (turn > 0 and any(_was_there(one, begun) for one in new.values()))
            yield from new.values()
        if size < _AT_ONCE or not whole or (turn and not more):
            return


def _was_there(one: Element | MapElement, since: float) -> bool:
    """Whether it may have been in the set when that was first read."""
    age = one.timeout - one.left if isinstance(one, Element) and one.timeout else None
    return age is None or age >= (time.monotonic() - since) * 1000


def _answers(table: str, name: str) -> Iterator[memoryview]:
    try:
        with Netfilter() as netfilter:
            yield from netfilter.ask(NFTABLES, _GETSETELEM, INET, _which(table, name), DUMP)
    except OSError as error:
        if error.errno != errno.ENOENT:
            raise Mistake(f"the guard cannot be read: {error.strerror}") from error


def read_map(table: str, name: str) -> list[MapElement]:
    """The elements of map (or set) `name`, an empty list if there is none. Raises Mistake."""
    return list(each_of_map(table, name))


def each_of_map(table: str, name: str, *, whole: bool = True) -> Iterator[MapElement]:
    """The same one by one, as the kernel gives them; not `whole`: read only once, some may be missing."""
    return _each(table, name, _map_elements, whole=whole)


def _map_elements(payload: memoryview) -> Iterator[MapElement]:
    for kind, value in attributes(payload):
        if kind == _LIST_ELEMENTS:
            yield from (_map_element(one) for inner, one in attributes(value) if inner == _LIST_ELEM)


def _map_element(buffer: memoryview) -> MapElement:
    found = dict(attributes(buffer))
    (left,) = _BE64.unpack(found[_ELEM_EXPIRATION]) if _ELEM_EXPIRATION in found else (0,)
    key = dict(attributes(found[_ELEM_KEY])) if _ELEM_KEY in found else {}
    data = dict(attributes(found[_ELEM_DATA])) if _ELEM_DATA in found else {}
    if _DATA_VERDICT not in data:
        return MapElement(bytes(key.get(_DATA_VALUE, b"")), bytes(data.get(_DATA_VALUE, b"")), left)
    verdict = dict(attributes(data[_DATA_VERDICT]))
    code = int.from_bytes(verdict[_VERDICT_CODE], "big")
    how = next((word for word, number in _VERDICTS.items() if number == code), "")
    chain = bytes(verdict.get(_VERDICT_CHAIN, b"")).rstrip(b"\0")
    return MapElement(bytes(key[_DATA_VALUE]), f"{how} ".encode() + chain, left)


def find(netfilter: Netfilter, table: str, name: str, key: bytes) -> MapElement | None:
    """That element of map `name`, None if it is not there. Raises OSError if the kernel refuses."""
    listed = attribute(NESTED | _LIST_ELEMENTS, _packed(key, 0))
    try:
        answers = [*netfilter.ask(NFTABLES, _GETSETELEM, INET, _which(table, name) + listed, ACK)]
    except FileNotFoundError:
        return None
    lists = [value for answer in answers for kind, value in attributes(answer) if kind == _LIST_ELEMENTS]
    return next((_map_element(one) for value in lists for _, one in attributes(value)), None)


class ElementChanges:
    """Changes to elements of sets in table inet `table`, made in this order and in one transaction."""

    def __init__(self, table: str) -> None:
        self._table = table
        self._messages: list[tuple[int, int, bytes]] = []  # kind, flags, payload

    def add(self, name: str, elements: Iterable[Timed], *, new: bool = False) -> None:
        """Add elements to set `name`. One that is there may keep its timeout.

        If all are to be `new`, one that is there is an error (FileExistsError): then nothing is changed, and
        that takes the kernel some ms.
        """
        flags = CREATE | EXCLUSIVE if new else CREATE
        self._change(_NEWSETELEM, flags, name, [_packed(key, timeout) for key, timeout in elements])

    def delete(self, name: str, keys: Iterable[bytes]) -> None:
        """Take elements out of set `name`. One that is not there is an error: then nothing is changed."""
        self._change(_DELSETELEM, 0, name, [_packed(key, 0) for key in keys])

    def clear(self, name: str) -> None:
        """Take all elements out of set `name`."""
        self._messages.append((NFTABLES << 8 | _DELSETELEM, 0, _which(self._table, name)))

    def restart(self, name: str, elements: Iterable[Timed]) -> None:
        """Have elements in set `name` whose timeouts begin now, whether they were there or not.

        Before kernel 6.12 adding one that is there leaves its old timeout in place: it has to go first, and
        for that it has to be there.
        """
        anew = list(dict(elements).items())
        self.add(name, anew)
        self.delete(name, (key for key, _ in anew))
        self.add(name, anew)

    def end(self, name: str, keys: Iterable[bytes]) -> None:
        """Take elements out of set `name`, where they are there."""
        gone = list(dict.fromkeys(keys))
        self.add(name, ((key, 1000) for key in gone))
        self.delete(name, gone)

    def map(self, name: str, elements: Iterable[Mapped]) -> None:
        """Add elements to map `name`. One that is there with other data is an error (FileExistsError)."""
        self._change(_NEWSETELEM, CREATE, name, [_packed(*each) for each in _swapped(elements)], _FEWER)

    def unmap(self, name: str, elements: Iterable[Mapped]) -> None:
        """Take elements out of map `name`, where they are there; they are there with these data, or not."""
        gone = list(elements)
        self.map(name, ((key, data, timeout and 1000) for key, data, timeout in gone if timeout))
        self.delete(name, (key for key, _, _ in gone))

    @property
    def size(self) -> int:
        """How many bytes it takes."""
        return sum(len(payload) for _, _, payload in self._messages)

    def _change(self, kind: int, flags: int, name: str, packed: list[bytes], most: int = _MOST) -> None:
        which = _which(self._table, name)
        for first in range(0, len(packed), most):
            listed = attribute(NESTED | _LIST_ELEMENTS, b"".join(packed[first : first + most]))
            self._messages.append((NFTABLES << 8 | kind, flags, which + listed))

    def make(self, transactions: Transactions) -> None:
        """Have them made. Raises OSError; then nothing was changed."""
        if not self._messages:
            return
        *others, (kind, flags, payload) = self._messages
        parts = [request(*each[:2], INET, each[2]) for each in others]
        parts.append(request(kind, flags | ACK, INET, payload, number=2))
        transactions.run(b"".join((_BEGIN, *parts, _END)), 2)


def _packed(key: bytes, timeout: int, data: bytes = b"") -> bytes:
    """An element for a list. `key` has a multiple of four bytes; `data` are four, or a verdict, or none."""
    times = _TIMED + timeout.to_bytes(8, "big") if timeout else b""
    if data:
        times += _data(data)
    return _heads(len(key), len(times)) + key + times


@lru_cache(maxsize=64)
def _heads(size: int, more: int) -> bytes:
    """What is in front of a key of `size` bytes, behind which so many more bytes follow."""
    return struct.pack(
        "=6H", size + 12 + more, NESTED | _LIST_ELEM, size + 8, NESTED | _ELEM_KEY, size + 4, _DATA_VALUE
    )


@lru_cache(maxsize=4096)
def _data(data: bytes) -> bytes:
    if len(data) == 4:
        return attribute(NESTED | _ELEM_DATA, attribute(_DATA_VALUE, data))
    how, _, chain = data.partition(b" ")
    code = attribute(_VERDICT_CODE, _VERDICTS[how.decode()].to_bytes(4, "big"))
    verdict = attribute(NESTED | _DATA_VERDICT, code + attribute(_VERDICT_CHAIN, chain + b"\0"))
    return attribute(NESTED | _ELEM_DATA, verdict)


def _swapped(elements: Iterable[Mapped]) -> Iterator[tuple[bytes, int, bytes]]:
    return ((key, timeout, data) for key, data, timeout in elements)


_TIMED: Final = struct.pack("=HH", 12, _ELEM_TIMEOUT)
