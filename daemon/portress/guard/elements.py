"""Elements of a set in the kernel, read over netlink: keys with the milliseconds they have left.

nft's JSON gives whole seconds only; the netlink attributes have milliseconds. Attribute numbers are
those of the kernel's include/uapi/linux/netfilter/nf_tables.h.
"""

from __future__ import annotations

import os
import socket
import struct
from collections.abc import Iterator
from typing import Final, NamedTuple

from portress.errors import Mistake

NETLINK_NETFILTER: Final = 12
_NFPROTO_INET: Final = 1
_GETSETELEM: Final = 10 << 8 | 13  # NFNL_SUBSYS_NFTABLES, NFT_MSG_GETSETELEM
_DUMP: Final = 0x301  # NLM_F_REQUEST | NLM_F_DUMP
_NLMSG_ERROR: Final = 2
_NLMSG_DONE: Final = 3
_NESTED: Final = 0x8000
_TYPE: Final = 0x3FFF
_LIST_TABLE, _LIST_SET, _LIST_ELEMENTS = 1, 2, 3
_LIST_ELEM: Final = 1
_ELEM_KEY, _ELEM_TIMEOUT, _ELEM_EXPIRATION = 1, 4, 5
_DATA_VALUE: Final = 1
_ATTR: Final = struct.Struct("=HH")
_HEADER: Final = struct.Struct("=IHHII")
_BE64: Final = struct.Struct(">Q")


class Element(NamedTuple):
    """One element: its key's bytes, its timeout and what is left of it, in ms (0: it never ends)."""

    key: bytes
    timeout: int
    left: int


def _attribute(kind: int, payload: bytes) -> bytes:
    pad = -len(payload) % 4
    return _ATTR.pack(4 + len(payload), kind) + payload + bytes(pad)


def _attributes(buffer: memoryview) -> Iterator[tuple[int, memoryview]]:
    offset = 0
    while offset + 4 <= len(buffer):
        length, kind = _ATTR.unpack_from(buffer, offset)
        if length < 4:
            return
        yield kind & _TYPE, buffer[offset + 4 : offset + length]
        offset += (length + 3) & ~3


def _element(buffer: memoryview) -> Element:
    key, timeout, left = b"", 0, 0
    for kind, value in _attributes(buffer):
        if kind == _ELEM_KEY:
            key = next((bytes(data) for inner, data in _attributes(value) if inner == _DATA_VALUE), b"")
        elif kind == _ELEM_TIMEOUT:
            (timeout,) = _BE64.unpack(value)
        elif kind == _ELEM_EXPIRATION:
            (left,) = _BE64.unpack(value)
    return Element(key, timeout, left)


def _elements(payload: memoryview) -> Iterator[Element]:
    for kind, value in _attributes(payload):
        if kind == _LIST_ELEMENTS:
            for inner, elem in _attributes(value):
                if inner == _LIST_ELEM:
                    yield _element(elem)


def read(table: str, name: str) -> list[Element]:
    """The elements of set `name` in table inet `table`, an empty list if there is no such set.

    Raises Mistake if the kernel refuses (CAP_NET_ADMIN is missing).
    """
    request = _attribute(_LIST_TABLE, table.encode() + b"\0") + _attribute(_LIST_SET, name.encode() + b"\0")
    body = struct.pack("=BBH", _NFPROTO_INET, 0, 0) + request
    found: list[Element] = []
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, NETLINK_NETFILTER) as sock:
        sock.bind((0, 0))
        sock.settimeout(5)
        sock.send(_HEADER.pack(16 + len(body), _GETSETELEM, _DUMP, 1, 0) + body)
        while True:
            view = memoryview(sock.recv(1 << 17))
            while len(view) >= 16:
                length, kind, _, _, _ = _HEADER.unpack_from(view)
                if kind == _NLMSG_DONE:
                    return found
                if kind == _NLMSG_ERROR:
                    (code,) = struct.unpack_from("=i", view, 16)
                    if -code == 2:  # ENOENT: no such table or set
                        return []
                    raise Mistake(f"the guard cannot be read: {os.strerror(-code)}")
                found += _elements(view[20:length])
                view = view[(length + 3) & ~3 :]
