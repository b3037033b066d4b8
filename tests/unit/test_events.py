"""Events: one line each, told with fields, limited where strangers could bring them about."""

from __future__ import annotations

import io
import itertools
import re
from uuid import UUID

import pytest

from portress import events
from portress.events import KINDS, MOST, WINDOW, Events, Fields, Kind, Minutely
from portress.knock import SECOND

Told = list[tuple[str, str, Fields]]


class Clock:
    def __init__(self) -> None:
        self.now = 0

    def __call__(self) -> int:
        return self.now


def teller(level: int = events.INFO) -> tuple[Events, Told, Clock]:
    told: Told = []
    clock = Clock()

    def write(name: str, _kind: Kind, text: str, fields: Fields) -> None:
        told.append((name, text, fields))

    return Events(write, clock, level), told, clock


def test_every_kind_has_an_identity_of_its_own_that_journald_takes() -> None:
    ids = [kind.message_id for kind in KINDS.values()]
    assert len(set(ids)) == len(ids)
    assert all(re.fullmatch("[0-9a-f]{32}", one) for one in ids)


def test_fields_are_told_in_capitals_and_those_that_are_none_are_not() -> None:
    say, told, _ = teller()
    say.tell("admitted", "in", source="192.0.2.7", door="ssh", keyholder=None)
    assert told == [
        (
            "admitted",
            "in",
            {"PORTRESS_EVENT": "admitted", "PORTRESS_SOURCE": "192.0.2.7", "PORTRESS_DOOR": "ssh"},
        )
    ]


def test_what_is_below_the_level_is_not_told() -> None:
    say, told, _ = teller()
    say.tell("advanced", "stage 1")
    assert told == [] and not say.wants("advanced")
    loud, told, _ = teller(events.DEBUG)
    loud.tell("advanced", "stage 1")
    assert len(told) == 1


def test_a_flood_is_cut_off_and_counted() -> None:
    say, told, clock = teller()
    for number in range(MOST + 70):
        say.tell("missed", str(number))
    assert len(told) == MOST
    say.settle()
    assert len(told) == MOST
    clock.now = WINDOW
    say.settle()
    assert told[-1][1] == "70 more events 'missed' within a second, not listed one by one"
    say.settle()
    assert len(told) == MOST + 1
    say.tell("missed", "again")
    assert told[-1][1] == "again"


@pytest.mark.parametrize("name", sorted(KINDS))
def test_of_every_kind_a_flood_is_one_line_a_second(name: str) -> None:
    say, told, clock = teller(events.DEBUG)
    for second in range(10):
        clock.now = second * WINDOW
        for _ in range(1000):
            if say.wants(name):
                say.tell(name, "one")
        say.settle()
    clock.now = 10 * WINDOW
    say.settle()
    sums = [(text, fields) for _, text, fields in told if text != "one"]
    assert len(told) - len(sums) == 10 * MOST
    assert [fields["PORTRESS_COUNT"] for _, fields in sums] == [str(1000 - MOST)] * 10


def test_one_kind_takes_no_room_from_another() -> None:
    say, told, _ = teller()
    for _ in range(10 * MOST):
        say.tell("missed", "missed")
    say.tell("admitted", "in")
    assert told[-1][0] == "admitted"


def test_what_happens_without_end_is_told_at_once_and_then_once_a_minute_with_a_count() -> None:
    clock, told = Clock(), list[tuple[int, int]]()
    full = Minutely(clock, lambda count: told.append((clock.now, count)))
    for second in range(121):
        clock.now = second * SECOND
        full.add(5)
        full.settle()
    assert told == [(0, 5), (60 * SECOND, 300), (120 * SECOND, 300)]
    clock.now = 179 * SECOND
    full.settle()
    clock.now = 180 * SECOND
    full.settle()
    clock.now = 500 * SECOND
    full.settle()
    assert len(told) == 3 and full.total == 605


def test_the_last_events_are_remembered_with_their_age() -> None:
    say, _, clock = teller()
    say.tell("ready", "ready")
    clock.now = 1_500_000_000
    assert say.last() == [{"ago": 1.5, "event": "ready", "text": "ready"}]


def test_plain_lines_say_what_is_a_warning_and_what_an_error() -> None:
    stream = io.StringIO()
    say = Events(events.plain(stream), Clock())
    say.tell("ready", "one")
    say.tell("shunned", "two")
    say.tell("refused", "three")
    assert stream.getvalue() == "one\nwarning: two\nerror: three\n"


def test_a_journal_is_recognised_by_its_device_and_inode(monkeypatch: pytest.MonkeyPatch) -> None:
    import os

    status = os.fstat(2)
    monkeypatch.setenv("JOURNAL_STREAM", f"{status.st_dev}:{status.st_ino}")
    assert events.into_journal()
    monkeypatch.setenv("JOURNAL_STREAM", f"{status.st_dev}:{status.st_ino + 1}")
    assert not events.into_journal()
    monkeypatch.delenv("JOURNAL_STREAM")
    assert not events.into_journal()


def test_message_ids_are_random_ones_and_all_different() -> None:
    """Version and variant as sd_id128_randomize(3) sets them (UUID version 4, RFC 9562, 5.4)."""
    ids = [UUID(kind.message_id) for kind in KINDS.values()]
    assert len(set(ids)) == len(ids)
    assert all(one.version == 4 for one in ids)
    steps = [(b - a) % 256 for one in ids for a, b in itertools.pairwise(one.bytes)]
    assert max(steps.count(step) for step in set(steps)) < len(steps) // 12  # 1 in 256 expected, no staircase
