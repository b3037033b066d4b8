"""What is heard of a transaction that the kernel announces in parts."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator

import pytest

from portress.guard.vigil import Vigil
from portress.netlink import attribute, request

INET = 1
DELTABLE, DELCHAIN, NEWGEN = 10 << 8 | 2, 10 << 8 | 5, 10 << 8 | 15
OURS, OTHERS = b"portress\0", b"other\0"


def message(kind: int, payload: bytes) -> bytes:
    """As of a program at netlink port 0, which is none of ours."""
    return request(kind, 0, INET, payload)


CHAIN = message(DELCHAIN, attribute(1, OURS))
TABLE = message(DELTABLE, attribute(1, OURS))
LAST = message(NEWGEN, attribute(2, (77).to_bytes(4, "big")) + attribute(3, b"nft\0"))


@pytest.fixture
def ends() -> Iterator[tuple[Vigil, socket.socket]]:
    """A vigil, and where the kernel would announce to it."""
    kernel, heard = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    heard.setblocking(False)
    vigil = Vigil()
    vigil._socket = heard
    with kernel, heard:
        yield vigil, kernel


def test_what_has_begun_to_come_is_one_change_with_its_rest(ends: tuple[Vigil, socket.socket]) -> None:
    vigil, kernel = ends
    kernel.send(CHAIN)

    def rest() -> None:
        for part in (TABLE, LAST):
            time.sleep(0.005)
            kernel.send(part)

    later = threading.Thread(target=rest)
    later.start()
    assert vigil.read() == "nft (process 77)"
    later.join()
    assert vigil.read() is None


def test_a_rest_that_does_not_come_is_not_waited_for_long(ends: tuple[Vigil, socket.socket]) -> None:
    vigil, kernel = ends
    kernel.send(CHAIN + TABLE)
    assert vigil.read() == ""
    kernel.send(LAST)
    assert vigil.read() is None


def test_what_is_about_another_table_is_no_change_of_ours(ends: tuple[Vigil, socket.socket]) -> None:
    vigil, kernel = ends
    kernel.send(message(DELTABLE, attribute(1, OTHERS)) + LAST)
    assert vigil.read() is None and vigil.stirred
    assert vigil.read() is None and not vigil.stirred
