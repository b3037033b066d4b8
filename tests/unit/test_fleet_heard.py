"""What others say in the store: an old word that was written back does not count, however it comes."""

from __future__ import annotations

from typing import Any, cast

import pytest
from attrs import evolve

from portress.fleet.heard import Doors, Heard
from portress.fleet.memory import Known, Memory
from portress.fleet.outbox import Outbox
from portress.fleet.records import Admitted, Codec, Holder
from portress.fleet.seal import Seals
from portress.knock import Source

NOW = 1_800_000_000.0
CODEC = Codec("edge", Seals.of(bytes(range(32)), "edge"))
ANA = Source.parse("192.0.2.7")


class Around:
    """The daemon, and what waits to be said."""

    def __init__(self) -> None:
        self.inside: set[tuple[str, Source]] = set()
        self.put_there: list[tuple[bytes, bytes]] = []

    def admit(self, admissions: list[Admitted]) -> None:
        self.inside |= {(one.door, one.source) for one in admissions}

    def dismiss(self, one: Admitted) -> None:
        self.inside.discard((one.door, one.source))

    def put(self, key: bytes, value: bytes, ends: float, record: Admitted | None) -> None:
        self.put_there.append((key, value))

    def record(self, key: bytes) -> None:
        return None

    def tell(self, text: str, trouble: bool) -> None:
        assert "an old value" in text


@pytest.fixture
def around() -> Around:
    return Around()


@pytest.fixture
def heard(around: Around) -> Heard:
    """Nothing that it has to remember is on the disk yet."""
    doors, outbox = cast(Doors, around), cast(Outbox, around)
    ignored: Any = lambda *_: None  # noqa: E731 - what writes it down, some time
    return Heard("a", CODEC, Memory(":memory:"), doors, outbox, lambda: NOW, lambda: 0.0, ignored)


@pytest.mark.parametrize("together", [True, False])
def test_a_keyholder_put_back_is_taken_out_before_anything_is_on_the_disk(
    heard: Heard, around: Around, together: bool
) -> None:
    there = CODEC.written(Holder("ana", 5, ("ssh",), "s" * 20))
    gone = CODEC.written(Holder("ana", 6, gone=True))
    for batch in ([there, gone, there],) if together else ([there], [gone], [there]):
        heard.take(batch)
    assert heard.holders == {} and heard.counts.refused == 1
    assert around.put_there == [gone]


def test_an_admission_put_back_right_behind_its_end_is_none(heard: Heard, around: Around) -> None:
    came = Admitted("ssh", ANA, NOW + 300, "b", 5)
    left = evolve(came, version=6, ended="dismissed")
    heard.take([CODEC.written(one) for one in (came, left, came)])
    assert around.inside == set() and heard.counts.refused == 1


def test_the_highest_version_is_known_whatever_comes_behind_it() -> None:
    memory = Memory(":memory:")
    some = [Known(b"k", version, None, b"%d" % version) for version in (1, 3, 2)]
    assert memory.note(some) == some[:2]
    assert memory.versions == {b"k": 3} and memory.values(b"") == [(b"k", b"3")]
    assert memory.value(b"k") == b"3" and memory.value(b"other") is None


def test_ones_own_dismissal_is_none_though_it_is_heard_twice(heard: Heard, around: Around) -> None:
    heard.say(Admitted("ssh", ANA, NOW + 300, "a", 0, None, "dismissed"))  # all may be read again right after
    around.inside = {("ssh", ANA)}
    for _ in range(2):
        heard.take(around.put_there)
        assert around.inside == {("ssh", ANA)}
    later = CODEC.version(around.put_there[0][1]) + 1
    heard.take([CODEC.written(Admitted("ssh", ANA, NOW + 300, "b", later, None, "dismissed"))])
    assert around.inside == set()
