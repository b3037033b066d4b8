"""What decides goes into the guard's maps, and out of them, a part at a time: in the end they hold what they
are to hold, and on the way nothing leads to what is not there, nor opens what was used."""

from __future__ import annotations

import base64
import hashlib
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from lab import namespace
from portress.config import load as configuration
from portress.guard import maps as maps_module
from portress.guard import upkeep
from portress.guard.contents import Contents
from portress.guard.elements import ElementChanges
from portress.guard.language import TABLE
from portress.guard.ruleset import Ruleset, build
from portress.guard.table import GuardError, Table
from portress.keyholders import file as keyholding
from portress.run.deciding import Deciding, Plan
from portress.sequence.in_force import SequencesInForce
from portress.verdict import Use

CONFIG = configuration.parse(
    """
doors:
  vpn:
    services: [tcp/22]
    rotating: {pool: 10100-32767, protocols: [tcp, udp], length: 4, gap: 60s, skew: 1}
  wiki: {services: [tcp/8443], fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 30s}}
""",
    "portress.yaml",
)
STEP = 60_000_000
UNIX = STEP * 30.0 + 7


def holders(count: int, kind: str = "k") -> str:
    names = [f"{kind}{number}" for number in range(count)]
    secrets = {name: base64.b32encode(hashlib.sha256(name.encode()).digest()[:20]).decode() for name in names}
    return "".join(
        f"- {{name: {name}, doors: [vpn], secret: {secrets[name]}, style: derived}}\n" for name in names
    )


class Host:
    def __init__(self) -> None:
        self.table = Table()
        self.maps = self.table.maps
        self.deciding = Deciding(self.maps, lambda: UNIX, lambda: self.maps.clock() * 1_000_000)

    def plan(self, count: int, kind: str = "k") -> Plan:
        sequences = SequencesInForce(
            CONFIG, keyholding.parse(holders(count, kind), "keyholders.yaml", CONFIG.doors)
        )
        return self.deciding.plan_for(sequences, sequences.trie(STEP), {}, -1)

    def ruleset(self, plan: Plan) -> Ruleset:
        return build(CONFIG, plan.trie.opening, plan.contents)

    def holds(self) -> dict[str, dict[bytes, bytes]]:
        return plain(upkeep.read(TABLE, self.maps.clock))


def plain(contents: Contents) -> dict[str, dict[bytes, bytes]]:
    """What of it is not over, without the ends, which a reader finds some ms later."""
    now = time.monotonic_ns() // 1_000_000
    return {
        name: {key: data for key, (data, until) in items.items() if until is None or until > now}
        for name, items in contents.items()
    }


@contextmanager
def host(monkeypatch: pytest.MonkeyPatch, part: int = 60) -> Iterator[Host]:
    monkeypatch.setattr(maps_module, "PART", part)
    with namespace("host") as ns, ns.enter():
        yield Host()


def test_filled_in_parts_the_maps_hold_what_is_wanted(monkeypatch: pytest.MonkeyPatch) -> None:
    with host(monkeypatch) as h:
        plan = h.plan(30)
        h.table.load(h.ruleset(plan), in_parts=True)
        parts = 0
        while h.maps.fill_part():
            parts += 1
            now, wanted = h.holds(), plain(plan.contents)
            assert all(now[name].items() <= wanted[name].items() for name in wanted)
            rotating = [key for key in now["next"] if plan.contents["next"][key][1] is not None]
            if rotating:  # the edges come last
                assert now["ends"].keys() == wanted["ends"].keys()
        assert parts > 10 and h.holds() == plain(plan.contents)
        assert h.maps.holding is plan.contents and not h.maps.fill_part()


def test_what_is_used_while_the_maps_are_filled_opens_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    with host(monkeypatch, part=20) as h:
        plan = h.plan(30)
        h.table.load(h.ruleset(plan), in_parts=True)
        claims, there = list(plan.ends), set[bytes]()
        while len(h.holds()["ends"]) < len(plan.ends) * 2:  # so that some are there, and others are not
            assert h.maps.fill_part()
        there = set(h.holds()["ends"])
        used = {claim: Use(STEP + 9, b"", "vpn") for claim in claims}
        h.deciding.withdraw(plan, claims, used, -1)
        while h.maps.fill_part():
            pass
        ends = h.holds()["ends"]
        rotating = {number.to_bytes(4, "little") for some in plan.ends.values() for number in some}
        assert rotating & there and rotating - there
        assert {ends[key] for key in rotating} == {b"goto used"}
        assert h.holds() == plain(plan.contents)


def test_out_of_the_maps_goes_in_parts_what_the_next_guard_has_not(monkeypatch: pytest.MonkeyPatch) -> None:
    with host(monkeypatch) as h:
        first, second = h.plan(20), h.plan(20, "other")
        h.table.load(h.ruleset(first))
        assert h.holds() == plain(first.contents)
        h.maps.aim(second.contents)
        parts = 0
        while h.maps.clear_part():
            parts += 1
        both = plain(upkeep.staying(first.contents, second.contents))
        assert parts > 10 and h.holds() == both and plain(first.contents) != both
        h.table.load(h.ruleset(second), in_parts=True)
        while h.maps.fill_part():
            pass
        assert h.holds() == plain(second.contents)


def test_a_guard_that_is_not_loaded_after_all_leaves_the_maps_as_they_were(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with host(monkeypatch) as h:
        first, second = h.plan(20), h.plan(20, "other")
        h.table.load(h.ruleset(first))
        h.maps.aim(second.contents)
        for _ in range(5):
            h.maps.clear_part()
        h.maps.settle(first.contents)
        assert h.holds() == plain(first.contents) and h.maps.target is first.contents


def test_a_change_of_step_while_the_maps_are_filled_leaves_them_right(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with host(monkeypatch) as h:
        first, second = h.plan(20), h.plan(25)
        h.table.load(h.ruleset(first), in_parts=True)
        for _ in range(5):
            assert h.maps.fill_part()
        h.maps.change_contents(second.contents)
        assert not h.maps.fill_part() and h.holds() == plain(second.contents)


def test_a_guard_that_is_gone_again_ends_the_filling(monkeypatch: pytest.MonkeyPatch) -> None:
    with host(monkeypatch) as h:
        plan = h.plan(20)
        h.table.load(h.ruleset(plan), in_parts=True)
        assert h.maps.fill_part()
        h.table.remove()
        with pytest.raises(GuardError):
            while h.maps.fill_part():
                pass
        assert not h.maps.fill_part()
        h.table.load(h.ruleset(plan), in_parts=True)
        while h.maps.fill_part():
            pass
        assert h.holds() == plain(plan.contents)


def test_what_the_guard_saw_used_is_found_by_its_nodes_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    with host(monkeypatch) as h:
        plan = h.plan(20)
        h.table.load(h.ruleset(plan))
        used = [number for some in list(plan.ends.values())[:5] for number in some]
        changes = ElementChanges(TABLE)
        changes.add("spent", [(number.to_bytes(4, sys.byteorder), 60_000) for number in used])
        h.maps.change(changes)
        wanted = {one for number in used for one in plan.edges.nodes[number].endings}
        assert len(wanted) == len(used) >= 15
        assert set(h.deciding.spent(plan.trie, plan)) == wanted
        walked = set(h.deciding.spent(plan.trie))  # through those that may still be begun
        assert walked <= wanted and len(walked) >= 15
