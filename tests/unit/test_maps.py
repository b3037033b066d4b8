"""The maps of a guard that decides, kept at what they are to hold: over netlink, against a kernel's rules.

The kernel here is a table of dictionaries that does what nf_tables does with a transaction: all of it or
nothing; to add what is there with other data, or to take out what is not there, is an error.
"""

from __future__ import annotations

import copy
import random
import struct
from collections.abc import Iterator
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import pytest

from portress.errors import Mistake
from portress.guard import elements, upkeep
from portress.guard.contents import MAPS, Contents
from portress.guard.elements import Element, ElementChanges, MapElement
from portress.guard.listing import Listing
from portress.guard.maps import MOST, PART, Maps
from portress.knock import Widths
from portress.netlink import attributes

NEW, DELETE = 12, 14  # NFT_MSG_NEWSETELEM, NFT_MSG_DELSETELEM
CODES = {-3: "jump", -4: "goto"}  # NFT_JUMP, NFT_GOTO


def number(value: int) -> bytes:
    return struct.pack("=I", value)


def edge(node: int, port: int) -> bytes:
    return number(node) + bytes((6, 0, 0, 0)) + struct.pack(">HH", port, 0)


def _item(buffer: memoryview) -> tuple[bytes, bytes, int]:
    """Key, data and timeout of an element."""
    found = dict(attributes(buffer))
    key = bytes(dict(attributes(found[1]))[1])
    timeout = int.from_bytes(found[4], "big") if 4 in found else 0
    if 2 not in found:
        return key, b"", timeout
    data = dict(attributes(found[2]))
    if 2 not in data:
        return key, bytes(data[1]), timeout
    verdict = dict(attributes(data[2]))
    (code,) = struct.unpack(">i", verdict[1])
    return key, f"{CODES[code]} ".encode() + bytes(verdict[2]).rstrip(b"\0"), timeout


class Kernel:
    """What the maps hold there; `now` in ms."""

    def __init__(self) -> None:
        self.now = 1_000_000
        self.maps: Contents = {name: {} for name in MAPS}
        self.sets: dict[str, list[MapElement]] = {}
        self.log: list[list[tuple[str, str, bytes]]] = []  # by transaction: what was done, map, key
        self.read: list[str] = []
        self.once: list[str] = []  # of these, those that need not be whole

    def clock(self) -> int:
        return self.now

    def run(self, datagram: bytes, _last: int) -> None:
        after, done, view = copy.deepcopy(self.maps), [], memoryview(datagram)
        while view:
            length, kind = struct.unpack_from("=IH", view)
            if kind >> 8 == 10 and kind & 0xFF in (NEW, DELETE):
                found = dict(attributes(view[20:length]))
                name = bytes(found[2]).rstrip(b"\0").decode()
                for _, one in attributes(found[3]):
                    key, data, timeout = _item(one)
                    done.append(("new" if kind & 0xFF == NEW else "gone", name, key))
                    self._one(after[name], kind & 0xFF, key, data, timeout)
            view = view[(length + 3) & ~3 :]
        self.maps = after
        self.log.append(done)

    def _one(self, held: Any, kind: int, key: bytes, data: bytes, timeout: int) -> None:
        there = held.get(key)
        if there is not None and there[1] is not None and there[1] <= self.now:
            there = held.pop(key) and None
        if kind == DELETE:
            if there is None:
                raise Mistake("No such file or directory")
            del held[key]
        elif there is None:
            held[key] = data, self.now + timeout if timeout else None
        elif there[0] != data:
            raise Mistake("File exists")

    def change(self, changes: ElementChanges) -> None:
        changes.make(self)  # type: ignore[arg-type]

    def read_map(self, _table: str, name: str, *, whole: bool = True) -> list[MapElement]:
        self.read.append(name)
        self.once += [] if whole else [name]
        if name in self.sets:
            return self.sets[name]
        return [
            MapElement(key, data, 0 if until is None else until - self.now)
            for key, (data, until) in self.maps.get(name, {}).items()
            if until is None or until > self.now
        ]

    def find(self, table: str, name: str, key: bytes) -> MapElement | None:
        return next((one for one in self.read_map(table, name) if one.key == key), None)

    def elements(self, table: str, name: str) -> list[Element]:
        return [Element(one.key, one.left, one.left) for one in self.read_map(table, name)]

    def held(self) -> Contents:
        return {
            name: {key: item for key, item in held.items() if item[1] is None or item[1] > self.now}
            for name, held in self.maps.items()
        }


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> Iterator[Kernel]:
    one = Kernel()
    monkeypatch.setattr(upkeep, "each_of_map", one.read_map)
    for name in ("read_map", "each_of_map"):
        monkeypatch.setattr(elements, name, one.read_map)
    monkeypatch.setattr(elements, "read", one.elements)
    yield one


def tree(*nodes: int, end: int = 0, until: int | None = None, chain: str = "open_ssh") -> Contents:
    """Contents with an edge from each node to the next, and something that ends at `end`."""
    found: Contents = {name: {} for name in MAPS}
    for one, other in pairwise(nodes):
        found["next"][edge(one, other)] = number(other), until
        found["stays"][number(other)] = b"goto stay_1000", None
    if end:
        found["ends"][number(end)] = f"goto {chain}".encode(), until
    return found


def ruleset(contents: Contents, steady: Contents | None = None, **more: Any) -> Any:
    widths = Widths(32, 128)
    return SimpleNamespace(
        **{"contents": contents, "steady": steady or tree(), "living": (), "prefixes": widths, **more}
    )


def listing(maps: dict[str, int], sets: dict[str, int] | None = None, widths: str = "32 128") -> Listing:
    comment = f"portress 1 prefix {widths} config 0a"
    return Listing(frozenset(), sets or {}, maps, frozenset(), comment, False)


def some(chance: random.Random, now: int) -> Contents:
    """Any contents, of which some are over, or end before long."""
    found: Contents = {name: {} for name in MAPS}
    for name in MAPS:
        for one in chance.sample(range(12), 8):
            until = chance.choice([None, now - 5000, now, now + 2000, now + 60_000])
            data = number(chance.randrange(2)) if name in ("next", "slower", "claims") else b"goto used"
            found[name][edge(one, 7) if name == "next" else number(one)] = data, until
    return found


def alike(one: Contents, other: Contents) -> bool:
    return all(
        one.get(name, {}).keys() == other.get(name, {}).keys()
        and all(upkeep.same(item, other[name][key]) for key, item in one.get(name, {}).items())
        for name in MAPS
    )


# From one content to another


@pytest.mark.parametrize("seed", range(20))
def test_whatever_the_maps_held_they_hold_what_is_wanted_and_nothing_that_is_over(
    seed: int, kernel: Kernel
) -> None:
    chance = random.Random(seed)
    before, after = some(chance, kernel.now), some(chance, kernel.now)
    kernel.maps = copy.deepcopy(before)
    maps = Maps(kernel.change, before, kernel.clock)
    maps.change_contents(after)
    wanted = {
        name: {key: item for key, item in items.items() if item[1] is None or item[1] > kernel.now}
        for name, items in after.items()
    }
    assert alike(kernel.held(), wanted) and maps.holding is after
    assert kernel.read == [] and len(kernel.log) == 1


def test_what_is_there_alike_is_left_alone_and_an_end_read_from_the_kernel_is_the_same_end(
    kernel: Kernel,
) -> None:
    """The kernel tells an element's end by the ms it has left when it is read, some time later."""
    before, after = tree(0, 1, 2, end=2, until=kernel.now + 60_000), tree(0, 1, 2, end=2)
    for by, changed in ((0, []), (1000, []), (-1000, []), (2000, ["next", "next", "ends"])):
        after = tree(0, 1, 2, end=2, until=kernel.now + 60_000 + by)
        kernel.maps, kernel.log = copy.deepcopy(before), []
        Maps(kernel.change, before, kernel.clock).change_contents(after)
        gone = [name for one in kernel.log for how, name, _ in one if how == "gone"]
        assert sorted(gone) == sorted(changed)
    for one, other in ((None, kernel.now), (kernel.now, None)):
        assert not upkeep.same((b"goto used", one), (b"goto used", other))


def test_what_is_over_is_neither_put_in_nor_looked_for(kernel: Kernel) -> None:
    over = tree(0, 1, 2, end=2, until=kernel.now)
    for made in (upkeep.addition, upkeep.removal):
        assert made("portress", "ends", over["ends"].items(), kernel.now).size == 0
    later = tree(0, 1, 2, end=2, until=kernel.now + 1)["ends"]
    kernel.change(upkeep.addition("portress", "ends", later.items(), kernel.now))
    assert kernel.held()["ends"] == later
    kernel.change(upkeep.removal("portress", "ends", later.items(), kernel.now))
    assert kernel.held()["ends"] == {}


def test_what_was_read_is_taken_to_end_later_rather_than_sooner(kernel: Kernel) -> None:
    kernel.maps = tree(0, 1, end=1, until=kernel.now + 5000)

    def slow() -> int:
        return kernel.now + 200  # reading took a while

    assert upkeep.read("portress", slow)["ends"] == {number(1): (b"goto open_ssh", kernel.now + 5200)}
    kernel.maps = tree(0, 1, end=1)
    assert upkeep.read("portress", slow)["ends"] == {number(1): (b"goto open_ssh", None)}


def test_however_long_reading_takes_what_is_as_it_was_is_taken_for_the_same(
    kernel: Kernel, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each element says what it has left when the kernel tells of it, which is minutes after the first."""
    kernel.maps = tree(0, *range(1, 61), end=60, until=kernel.now + 600_000)
    have = kernel.held()

    def one_by_one(table: str, name: str) -> Iterator[MapElement]:
        for key in kernel.held().get(name, {}):
            kernel.now += 2000
            yield next(one for one in kernel.read_map(table, name) if one.key == key)

    monkeypatch.setattr(upkeep, "each_of_map", one_by_one)
    found = upkeep.read("portress", kernel.clock)
    assert upkeep.staying(found, have) == have and len(have["next"]) > 50
    assert upkeep.change("portress", found, have, kernel.now).size == 0


def test_without_a_clock_of_its_own_it_goes_by_the_kernels(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("time.monotonic_ns", lambda: 1_234_567_890)
    assert Maps(lambda _: None).clock() == 1234


# What is known of what they hold


def test_what_is_not_known_is_read_first(kernel: Kernel) -> None:
    kernel.maps = tree(0, 1, 2, end=2)
    maps = Maps(kernel.change, None, kernel.clock)
    maps.change_contents(tree(0, 1, 3, end=3), ElementChanges("portress"))  # prepared for what is not there
    assert alike(kernel.held(), tree(0, 1, 3, end=3)) and kernel.read == list(MAPS)


def test_what_was_prepared_is_done_where_the_maps_hold_what_it_was_made_for(kernel: Kernel) -> None:
    before, after = tree(0, 1, 2, end=2), tree(0, 1, 3, end=3)
    prepared = upkeep.change("portress", before, after, kernel.now)
    made: list[ElementChanges] = []

    def change(changes: ElementChanges) -> None:
        made.append(changes)
        kernel.change(changes)

    kernel.maps = copy.deepcopy(before)
    maps = Maps(change, before, kernel.clock)
    maps.change_contents(after, prepared)
    assert made == [prepared] and kernel.read == [] and alike(kernel.held(), after)
    kernel.maps = tree(0, 9, end=9)  # somebody else has changed them
    maps = Maps(change, before, kernel.clock)
    maps.change_contents(after, upkeep.change("portress", before, after, kernel.now))
    assert alike(kernel.held(), after) and maps.holding is after and kernel.read == list(MAPS)


def test_contents_that_come_while_others_are_on_their_way_are_made_from_what_is_there(kernel: Kernel) -> None:
    first = tree(0, 1, 2, end=2)
    maps = Maps(kernel.change, {}, kernel.clock)
    maps.fill(ruleset(first), tree(), later=True)
    assert maps.fill_part()
    after = tree(0, 5, 6, end=6)
    maps.change_contents(after, upkeep.change("portress", first, after, kernel.now))
    assert alike(kernel.held(), after) and maps.target is maps.holding is after


def test_what_was_prepared_for_contents_that_are_not_all_there_is_not_enough(kernel: Kernel) -> None:
    first, after = tree(0, 1, 2, end=2), tree(0, 1, 2, 3, end=2)
    maps = Maps(kernel.change, {}, kernel.clock)
    maps.fill(ruleset(first), tree(), later=True)
    assert maps.fill_part()
    maps.change_contents(after, upkeep.change("portress", first, after, kernel.now))
    assert alike(kernel.held(), after)


def test_contents_that_will_be_emptied_are_known_no_more(kernel: Kernel) -> None:
    held = tree(0, 1)
    maps = Maps(kernel.change, held, kernel.clock)
    maps.forget(tree(0, 1))  # another one that looks the same
    assert maps.holding is held
    maps.forget(held)
    assert maps.holding is None


# A guard with other contents, in parts


def many(count: int, start: int = 1) -> Contents:
    return tree(0, *range(start, start + count), end=start + count - 1)


def test_what_is_no_longer_wanted_goes_in_parts_before_the_rules_and_what_is_new_comes_after(
    kernel: Kernel,
) -> None:
    before, after = many(2 * PART + 5), many(PART + 7, PART)
    kernel.maps = copy.deepcopy(before)
    maps = Maps(kernel.change, None, kernel.clock)
    maps.aim(after)
    assert maps.target is after and maps.holding == before
    while maps.clear_part():
        assert alike(kernel.held(), maps.holding or {})
    assert max(map(len, kernel.log)) == PART
    # Edges go before what they lead to: half-way nobody is led to a node where nothing is.
    gone = [name for one in kernel.log for _, name, _ in one]
    assert gone == sorted(gone, key=MAPS.index) and set(gone) == {"next", "ends", "stays"}
    both = upkeep.staying(before, after)
    assert alike(kernel.held(), both) and len(both["next"]) > 1
    # Then the rules are loaded.
    reads = len(kernel.read)
    loaded = ruleset(after)
    holding = maps.make_way(loaded, {"next"})
    # That is known: nothing is read, and nothing gone through again.
    assert holding == both and holding is maps.holding and maps.target is holding
    assert len(kernel.read) == reads
    maps.fill(loaded, holding, later=True)
    kernel.log.clear()
    parts = 0
    while maps.fill_part():
        parts += 1
        assert alike(kernel.held(), maps.holding or {})
    assert parts == 5  # of the edges two, as of what they lead to; one of the end
    come = {(name, key) for one in kernel.log for _, name, key in one}
    assert not any((name, key) in come for name, items in both.items() for key in items)
    order = [name for one in kernel.log for _, name, _ in one]
    assert order == sorted(order, key=MAPS.index, reverse=True) and set(order) == {"next", "ends", "stays"}
    assert max(map(len, kernel.log)) <= PART
    assert alike(kernel.held(), after) and maps.holding is maps.target is after
    assert not maps.fill_part() and maps.holding is after
    assert not maps.clear_part()


@pytest.mark.parametrize("aimed", [False, True])
@pytest.mark.parametrize("later", [False, True])
def test_what_only_lasts_longer_is_there_all_the_time(kernel: Kernel, later: bool, aimed: bool) -> None:
    """A beginning that a sequence of the next step shares, for a daemon that starts then: whoever knocks
    meanwhile is heard."""
    before = tree(0, *range(1, PART), end=PART - 1, until=kernel.now + 20_000)
    after = tree(0, *range(1, PART), end=PART - 1, until=kernel.now + 50_000)
    kernel.maps = copy.deepcopy(before)
    there = {name: {*items} for name, items in before.items()}
    maps = Maps(kernel.change, None, kernel.clock)

    def checked(more: bool) -> bool:
        assert {name: {*items} for name, items in kernel.held().items()} == there
        assert alike(kernel.held(), maps.holding or kernel.held())
        return more

    if aimed:
        maps.aim(after)
        while checked(maps.clear_part()):
            pass
    loaded = ruleset(after)
    holding = maps.make_way(loaded, {"next"})
    checked(True)
    maps.fill(loaded, holding, later=later)
    while checked(maps.fill_part()):
        pass
    assert alike(kernel.held(), after) and maps.holding is after


@pytest.mark.parametrize(
    ("until", "wanted", "may"),
    [
        (5000, 9000, True),
        (5000, None, True),
        (5000, 5000, True),
        (None, None, True),
        (9000, 5000, False),
        (None, 5000, False),
    ],
)
def test_until_what_is_wanted_comes_nothing_stays_that_lasts_longer_or_leads_elsewhere(
    until: int | None, wanted: int | None, may: bool
) -> None:
    assert upkeep.may_stay((b"goto used", until), (b"goto used", wanted)) is may
    assert not upkeep.may_stay((b"goto used", until), (b"goto open_ssh", wanted))
    assert not upkeep.may_stay((b"goto used", until), None)


def test_a_guard_is_filled_at_once_where_nobody_waits(kernel: Kernel) -> None:
    after = many(PART + 1)
    maps = Maps(kernel.change, None, kernel.clock)
    maps.fill(ruleset(after), tree())
    assert alike(kernel.held(), after) and len(kernel.log) == 1 and maps.holding is after
    maps.fill(ruleset({}), tree())
    assert maps.holding is after  # a guard that does not decide is not filled


def test_what_is_filled_in_parts_leaves_alone_what_it_was_given(kernel: Kernel) -> None:
    """The text's own contents are compared with later ones."""
    steady, after = tree(0, 1), tree(0, 1, 2, end=2)
    kernel.maps = copy.deepcopy(steady)
    maps = Maps(kernel.change, None, kernel.clock)
    maps.fill(ruleset(after, steady), steady, later=True)
    while maps.fill_part():
        pass
    assert steady == tree(0, 1) and alike(kernel.held(), after)


@pytest.mark.parametrize("filling", [False, True])
def test_where_somebody_else_has_changed_them_meanwhile_nothing_is_known_any_more(
    kernel: Kernel, filling: bool
) -> None:
    before, after = many(5), many(5, 100)
    kernel.maps = {name: {} for name in MAPS} if not filling else many(5, 100)
    for name, items in kernel.maps.items():  # as somebody else would have it
        kernel.maps[name] = dict.fromkeys(items, (number(77), None))
    maps = Maps(kernel.change, before, kernel.clock)
    if filling:
        maps.fill(ruleset(after), before, later=True)
    else:
        maps.aim(after)
    with pytest.raises(Mistake):
        while maps.fill_part() if filling else maps.clear_part():
            pass
    assert maps.holding is None and maps.target is None
    assert not maps.fill_part() and not maps.clear_part()


def test_what_was_aimed_at_and_does_not_come_is_taken_back_at_once(kernel: Kernel) -> None:
    before, after = many(2 * PART), many(PART, 10 * PART)
    kernel.maps = copy.deepcopy(before)
    maps = Maps(kernel.change, before, kernel.clock)
    maps.aim(after)
    assert maps.clear_part()
    assert not alike(kernel.held(), before)
    maps.settle(before)
    assert alike(kernel.held(), before) and maps.holding is maps.target is before
    maps = Maps(kernel.change, None, kernel.clock)
    kernel.log.clear()
    maps.settle(after)  # not known what they hold: whoever loads a guard reads it
    assert kernel.log == [] and maps.holding is None


def test_what_was_cleared_for_other_rules_does_not_count_for_these(kernel: Kernel) -> None:
    before, first, second = many(3), many(3, 50), many(3, 70)
    kernel.maps = copy.deepcopy(before)
    maps = Maps(kernel.change, before, kernel.clock)
    maps.aim(first)
    while maps.clear_part():
        pass
    kernel.maps = copy.deepcopy(before)  # the transaction failed, and the old guard was put back
    maps.holding = before
    assert maps.make_way(ruleset(second), {"next"}) == upkeep.staying(before, second)
    assert alike(kernel.held(), upkeep.staying(before, second))
    maps.holding, kernel.maps = before, copy.deepcopy(before)
    assert maps.make_way(ruleset(first), {"next"}) == upkeep.staying(before, first)  # it was for one load
    assert alike(kernel.held(), upkeep.staying(before, first))
    assert kernel.read == []


def test_what_came_into_maps_that_were_cleared_goes_before_the_rules(kernel: Kernel) -> None:
    before, wanted, other = many(3), many(3, 50), many(4, 90)
    kernel.maps = copy.deepcopy(before)
    maps = Maps(kernel.change, before, kernel.clock)
    maps.aim(wanted)
    while maps.clear_part():
        pass
    maps.change_contents(other)  # a time step
    assert maps.make_way(ruleset(wanted), {"next"}) == upkeep.staying(other, wanted)
    assert alike(kernel.held(), upkeep.staying(other, wanted))


def test_before_rules_that_do_not_decide_or_with_new_maps_nothing_is_changed(kernel: Kernel) -> None:
    before, after, steady = many(3), many(3, 50), tree(0, 1)
    maps = Maps(kernel.change, before, kernel.clock)
    assert maps.make_way(ruleset(after, steady), {"spent"}) is steady  # the maps are made with the text
    assert maps.make_way(ruleset({}), {"next"}) == {} and maps.holding is None
    assert kernel.log == [] and kernel.read == []


def test_before_the_rules_what_others_changed_is_read_and_taken_out_all_the_same(kernel: Kernel) -> None:
    before, after = many(3), many(5)
    kernel.maps = many(4)
    maps = Maps(kernel.change, many(3, 30), kernel.clock)  # wrong by now
    assert maps.make_way(ruleset(after), {"next"}) == upkeep.staying(many(4), after)
    assert alike(kernel.held(), upkeep.staying(many(4), after))
    kernel.maps, kernel.read = copy.deepcopy(before), []
    maps = Maps(kernel.change, None, kernel.clock)
    assert maps.make_way(ruleset(after), {"next"}) == upkeep.staying(before, after)
    assert kernel.read == list(MAPS)


# Sequences that were used


def test_a_used_sequences_end_leads_elsewhere_at_once(kernel: Kernel) -> None:
    held = tree(0, 1, 2, end=2)
    held["ends"][number(1)] = b"jump open_vpn", None
    kernel.maps = copy.deepcopy(held)
    maps = Maps(kernel.change, held, kernel.clock)
    maps.withdraw([(number(2), b"goto used"), (number(44), b"goto used")])  # the second is not there
    wanted = {number(2): (b"goto used", None), number(1): (b"jump open_vpn", None)}
    assert kernel.held()["ends"] == wanted and held["ends"] == wanted
    maps.holding = None
    maps.withdraw([(number(1), b"jump used")])
    assert kernel.held()["ends"][number(1)] == (b"jump used", None)
    with pytest.raises(Mistake):  # not known what is there: then it is asked for
        maps.withdraw([(number(44), b"goto used")])


def test_what_is_used_while_the_maps_are_filled_comes_as_used(kernel: Kernel) -> None:
    after = tree(0, 1, 2, end=2)
    maps = Maps(kernel.change, None, kernel.clock)
    maps.fill(ruleset(after), tree(), later=True)
    maps.withdraw([(number(2), b"goto used"), (number(44), b"goto used")])
    while maps.fill_part():
        pass
    assert kernel.held()["ends"] == {number(2): (b"goto used", None)}
    assert maps.holding is not None and maps.holding["ends"] == kernel.held()["ends"]


# Where callers are, and what was claimed


def place(last: int, left: int, node: int | None = None) -> MapElement:
    return MapElement(bytes((192, 0, 2, last)), b"" if node is None else number(node), left)


def test_callers_keep_their_places_in_a_map_of_another_size_and_those_with_most_time_come_first(
    kernel: Kernel,
) -> None:
    kernel.sets = {
        "at_4": [place(1, 500, 3), place(2, 9000, 4), place(3, 700, 5)],
        "within.1000_4": [place(8, 30), place(9, 0)],
        "ssh_4": [place(7, 50)],  # an admission: no caller's place
        "further_6": [MapElement(bytes.fromhex("20010db8") + bytes(11) + b"\7", number(9), 80)],
    }
    living = [
        SimpleNamespace(name=name, size=size)
        for name, size in (("at_4", 2), ("at_6", 9), ("within.1000_4", 9), ("further_6", 9), ("ssh_4", 9))
    ]
    known = listing({"at_4": 9, "at_6": 9, "further_6": 8, "spent": 9}, {"within.1000_4": 8, "ssh_4": 1})
    maps = Maps(kernel.change, tree(0, 1), kernel.clock)
    other = ruleset(tree(0, 1), living=living)
    assert (
        maps.places(known, other, {"at_6"})
        == maps.places(known, other, set())
        == [
            "add element inet portress at_4 { 192.0.2.2 timeout 9000ms : 4, 192.0.2.3 timeout 700ms : 5 }",
            "add element inet portress within.1000_4 { 192.0.2.8 timeout 30ms }",
            "add element inet portress further_6 { 2001:db8::7 timeout 80ms : 9 }",
        ]
    )
    assert kernel.read[:3] == ["at_4", "within.1000_4", "further_6"]
    wider = listing({"at_4": 9}, widths="24 64")
    assert maps.places(wider, other, set()) == []  # other sources than those that were counted


def test_of_very_many_callers_as_many_keep_their_places_as_can_be_told_quickly(kernel: Kernel) -> None:
    kernel.sets = {"at_4": [place(one % 256, one, 1) for one in range(MOST + 5)]}
    living = [SimpleNamespace(name="at_4", size=MOST * 2)]
    maps = Maps(kernel.change, tree(0, 1), kernel.clock)
    (line,) = maps.places(listing({"at_4": 9}), ruleset(tree(0, 1), living=living), set())
    assert line.count("timeout") == MOST and "timeout 5ms" in line and "timeout 4ms" not in line


def test_where_numbers_may_mean_other_nodes_all_lose_their_places(kernel: Kernel) -> None:
    """Nobody is to be further in a sequence than he knocked."""
    living = [SimpleNamespace(name=name, size=9) for name in ("at_4", "at_6", "further_4", "within.1000_4")]
    known = listing({"at_4": 9, "at_6": 9, "further_4": 9}, {"within.1000_4": 9})
    kernel.sets = {"at_4": [place(1, 500, 3)]}
    kernel.maps = tree(0, 7, end=7)
    maps = Maps(kernel.change, None, kernel.clock)
    rules = ruleset(tree(0, 1), tree(0, 1), living=living)
    assert maps.places(known, rules, {"at_4", "within.1000_4", "further_4"}) == [
        "flush map inet portress at_4",
        "flush map inet portress further_4",
        "flush set inet portress within.1000_4",
    ]
    assert maps.places(listing({}), rules, set()) == []
    # The same edges mean the same numbers, and so do contents that are known.
    kernel.maps = tree(0, 1, 2, end=2)
    assert maps.places(known, rules, {"at_6", "further_4", "within.1000_4"}) == [
        "add element inet portress at_4 { 192.0.2.1 timeout 500ms : 3 }"
    ]
    kernel.maps = tree(0, 7, end=7)
    maps.holding = tree(0, 7, end=7)
    assert maps.places(known, rules, {"at_4", "at_6", "further_4", "within.1000_4"}) == []


def test_where_callers_are_the_further_place_counts_and_too_many_are_not_read(kernel: Kernel) -> None:
    six = bytes.fromhex("20010db8") + bytes(11) + b"\7"
    kernel.sets = {
        "at_4": [place(1, 500, 3), place(2, 900, 4)],
        "at_6": [MapElement(six, number(3), 10)],
        "further_4": [place(1, 400, 8)],
        "spent": [MapElement(number(5), b"", 10), MapElement(number(6), b"", 10)],
    }
    maps = Maps(kernel.change, None, kernel.clock, find=lambda name, key: kernel.find("portress", name, key))
    one, two = bytes((192, 0, 2, 1)), bytes((192, 0, 2, 2))
    found = maps.part_way(3)
    assert found is not None and sorted(found) == [(six, 3, 10), (one, 8, 400), (two, 4, 900)]
    assert kernel.once == kernel.read  # in a flood some may be missing: to read all twice takes too long
    assert maps.part_way(2) is None
    assert [maps.stands_at(packed) for packed in (one, two, six, bytes(4), bytes(16))] == [
        8,
        4,
        3,
        None,
        None,
    ]
    assert maps.spent() == {5, 6}
