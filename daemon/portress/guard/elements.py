"""Elements of a set in the kernel, read over netlink: keys with the milliseconds they have left.

nft's JSON gives whole seconds only; the netlink attributes have milliseconds. Attribute numbers are
those of the kernel's include/uapi/linux/netfilter/nf_tables.h.
"""

from __future__ import annotations

import errno
import struct
from collections.abc import Iterator
from typing import Final, NamedTuple

from portress.errors import Mistake
from portress.netlink import DUMP, Netfilter, attribute, attributes

_NFTABLES: Final = 10  # NFNL_SUBSYS_NFTABLES
_GETSETELEM: Final = 13
_NFPROTO_INET: Final = 1
_LIST_TABLE, _LIST_SET, _LIST_ELEMENTS = 1, 2, 3
_LIST_ELEM: Final = 1
_ELEM_KEY, _ELEM_TIMEOUT, _ELEM_EXPIRATION = 1, 4, 5
_DATA_VALUE: Final = 1
_BE64: Final = struct.Struct(">Q")


class Element(NamedTuple):
    """One element: its key's bytes, its timeout and what is left of it, in ms (0: it never ends)."""

    key: bytes
    timeout: int
    left: int


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


def _elements(payload: memoryview) -> Iterator[Element]:
    for kind, value in attributes(payload):
        if kind == _LIST_ELEMENTS:
            for inner, elem in attributes(value):
                if inner == _LIST_ELEM:
                    yield _element(elem)


def read(table: str, name: str) -> list[Element]:
    """The elements of set `name` in table inet `table`, an empty list if there is no such set.

    Raises Mistake if the kernel refuses (CAP_NET_ADMIN is missing).
    """
    which = attribute(_LIST_TABLE, table.encode() + b"\0") + attribute(_LIST_SET, name.encode() + b"\0")
    try:
        with Netfilter() as netfilter:
            answers = netfilter.ask(_NFTABLES, _GETSETELEM, _NFPROTO_INET, which, DUMP)
            return [one for answer in answers for one in _elements(answer)]
    except OSError as error:
        if error.errno == errno.ENOENT:
            return []
        raise Mistake(f"the guard cannot be read: {error.strerror}") from error
