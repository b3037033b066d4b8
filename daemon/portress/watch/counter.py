"""The counter watcher: hears knocks by polling the sets in which the guard counts them.

For hosts without any packet log.

In: the kernel's sets heard_4/6, how often each source sent each knock and how many ms ago the last time, and
knocks_4/6, how many knocks each source sent in all. Out: (source, knock, time, 0), or UNSURE for a knock.

A set keeps no history, so that this watcher knows less than the others, and tells only what is certain:

- Nothing is missing. What one source sent since the last poll is told when the hits of its knocks add up to
  what knocks_4/6 counted for it, which is counted first and read last. Until then it waits; after three
  polls it is UNSURE. So it does not matter that a dump of many elements is no snapshot, nor that the set was
  full, nor that the daemon slept longer than a knock can be polled for.
- Nothing is out of order. The knocks of one source are looked at together, and again if the kernel's clock
  moved meanwhile. Ages are then exact in ticks of that clock (4 ms with CONFIG_HZ=250, Debian's; 10 ms with
  100). Knocks within one tick, and what a knock that came again may have come between, are UNSURE
  (order.py).
- UNSURE is no knock of any sequence: for a caller it is a miss, for anyone else nothing. So a sequence is
  complete only if its knocks came in its order for certain, with no other knock of that source in between.

What a client has to keep, therefore: a pause of 20 ms or more between two knocks, whatever the kernel; and
no repetition of a knock once the next one has been sent, within the interval of the polls. The interval
limits it no further: a whole sequence may fall between two polls. Making the sets anew (a reload of the
configuration, or a guard that was put back) makes callers under way start over.

Times are those of the knocks, to a tick, on the monotonic clock. Knocks that had to wait are told as of the
latest told so far: so a gap can be longer by up to three polls, never shorter by more than that.

A poll costs what the sets hold, 0.1 ms for nothing and 2 ms for 1,000 knocks on a small machine, see `cost`.
The kernel counts its way into a set anew for each piece of 340 that it tells, so that 100,000 would take 0.7
s: the guard's sets have room for 16,384 a family, and each source is paced.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterable
from types import TracebackType
from typing import Final, NamedTuple, Self

from portress.errors import Mistake
from portress.guard.language import TABLE
from portress.guard.report import HEARD, KNOCKS, UNHEARD
from portress.knock import SECOND, UNSURE
from portress.watch import Heard
from portress.watch.counts import Count, KnockCounts
from portress.watch.order import Hit, in_order

_MS: Final = SECOND // 1000
_POLLS: Final = 3  # how often it is looked whether a source's knocks add up
_MOST: Final = 64  # knocks of one source between two polls: no sequence is that long
_TOGETHER: Final = 16  # sources asked for in one call
_TICKS: Final = 20  # ms: two ticks of the slowest clock there is
_LATER: Final = SECOND  # ns; the guard's timeouts are 3 s or more
_LONGER: Final = 4 * SECOND  # ns for which a knock that was passed over in a dump is remembered


class _Known(NamedTuple):
    """Of something counted: `packets` were told of, it ends at `until` (ns), it was looked at at `at`
    (ns)."""

    packets: int
    until: int
    at: int


def _known(one: Count, at: int) -> _Known:
    return _Known(one.packets, at + one.left * _MS, at)


def _news(one: Count, at: int, known: _Known | None) -> int:
    """How many packets came, at the least, since `known`.

    An element that ended and came anew counts from one again. It ends later than before by more than its
    timeout.
    """
    if known is None:
        return one.packets
    if one.packets > known.packets:
        return one.packets - known.packets
    return one.packets if at + one.left * _MS > known.until + _LATER else 0


class _Ear:
    """One address family: the first `size` bytes of a key are the source."""

    def __init__(self, counts: KnockCounts, family: int, clock: Callable[[], int], odd: Counter[str]) -> None:
        self.size = 4 if family == 4 else 16
        self.heard, self.knocks = f"{HEARD}_{family}", f"{KNOCKS}_{family}"
        self._counts = counts
        self._clock = clock
        self._odd = odd
        self._told: dict[bytes, _Known] = {}  # by the key of an element of heard_4/6
        self._sources: dict[bytes, _Known] = {}  # by source; those told of last stand last
        self._waiting: dict[bytes, int] = {}  # polls at which a source's knocks did not add up

    def begin(self) -> None:
        """Everything counted up to now is known, and is not told."""
        now = self._clock()
        self._told = {one.key: _known(one, now) for one in self._counts.all(self.heard)[0]}
        self._sources = {one.key: _known(one, now) for one in self._counts.all(self.knocks)[0]}

    def start_over(self) -> list[Heard]:
        """The sets were recreated: what came last before that, nobody knows."""
        now = self._clock()
        lost = [(source, UNSURE, now, 0) for source in self._sources]
        self._told, self._sources, self._waiting = {}, {}, {}
        self._odd["start over"] += len(lost)
        return lost

    def poll(self) -> list[Heard]:
        """What came since the last poll, the knocks of each source in order."""
        began = self._clock()
        found, whole = self._counts.all(self.heard)
        seen = {one.key: one for one in found}
        changed: dict[bytes, list[Count]] = {}
        for key, one in seen.items():
            if _news(one, began, self._told.get(key)):
                changed.setdefault(key[: self.size], []).append(one)
        self._told = {
            key: known
            for key, known in self._told.items()
            if key in seen or not (whole or known.until + _LONGER < began)
        }
        heard: list[Heard] = []
        sources = list(changed.items())
        for start in range(0, len(sources), _TOGETHER):
            heard += self._look(sources[start : start + _TOGETHER], began)
        self._waiting = {source: polls for source, polls in self._waiting.items() if source in changed}
        self._forget(began)
        return heard

    def _look(self, sources: list[tuple[bytes, list[Count]]], began: int) -> list[Heard]:
        """Tell of these sources, each with the knocks that were hit; `began` is when that was read (ns)."""
        asked: list[tuple[str, list[bytes]]] = []
        for source, found in sources:
            if 1 < len(found) <= _MOST:  # the first one twice, to see whether the clock moved meanwhile
                asked.append((self.heard, [*(one.key for one in found), found[0].key]))
            asked.append((self.knocks, [source]))
        now = self._clock()
        answers = iter(self._counts.together(asked))
        heard: list[Heard] = []
        for source, found in sources:
            exact, at = found, began
            if 1 < len(found) <= _MOST:
                exact, at = _steady(next(answers)), now
            total = next(answers)
            heard += self._tell(source, found, exact, total[0] if total else None, at)
        return heard

    def _tell(
        self, source: bytes, found: list[Count], exact: list[Count], total: Count | None, at: int
    ) -> list[Heard]:
        """What is certain of one source; `exact` are its knocks as they were at `at`, empty if not known."""
        known = self._sources.get(source)
        if known is not None and known.until < at:
            known = None
        hits = [Hit(one.age, _knock(one.key), _news(one, at, self._told.get(one.key))) for one in exact]
        if not self._adds_up(hits, total, known, at):
            polls = self._waiting[source] = self._waiting.get(source, 0) + 1
            if polls < _POLLS and len(found) <= _MOST:
                return []
            self._odd["incomplete"] += 1
            self._account(source, found, total, at)
            return [(source, UNSURE, at, 0)]
        self._account(source, exact, total, at)
        ordered = in_order(hits)
        self._odd["unordered"] += sum(hit.knock == UNSURE for hit in ordered)
        return [(source, hit.knock, at - hit.age * _MS, 0) for hit in ordered]

    def _adds_up(self, hits: list[Hit], total: Count | None, known: _Known | None, at: int) -> bool:
        """Whether these are all the knocks of a source since it was last told of, when `known` was."""
        news = sum(hit.packets for hit in hits)
        if total is None or not 0 < len(hits) <= _MOST:
            return False
        if news != total.packets - (known.packets if known else 0) or not all(hit.packets for hit in hits):
            return False
        # What was counted since then cannot be older than that.
        return known is None or max(hit.age for hit in hits) <= (at - known.at) // _MS + _TICKS

    def _account(self, source: bytes, counted: list[Count], total: Count | None, at: int) -> None:
        self._told.update((one.key, _known(one, at)) for one in counted)
        self._waiting.pop(source, None)
        self._sources.pop(source, None)
        if total is not None:
            self._sources[source] = _known(total, at)

    def _forget(self, now: int) -> None:
        """Sources that the kernel no longer counts. They stand in the order in which that comes about."""
        gone = []
        for source, known in self._sources.items():
            if known.until >= now:
                break
            gone.append(source)
        for source in gone:
            del self._sources[source]


def _knock(key: bytes) -> int:
    """The knock in the key of an element: protocol and port are its last eight bytes, each padded to four."""
    return key[-8] << 16 | key[-4] << 8 | key[-3]


def _steady(answer: list[Count] | None) -> list[Count]:
    """The elements that were looked at together, if the kernel's clock stood still meanwhile; else none."""
    if not answer or answer[0][:3] != answer[-1][:3]:
        return []
    return answer[:-1]


class CounterWatcher:
    """Hears the knocks that the guard counts; a context manager that owns a socket.

    `clock` gives ns (time.monotonic_ns), `interval` is the pause between two polls (s), `counts` what is
    polled: by default the guard of this network namespace.

    lost      knocks that found no room in the sets
    odd       "unordered": knocks, or groups of them, whose order is not known; "incomplete": sources of which
              something was not known; "start over": sources forgotten because the sets were recreated
    overruns  polls that failed
    """

    def __init__(self, interval: float, clock: Callable[[], int], counts: KnockCounts | None = None) -> None:
        self.interval: float | None = interval
        self.lag = round((_POLLS + 1) * interval * SECOND)
        self.odd: Counter[str] = Counter()
        self.lost = self.overruns = 0
        self._clock = clock
        self._counts = counts or KnockCounts(TABLE)
        self._ears = [_Ear(self._counts, family, clock, self.odd) for family in (4, 6)]
        self._identity: tuple[int, int] | None = None
        self._unheard = 0
        self._latest = 0

    def __enter__(self) -> Self:
        """Open the socket, and take what was counted before as known. Raises Mistake if it may not be
        read."""
        self._counts.__enter__()
        try:
            self._identity, self._unheard = self._standing()
            for ear in self._ears:
                ear.begin()
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Closing twice does no harm."""
        self._counts.close()

    def fileno(self) -> int:
        """The socket's descriptor. It does not tell when to read: `interval` does."""
        return self._counts.fileno()

    def _standing(self) -> tuple[tuple[int, int] | None, int]:
        return self._counts.standing(self._ears[0].heard, UNHEARD)

    def came_from(self, _source: bytes, _knock: int, _when: int) -> tuple[bytes, int] | None:
        """Unknown here: a door that admits connections needs `watch: packet`."""
        return None

    def read(self, budget: int = 256) -> list[Heard]:
        """One poll: all that is certain by now, oldest first, however much it is.

        Raises Mistake if the sets cannot be read; without a guard, nothing is heard.
        """
        before = self._start_over() if self._made_anew() else []
        told = sorted((one for ear in self._ears for one in self._poll(ear)), key=_time)
        if self._made_anew():  # meanwhile: what was told may be a mixture of both
            told = self._start_over()
        return self._forward([*before, *told])

    def _made_anew(self) -> bool:
        """Whether the sets are not those of the last time."""
        identity, unheard = self._standing()
        self.lost += max(0, unheard - self._unheard)
        self._unheard = unheard
        changed = identity != self._identity
        self._identity = identity
        return changed

    def _start_over(self) -> list[Heard]:
        return [one for ear in self._ears for one in ear.start_over()]

    def _poll(self, ear: _Ear) -> list[Heard]:
        try:
            return ear.poll()
        except Mistake:  # the socket had no room for an answer, or the machine no memory
            self.overruns += 1
            lost = ear.start_over()
            ear.begin()
            return lost

    def _forward(self, heard: Iterable[Heard]) -> list[Heard]:
        """The same, no time before one that was told already: what had to wait is told as of later."""
        told = []
        for source, knock, when, interface in heard:
            self._latest = max(self._latest, when)
            told.append((source, knock, self._latest, interface))
        return told


def _time(heard: Heard) -> int:
    return heard[2]


def cost(polls: int = 10) -> tuple[int, float]:
    """For benchmarks: how many knocks this network namespace's guard holds, and CPU seconds a poll takes."""
    with CounterWatcher(1, time.monotonic_ns) as watcher:
        began = time.process_time()
        for _ in range(polls):
            watcher.read()
        took = time.process_time() - began
        counts = KnockCounts(TABLE)
        with counts:
            held = sum(len(counts.all(f"{HEARD}_{family}")[0]) for family in (4, 6))
    return held, took / polls
