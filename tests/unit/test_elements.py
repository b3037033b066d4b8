"""Elements of the guard's sets: the bytes that go to the kernel and come from it.

Layouts and numbers, written here once more: linux/netlink.h, linux/netfilter/nfnetlink.h and nf_tables.h.
"""

from __future__ import annotations

import errno
import struct
from collections.abc import Callable, Iterator
from typing import Any, Final

import pytest

from portress.errors import Mistake
from portress.guard import elements
from portress.guard.elements import Element, ElementChanges, MapElement

REQUEST, ACK, EXCL, CREATE, DUMP = 1, 4, 0x200, 0x400, 0x300
NEW, GET, DELETE = 10 << 8 | 12, 10 << 8 | 13, 10 << 8 | 14
ONE, TWO = bytes((192, 0, 2, 1)), bytes((192, 0, 2, 2))
LONG = bytes(range(16))


def nla(kind: int, payload: bytes, *, nested: bool = False) -> bytes:
    head = struct.pack("=HH", 4 + len(payload), kind | (0x8000 if nested else 0))
    return head + payload + bytes(-len(payload) % 4)


def message(kind: int, flags: int, payload: bytes = b"", *, family: int = 1, number: int = 1) -> bytes:
    about = struct.pack(">BBH", family, 0, 10 if kind in (16, 17) else 0)
    return struct.pack("=IHHII", 20 + len(payload), kind, REQUEST | flags, number, 0) + about + payload


def element(key: bytes, timeout: int = 0, data: bytes = b"", left: int | None = None) -> bytes:
    """NFTA_LIST_ELEM with key, timeout, data and expiration in the kernel's order, where they are there."""
    inside = nla(1, nla(1, key), nested=True)
    if timeout:
        inside += nla(4, struct.pack(">Q", timeout))
    if left is not None:
        inside += nla(5, struct.pack(">Q", left))
    return nla(1, inside + data, nested=True)


def number(data: bytes) -> bytes:
    """NFTA_SET_ELEM_DATA with four bytes."""
    return nla(2, nla(1, data), nested=True)


def verdict(code: int, chain: bytes) -> bytes:
    return nla(2, nla(2, nla(1, struct.pack(">i", code)) + nla(2, chain + b"\0"), nested=True), nested=True)


def of_set(name: str, *listed: bytes) -> bytes:
    which = nla(1, b"portress\0") + nla(2, name.encode() + b"\0")
    return which + (nla(3, b"".join(listed), nested=True) if listed else b"")


class Sent:
    """In place of the socket: what was sent."""

    def __init__(self) -> None:
        self.datagrams: list[tuple[bytes, int]] = []

    def run(self, datagram: bytes, last: int) -> None:
        self.datagrams.append((datagram, last))


def sent(change: Callable[[ElementChanges], None]) -> bytes:
    """The one datagram of these changes; the batch's begin and end are looked at, and taken off."""
    made, there = ElementChanges("portress"), Sent()
    change(made)
    made.make(there)  # type: ignore[arg-type]
    ((datagram, last),) = there.datagrams
    begin, end = message(16, 0, family=0), message(17, 0, family=0)
    assert last == 2 and datagram.startswith(begin) and datagram.endswith(end)
    return datagram[len(begin) : -len(end)]


def test_elements_are_added_with_their_timeouts_and_one_without_has_none() -> None:
    listed = of_set("ssh_4", element(ONE, 3_600_000), element(TWO))
    wanted = [(ONE, 3_600_000), (TWO, 0)]
    assert sent(lambda c: c.add("ssh_4", wanted)) == message(NEW, CREATE | ACK, listed, number=2)
    exclusive = message(NEW, CREATE | EXCL | ACK, listed, number=2)
    assert sent(lambda c: c.add("ssh_4", wanted, new=True)) == exclusive


def test_only_the_last_message_asks_for_an_answer() -> None:
    def change(changes: ElementChanges) -> None:
        changes.delete("ssh_4", [ONE, TWO])
        changes.clear("ssh_6")
        changes.delete("vpn_6", [LONG])

    assert sent(change) == (
        message(DELETE, 0, of_set("ssh_4", element(ONE), element(TWO)))
        + message(DELETE, 0, of_set("ssh_6"))
        + message(DELETE, ACK, of_set("vpn_6", element(LONG)), number=2)
    )


def test_a_timeout_begins_anew_by_going_first() -> None:
    both = of_set("ssh_4", element(ONE, 9), element(TWO, 8))
    assert sent(lambda c: c.restart("ssh_4", [(ONE, 7), (TWO, 8), (ONE, 9)])) == (
        message(NEW, CREATE, both)
        + message(DELETE, 0, of_set("ssh_4", element(ONE), element(TWO)))
        + message(NEW, CREATE | ACK, both, number=2)
    )


def test_what_is_to_end_is_there_for_a_second_so_that_it_can_go() -> None:
    assert sent(lambda c: c.end("ssh_4", [TWO, ONE, TWO])) == (
        message(NEW, CREATE, of_set("ssh_4", element(TWO, 1000), element(ONE, 1000)))
        + message(DELETE, ACK, of_set("ssh_4", element(TWO), element(ONE)), number=2)
    )


def test_an_element_of_a_map_has_four_bytes_or_a_verdict() -> None:
    wanted = [(ONE, b"\x07\0\0\0", 0), (TWO, b"goto open_ssh", 5000), (LONG, b"jump over_1000", 0)]
    listed = of_set(
        "ends",
        element(ONE, 0, number(b"\x07\0\0\0")),
        element(TWO, 5000, verdict(-4, b"open_ssh")),  # NFT_GOTO
        element(LONG, 0, verdict(-3, b"over_1000")),  # NFT_JUMP
    )
    assert sent(lambda c: c.map("ends", wanted)) == message(NEW, CREATE | ACK, listed, number=2)


def test_what_leaves_a_map_is_put_there_first_where_it_may_have_ended() -> None:
    gone = [(ONE, b"\x07\0\0\0", 60_000), (TWO, b"\x08\0\0\0", 0)]
    assert sent(lambda c: c.unmap("next", gone)) == (
        message(NEW, CREATE, of_set("next", element(ONE, 1000, number(b"\x07\0\0\0"))))
        + message(DELETE, ACK, of_set("next", element(ONE), element(TWO)), number=2)
    )


@pytest.mark.parametrize(("mapped", "most"), [(False, 1000), (True, 400)])
def test_very_many_elements_are_several_messages_of_one_transaction(mapped: bool, most: int) -> None:
    """An attribute has 65,535 bytes at the most."""
    keys = [struct.pack(">I", one) for one in range(2 * most + 1)]

    def change(changes: ElementChanges) -> None:
        if mapped:
            changes.map("ends", [(key, b"goto open_ssh", 0) for key in keys])
        else:
            changes.add("ssh_4", [(key, 0) for key in keys])
        assert changes.size == len(sent_before_heads)

    name, data = ("ends", verdict(-4, b"open_ssh")) if mapped else ("ssh_4", b"")
    parts = [keys[:most], keys[most : 2 * most], keys[2 * most :]]
    payloads = [of_set(name, *(element(key, 0, data) for key in part)) for part in parts]
    sent_before_heads = b"".join(payloads)
    first, second, third = payloads
    assert sent(change) == (
        message(NEW, CREATE, first)
        + message(NEW, CREATE, second)
        + message(NEW, CREATE | ACK, third, number=2)
    )


def test_nothing_to_change_is_nothing_sent() -> None:
    there = Sent()
    changes = ElementChanges("portress")
    changes.add("ssh_4", [])
    changes.make(there)  # type: ignore[arg-type]
    assert there.datagrams == [] and changes.size == 0


# Reading


class Kernel:
    """In place of the socket: answers, or refuses; `asked` is what it was asked for."""

    def __init__(self, answers: list[bytes], error: int = 0) -> None:
        self.answers, self.error = answers, error
        self.asked: list[tuple[Any, ...]] = []

    def __call__(self) -> Kernel:
        return self

    def __enter__(self) -> Kernel:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def ask(self, *words: Any) -> Iterator[memoryview]:
        self.asked.append(words)
        if self.error:
            raise OSError(self.error, "refused")
        yield from map(memoryview, self.answers)


def answering(monkeypatch: pytest.MonkeyPatch, *answers: bytes, error: int = 0) -> Kernel:
    kernel = Kernel(list(answers), error)
    monkeypatch.setattr(elements, "Netfilter", kernel)
    return kernel


def dumped(key: bytes, timeout: int = 0, left: int = 0) -> bytes:
    """An element as the kernel writes it: its nests have no flag (nf_tables_api.c, nla_nest_start_noflag)."""
    times = nla(4, struct.pack(">Q", timeout)) + nla(5, struct.pack(">Q", left)) if timeout else b""
    return nla(1, nla(1, nla(1, key)) + times)


def in_list(*listed: bytes) -> bytes:
    return of_set("ssh") + nla(3, b"".join(listed))


@pytest.mark.parametrize("size", [4, 16, 20])
def test_elements_are_read_with_the_milliseconds_they_have_left(
    size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    keys = [bytes([one]) * size for one in range(1, 5)]
    alike = [dumped(key, 1 << 40, (1 << 33) + one) for one, key in enumerate(keys[:2])]
    other = in_list(dumped(keys[2]), dumped(keys[3], 7, 6))
    kernel = answering(monkeypatch, in_list(*alike), other)
    assert elements.read("portress", "ssh") == [
        Element(keys[0], 1 << 40, 1 << 33),
        Element(keys[1], 1 << 40, (1 << 33) + 1),
        Element(keys[2], 0, 0),
        Element(keys[3], 7, 6),
    ]
    assert kernel.asked == [(10, 13, 1, of_set("ssh"), DUMP)]


@pytest.mark.parametrize("size", [4, 16])
def test_addresses_with_timeouts_are_read_at_a_stroke(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """None is taken apart attribute by attribute: there may be a hundred thousand."""

    def never(_buffer: memoryview) -> Element:
        raise AssertionError("taken apart")

    monkeypatch.setattr(elements, "_element", never)
    keys = [bytes([one]) * size for one in range(1, 4)]
    answering(monkeypatch, in_list(*(dumped(key, 1 << 40, 5 + one) for one, key in enumerate(keys))))
    assert elements.read("portress", "ssh") == [
        Element(key, 1 << 40, 5 + one) for one, key in enumerate(keys)
    ]


@pytest.mark.parametrize("size", [4, 16])
def test_elements_that_are_laid_out_otherwise_are_read_all_the_same(
    size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As long as the usual ones, with another order, or something in place of what is there."""
    key = bytes(range(size))
    four, five = nla(4, struct.pack(">Q", 7)), nla(5, struct.pack(">Q", 6))
    its = nla(1, nla(1, key))
    another = bytes(range(1, size + 1))
    usual = dumped(another, 9, 8)
    for inside, wanted in (
        (its + five + four, (key, 7, 6)),
        (its + nla(9, bytes(8)) + five, (key, 0, 6)),
        (its + four + nla(9, bytes(8)), (key, 7, 0)),
        (four + its + five, (key, 7, 6)),
        (nla(8, nla(1, key)) + four + five, (b"", 7, 6)),
        (nla(1, nla(8, key)) + four + five, (b"", 7, 6)),
        (its + nla(4, struct.pack(">Q", 7)) + nla(5, struct.pack(">Q", 6)) + nla(9, b""), (key, 7, 6)),
    ):
        answering(monkeypatch, in_list(usual, nla(1, inside)))
        assert elements.read("portress", "s") == [Element(another, 9, 8), Element(*wanted)]
        answering(monkeypatch, in_list(nla(1, inside), usual))
        assert elements.read("portress", "s") == [Element(*wanted), Element(another, 9, 8)]
    answering(monkeypatch, in_list())
    assert elements.read("portress", "s") == []
    # With something else in the list, or cut off, only what is an element counts.
    answering(monkeypatch, in_list(nla(2, dumped(key, 9, 8)[4:]), usual))
    assert elements.read("portress", "s") == [Element(another, 9, 8)]
    answering(monkeypatch, in_list(usual, b"\0\0"))
    assert elements.read("portress", "s") == [Element(another, 9, 8)]


def test_of_a_key_only_its_value_counts_and_of_times_only_the_two(monkeypatch: pytest.MonkeyPatch) -> None:
    inside = nla(1, nla(7, b"????") + nla(1, ONE)) + nla(6, bytes(8)) + nla(4, struct.pack(">Q", 3))
    answering(monkeypatch, nla(9, dumped(TWO, 1, 1)) + in_list(nla(1, inside + nla(7, b"\xff" * 8))))
    assert elements.read("portress", "s") == [Element(ONE, 3, 0)]
    assert elements.read_map("portress", "s") == [MapElement(ONE, b"", 0)]
    answering(monkeypatch, in_list(nla(1, nla(4, struct.pack(">Q", 3)))))
    assert elements.read_map("portress", "s") == [MapElement(b"", b"", 0)]


def test_what_is_no_element_of_the_list_is_passed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    answering(monkeypatch, nla(3, nla(2, nla(1, nla(1, ONE), nested=True)) + element(TWO, 5, left=4)))
    assert elements.read("portress", "s") == [Element(TWO, 5, 4)]
    assert elements.read_map("portress", "s") == [MapElement(TWO, b"", 4)]


Passes = list[list[list[int]]]
HUNDRED: Final = list(range(100))  # more than the kernel tells in one datagram


def telling(monkeypatch: pytest.MonkeyPatch, passes: Passes, left: Callable[[int], int]) -> Kernel:
    """A kernel that lists these, in these datagrams, when it is asked for the first time, the second…; of 9 s
    each has so many ms `left`."""

    class Telling(Kernel):
        def ask(self, *words: Any) -> Iterator[memoryview]:
            self.asked.append(words)
            for datagram in passes[min(len(self.asked), len(passes)) - 1]:
                yield memoryview(in_list(*(dumped(bytes([one]) * 4, 9000, left(one)) for one in datagram)))

    kernel = Telling([])
    monkeypatch.setattr(elements, "Netfilter", kernel)
    return kernel


def without(*gone: int) -> list[list[int]]:
    some = [one for one in HUNDRED if one not in gone]
    return [some[:50], some[50:]]


@pytest.mark.parametrize(
    ("passes", "asked", "missing"),
    [
        ([[[0, 1, 2]], without()], 1, HUNDRED[3:]),  # told in one datagram
        ([without()], 2, []),
        ([without(2, 3), without()], 3, []),
        ([without(2, 3), without(7), without(2)], 3, []),
        ([without(5), without(5), without()], 2, [5]),
        ([[HUNDRED, [0, 1, 2]], without()], 2, []),  # given more room meanwhile
        ([[HUNDRED[:90]], [HUNDRED[:91]], [HUNDRED[:92]], without()], 5, []),
    ],
)
def test_a_set_is_read_until_a_reading_finds_nothing_that_was_left_out(
    monkeypatch: pytest.MonkeyPatch, passes: Passes, asked: int, missing: list[int]
) -> None:
    """The kernel goes on by number: where it clears away some whose time is over, it leaves out as many."""
    for read in (elements.read, elements.read_map):
        kernel = telling(monkeypatch, passes, lambda _: 1)
        found = [one.key[0] for one in read("portress", "ssh")]  # type: ignore[operator]
        assert sorted(found) == sorted({*HUNDRED} - {*missing}) and len(kernel.asked) == asked


def test_what_comes_while_a_set_is_read_is_no_reason_to_read_it_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    passes = [without(*range(90, 100)), without(*range(95, 100)), without()]
    kernel = telling(monkeypatch, passes, lambda one: 9000 if one > 90 else 1)
    assert sorted(one.key[0] for one in elements.read("portress", "ssh")) == HUNDRED
    assert len(kernel.asked) == 3  # for the sake of 90
    kernel = telling(monkeypatch, passes, lambda one: 9000 if one >= 90 else 1)
    assert sorted(one.key[0] for one in elements.read("portress", "ssh")) == HUNDRED[:95]
    assert len(kernel.asked) == 2


def test_a_map_of_which_some_may_be_missing_is_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = telling(monkeypatch, [without(3), without()], lambda _: 1)
    assert len(list(elements.each_of_map("portress", "at_4", whole=False))) == 99 and len(kernel.asked) == 1


def test_a_set_that_is_never_told_whole_is_not_read_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    passes = [[HUNDRED[: 80 + one]] for one in range(20)]
    kernel = telling(monkeypatch, passes, lambda _: 1)
    assert [one.key[0] for one in elements.read("portress", "ssh")] == HUNDRED[:87]
    assert len(kernel.asked) == 8


def test_a_map_is_read_with_its_data_and_verdicts(monkeypatch: pytest.MonkeyPatch) -> None:
    listed = of_set(
        "ends",
        element(ONE, 0, number(b"\x07\0\0\0")),
        element(TWO, 5000, verdict(-4, b"open_ssh"), left=1 << 34),
        element(LONG, 0, verdict(-3, b"over_1000")),
        element(b"\xc0\x00\x02\x09"),
    )
    kernel = answering(monkeypatch, listed)
    assert elements.read_map("portress", "ends") == [
        MapElement(ONE, b"\x07\0\0\0", 0),
        MapElement(TWO, b"goto open_ssh", 1 << 34),
        MapElement(LONG, b"jump over_1000", 0),
        MapElement(b"\xc0\x00\x02\x09", b"", 0),
    ]
    assert kernel.asked == [(10, 13, 1, of_set("ends"), DUMP)]


def test_one_element_is_found_by_its_key(monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = answering(monkeypatch, of_set("at", element(ONE, 9, number(b"\x07\0\0\0"), left=8)))
    assert elements.find(elements.Netfilter(), "portress", "at", ONE) == MapElement(ONE, b"\x07\0\0\0", 8)
    assert kernel.asked == [(10, 13, 1, of_set("at", element(ONE)), ACK)]
    answering(monkeypatch, of_set("at"))
    assert elements.find(elements.Netfilter(), "portress", "at", ONE) is None
    answering(monkeypatch, error=errno.ENOENT)
    assert elements.find(elements.Netfilter(), "portress", "at", ONE) is None
    answering(monkeypatch, error=errno.EPERM)
    with pytest.raises(PermissionError):
        elements.find(elements.Netfilter(), "portress", "at", ONE)


def test_a_set_that_is_not_there_holds_nothing_and_a_refusal_is_a_mistake(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    answering(monkeypatch, error=errno.ENOENT)
    assert elements.read("portress", "s") == elements.read_map("portress", "s") == []
    answering(monkeypatch, error=errno.EPERM)
    with pytest.raises(Mistake, match=r"^the guard cannot be read: refused$"):
        elements.read("portress", "s")
