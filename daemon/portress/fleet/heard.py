"""What the fleet's values say, done in order: the newest word counts, no renewal shortens.

In: keys and values as the store has them. Out, over `Doors`: admissions, dismissals, uses, keyholders. Values
that are forged, or older than one heard before, are refused; where a keyholder was put back like that, the
newest entry is put into the store again.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Sequence
from typing import Final, Protocol

from attrs import define, evolve

from portress.fleet.memory import Known, Memory
from portress.fleet.outbox import FOR_EVER, Outbox
from portress.fleet.records import (
    GATEWAYS,
    KEYHOLDERS,
    USES,
    Admitted,
    Alive,
    Codec,
    Holder,
    Record,
    Spent,
)
from portress.fleet.seal import Forged
from portress.knock import TIMELESS

USED: Final = 3600.0  # seconds that a use stays in the store: longer than any step is accepted
GRACE: Final = 60.0  # seconds that an ended admission stays there
_NAMED: Final = 100  # refused values that are named one by one; a writer of the store may make any number


class Doors(Protocol):
    """What the fleet wants of the daemon."""

    def admit(self, admissions: list[Admitted]) -> None:
        """Let these in for the time left (`until` is by this host's clock)."""

    def dismiss(self, record: Admitted) -> None:
        """End an admission."""

    def use(self, spent: Spent) -> None:
        """Know a sequence as used, and all before it."""

    def know(self, holders: tuple[Holder, ...]) -> None:
        """These are the fleet's keyholders now."""

    def collide(self, mine: Spent, first: Spent | None) -> None:
        """A sequence was used here alone, and at another gateway as well."""

    def current(self) -> Iterable[Admitted]:
        """This gateway's own admissions (`until` by this host's clock), for a store that has lost them."""

    def paper(self) -> Iterable[Spent]:
        """The uses of paper that this gateway knows of, for a store that has lost them."""

    def tell(self, text: str, trouble: bool) -> None:
        """Report what became of the fleet."""


@define
class Counts:
    """For status and metrics, since the start."""

    claims: int = 0
    conflicts: int = 0
    errors: int = 0  # of the store
    refused: int = 0  # values that were forged or old
    heard: int = 0


class Heard:
    """What gateway `name` knows of the fleet. `unix` gives unix seconds, `ahead` how far that is ahead of the
    store's clock (s), `remember` has what was seen on the disk: at once, if that is said."""

    def __init__(
        self,
        name: str,
        codec: Codec,
        memory: Memory,
        doors: Doors,
        outbox: Outbox,
        unix: Callable[[], float],
        ahead: Callable[[], float],
        remember: Callable[[list[Known], bool], None],
    ) -> None:
        self.counts = Counts()
        self.holders: dict[str, Holder] = {}
        self.gateways: dict[str, Alive] = {}
        self.twin: Alive | None = None  # another gateway of the same name, as it was heard last
        self.since = unix()
        self._name = name
        self._codec = codec
        self._memory = memory
        self._doors = doors
        self._outbox = outbox
        self._unix = unix
        self._ahead = ahead
        self._remember = remember
        self._said: dict[bytes, int] = {}  # versions of one's own words, some heard twice
        self._refusals: dict[bytes, str] = {}

    def recall(self) -> tuple[Holder, ...]:
        """The keyholders as they were when this gateway last heard of them, to begin with."""
        for key, value in self._memory.values(self._codec.key(KEYHOLDERS) + b"/"):
            with contextlib.suppress(Forged):
                holder = self._codec.read(key, value)
                if isinstance(holder, Holder) and not holder.gone:
                    self.holders[holder.name] = holder
        return tuple(self.holders.values())

    def next(self, record: Admitted | Holder | Alive, at: float | None = None) -> tuple[bytes, bytes, int]:
        """A record as key, value and version, which is higher than any known at that key.

        `at`: as of which moment (unix seconds by the store's clock); None: now.
        """
        key = self._codec.at(record)
        moment = self._unix() - self._ahead() if at is None else at
        known = max(self._memory.versions.get(key, 0), self._said.get(key, 0))
        version = self._said[key] = max(known + 1, round(moment * 1000))
        return key, self._codec.value(key, evolve(record, version=version)), version

    def say(self, record: Admitted, at: float | None = None) -> None:
        """Have the store told of an admission, or of its end, as of a moment (times by the store's clock)."""
        key, value, version = self.next(record, at)
        self._outbox.put(key, value, record.until + GRACE, evolve(record, version=version))

    def restore(self, there: dict[bytes, int]) -> None:
        """Put into the store what it has lost: `there` are its keys, with the versions it has."""
        for one in self._doors.current():
            key = self._codec.at(one)
            if key not in there or there[key] < self._memory.versions.get(key, 0):
                self.say(evolve(one, until=one.until - self._ahead()))
        self._put_paper(use for use in self._doors.paper() if self._codec.at(use) not in there)
        for key, value in self._memory.values(self._codec.key(KEYHOLDERS) + b"/"):
            if there.get(key, 0) < self._memory.versions.get(key, 0):
                self._outbox.put(key, value, FOR_EVER, None)

    def _put_paper(self, uses: Iterable[Spent]) -> None:
        for use in uses:
            self._outbox.put(*self._codec.written(use), FOR_EVER, None)

    def prune(self) -> None:
        """Forget what is over."""
        self._memory.forget(self._unix())
        self._said = {key: version for key, version in self._said.items() if key in self._outbox}

    # Values

    def take(
        self, values: Sequence[tuple[bytes, bytes | None]], there: dict[bytes, int] | None = None
    ) -> bool:
        """Do what these say; whether the keyholders have changed, which the caller tells with `know`.

        `there` gets the versions that they have, or say they have.
        """
        admitted: list[Admitted] = []
        seen: list[Known] = []
        old, newest = list[tuple[bytes, Record]](), dict[bytes, int]()
        changed = takes_away = False
        records = iter(self._codec.read_all([(key, value) for key, value in values if value is not None]))
        ahead, now = self._ahead(), self._unix()
        for key, value in values:
            if value is None:
                self._gone(key)
                continue
            record = next(records)
            if there is not None:
                there[key] = self._codec.version(value) if isinstance(record, Forged) else record.version
            if not isinstance(record, (Forged, Spent)) and self._is_old(key, record.version, newest):
                old.append((key, record))
                record = Forged("an old value, written back by someone")
            if isinstance(record, Forged):
                self.refuse(key, str(record))
                continue
            self.counts.heard += 1
            if isinstance(record, Admitted):
                takes_away |= record.ended is not None
                seen.append(self._admission(key, record, ahead, now, admitted))
            else:
                changed |= isinstance(record, Holder)
                takes_away |= changed
                seen += self._do(key, value, record)
        if admitted:
            self._doors.admit(admitted)
        if fresh := self._memory.note(seen):
            self._remember(fresh, takes_away)
        self._put_back(old)
        return changed

    def _is_old(self, key: bytes, version: int, newest: dict[bytes, int]) -> bool:
        """Whether a higher version was heard before, or is among these values (`newest`, of those so far)."""
        newest[key] = max(version, self._memory.versions.get(key, 0), newest.get(key, 0))
        return version < newest[key]

    def know(self) -> None:
        """Tell the daemon who the keyholders are."""
        self._doors.know(tuple(self.holders.values()))

    def _do(self, key: bytes, value: bytes, record: Spent | Holder | Alive) -> list[Known]:
        """One record; what is to be remembered of it."""
        if isinstance(record, Alive):
            self.gateways[record.gateway] = record
            if record.gateway == self._name and abs(record.since + self._ahead() - self.since) > 2.0:
                self.twin = record
            return [Known(key, record.version, self._unix() + USED)]
        if isinstance(record, Spent):
            self._doors.use(record)
            return []
        if record.gone:
            self.holders.pop(record.name, None)
        else:
            self.holders[record.name] = record
        return [Known(key, record.version, None, value)]

    def _admission(
        self, key: bytes, record: Admitted, ahead: float, now: float, admitted: list[Admitted]
    ) -> Known:
        """An admission, which is gathered, or a dismissal; what is to be remembered of it."""
        local = evolve(record, until=record.until + ahead) if ahead else record
        said, mine = self._said.get(key, 0), self._outbox.record(key)
        if said or mine is not None:
            self._outweigh(key, record)
            mine = self._outbox.record(key)
            if said < record.version:
                self._said.pop(key, None)
        if record.ended is None and local.until > now:
            if mine is None or mine.ended is None:
                admitted.append(local)
        elif record.ended is not None:
            mine_back = record.gateway == self._name and said == record.version
            if said <= record.version and not mine_back:
                admitted[:] = [one for one in admitted if self._codec.at(one) != key]
                self._doors.dismiss(local)
        return Known(key, record.version, local.until + USED)

    def _outweigh(self, key: bytes, heard: Admitted) -> None:
        """What waits to be sent for a key at which another gateway was faster: the later word counts, and the
        longer one of two admissions."""
        mine = self._outbox.record(key)
        if mine is None:
            return
        both = mine.ended is None and heard.ended is None
        if both and mine.until > heard.until and mine.version <= heard.version:
            self._outbox.drop(key)
            self._memory.note([Known(key, heard.version)])
            self.say(mine)
        elif mine.version <= heard.version or (both and heard.until > mine.until):
            self._outbox.drop(key)

    def _gone(self, key: bytes) -> None:
        """A gateway's lease has ended. A use of paper, which has none, was taken out by somebody: it is put
        back. That anything else is gone changes no door."""
        with contextlib.suppress(Forged):
            parts = self._codec.parts(key)
            if parts[0] == GATEWAYS:
                self.gateways.pop(parts[1], None)
            elif parts[0] == USES and parts[-1] == str(TIMELESS):
                self._put_paper(use for use in self._doors.paper() if self._codec.at(use) == key)

    def use_at(self, key: bytes, value: bytes) -> Spent | None:
        """The use that a value says; None, and told, for one that is forged."""
        try:
            record = self._codec.read(key, value)
        except Forged as why:
            self.refuse(key, str(why))
            return None
        return record if isinstance(record, Spent) else None

    def _put_back(self, old: Iterable[tuple[bytes, Record]]) -> None:
        """Put the newest word on keyholders into the store again, where an older one was written over it."""
        for key, record in old:
            value = self._memory.value(key) if isinstance(record, Holder) else None
            if value is not None:
                self._outbox.put(key, value, FOR_EVER, None)

    def refuse(self, key: bytes, why: str) -> None:
        """Count a value that is not accepted, and name it once."""
        self.counts.refused += 1
        if self._refusals.get(key) == why or len(self._refusals) > _NAMED:
            return
        self._refusals[key] = why
        name = key.removeprefix(self._codec.prefix).decode(errors="backslashreplace")
        more = "; further ones are counted only" if len(self._refusals) > _NAMED else ""
        self._doors.tell(f"a value in the store is refused: {name}: {why}{more}", True)
