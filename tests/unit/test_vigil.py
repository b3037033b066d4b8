"""What is heard of a transaction that the kernel announces in parts."""

from __future__ import annotations

import errno
import socket
import struct
import threading
import time
from collections.abc import Iterator
from types import SimpleNamespace

import pytest

from portress.guard.vigil import Vigil, _leave_out
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


def test_what_has_begun_to_come_is_one_change_with_its_rest(
    ends: tuple[Vigil, socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("portress.guard.vigil._REST", 20_000)  # the thread may have to wait for a processor
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
    assert not vigil.stirred
    assert vigil.read() is None and vigil.stirred
    assert vigil.read() is None and not vigil.stirred


def test_where_all_has_come_nothing_more_is_waited_for(
    ends: tuple[Vigil, socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    vigil, kernel = ends

    def waits() -> bool:
        raise AssertionError

    monkeypatch.setattr(vigil, "_more", waits)
    assert vigil.read() is None
    kernel.send(CHAIN + LAST)
    assert vigil.read() == "nft (process 77)"
    stub = struct.pack("=IHHII", 19, DELTABLE, 0, 0, 0) + bytes(4)  # too short for what it says it is
    kernel.send(stub)
    assert vigil.read() is None and not vigil.stirred


def test_what_is_not_whole_yet_is_not_what_another_program_did_before(
    ends: tuple[Vigil, socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    vigil, kernel = ends
    monkeypatch.setattr(vigil, "_more", lambda: False)
    kernel.send(message(DELTABLE, attribute(1, OTHERS)) + LAST + TABLE)
    assert vigil.read() == ""
    kernel.send(message(DELTABLE, b""))  # no more than a header
    assert vigil.read() is None and vigil.stirred


def of(port: int, kind: int, payload: bytes) -> bytes:
    """As of the program at that netlink port."""
    return message(kind, payload)[:12] + struct.pack("=I", port) + message(kind, payload)[16:]


def test_elements_that_others_change_touch_the_guard_and_stir_no_rules(
    ends: tuple[Vigil, socket.socket],
) -> None:
    """NFT_MSG_NEWSETELEM and NFT_MSG_DELSETELEM."""
    vigil, kernel = ends
    for kind in (12, 14):
        kernel.send(message(10 << 8 | kind, attribute(1, OURS)) + LAST)
        assert vigil.read() == "nft (process 77)" and not vigil.stirred
    kernel.send(message(10 << 8 | 9, attribute(1, OURS)) + LAST)  # NFT_MSG_NEWSET
    assert vigil.read() == "nft (process 77)" and vigil.stirred


def test_what_this_process_did_and_what_is_of_another_subsystem_or_family_is_none_of_others(
    ends: tuple[Vigil, socket.socket],
) -> None:
    vigil, kernel = ends
    vigil._own = {4242}
    kernel.send(of(4242, DELTABLE, attribute(1, OURS)) + of(4242, NEWGEN, b""))
    kernel.send(message(1 << 8 | 2, attribute(1, OURS)))  # of connection tracking
    assert vigil.read() is None and not vigil.stirred
    kernel.send(of(4243, DELTABLE, attribute(1, OURS)) + LAST)
    assert vigil.read() == "nft (process 77)"
    kernel.send(request(DELTABLE, 0, 2, attribute(1, OURS)) + LAST)  # of the same name, for IPv4 alone
    assert vigil.read() is None and vigil.stirred


def test_a_program_that_says_less_or_something_longer_is_named_as_far_as_it_is_known(
    ends: tuple[Vigil, socket.socket],
) -> None:
    vigil, kernel = ends
    nameless = attribute(2, (77).to_bytes(4, "big"))
    for payload, wanted in (
        (b"", ""),
        (nameless, ""),
        (attribute(3, b"nft\0"), "nft (process 0)"),
        (nameless + attribute(3, b"f\xff\0\0"), "f\ufffd (process 77)"),
        (attribute(1, (9).to_bytes(4, "big")) + nameless + attribute(3, b"nft\0"), "nft (process 77)"),
        (nameless + attribute(3, b"nft\0") + attribute(9, b"more"), "nft (process 77)"),
    ):
        kernel.send(CHAIN + message(NEWGEN, payload))
        assert vigil.read() == wanted


def test_of_several_changes_the_last_that_touched_the_guard_is_told(
    ends: tuple[Vigil, socket.socket],
) -> None:
    vigil, kernel = ends
    other = message(NEWGEN, attribute(2, (88).to_bytes(4, "big")) + attribute(3, b"other\0"))
    kernel.send(message(DELTABLE, attribute(1, OTHERS)) + other + TABLE + LAST)
    assert vigil.read() == "nft (process 77)"


def test_messages_whose_length_is_odd_or_cannot_be_are_gone_through_all_the_same(
    ends: tuple[Vigil, socket.socket],
) -> None:
    vigil, kernel = ends
    odd = struct.pack("=HH", 4 + 5, 1) + b"other"
    stray = request(DELTABLE, 0, INET, odd)  # 29 bytes, padded to 32
    kernel.send(stray + bytes(3) + TABLE + LAST)
    assert vigil.read() == "nft (process 77)"
    kernel.send(TABLE + LAST + struct.pack("=IHHII", 19, DELTABLE, 0, 0, 0) + bytes(40))
    assert vigil.read() == "nft (process 77)"
    kernel.send(message(DELTABLE, b"") + LAST)  # no more than a header
    assert vigil.read() is None and vigil.stirred


def test_where_the_kernel_had_to_drop_something_the_guard_is_looked_at() -> None:
    vigil, answers = Vigil(), [OSError(errno.ENOBUFS, ""), BlockingIOError()]

    def recv(_size: int) -> bytes:
        raise answers.pop(0)

    vigil._socket = SimpleNamespace(recv=recv)  # type: ignore[assignment]
    assert vigil.read() == "" and vigil.stirred
    answers[:] = [OSError(errno.ENETDOWN, "")]
    with pytest.raises(OSError, match=str(errno.ENETDOWN)):
        vigil.read()


@pytest.mark.parametrize("count", [0, 1, 3])
def test_the_kernel_leaves_out_what_came_from_this_processes_own_sockets(count: int) -> None:
    """The filter as the kernel runs it, on a socket of another family: what counts is where the port is."""
    own = [4242, 0x80000001, 7][:count]
    kernel, heard = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    with kernel, heard:
        heard.setblocking(False)
        _leave_out(heard, own)
        for port in (4242, 0x80000001, 7, 8):
            kernel.send(of(port, DELTABLE, attribute(1, OURS)))
        some = []
        with pytest.raises(BlockingIOError):
            while True:
                some.append(struct.unpack_from("=IHHII", heard.recv(1 << 12)))
        assert [one[4] for one in some] == [port for port in (4242, 0x80000001, 7, 8) if port not in own]
        assert {one[0] for one in some} == {len(TABLE)}  # whole
