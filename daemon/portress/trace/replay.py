"""Replays what was heard once through the rules of today: who knocked what, and why it did or did not open.

In: a configuration, its keyholders, and knocks out of a capture or a journal. Out: the verdicts that the
daemon would have given, as a timeline for each source that began a sequence. Pure: the only time is that of
the capture, memory does not grow with it, and one pass is enough.

Of rule 1 it holds what can be known from a packet: not to a public or guarded service, not from `always`, to
this host. Which addresses are this host's is told, or else they are those that first knocks go to, each from
its first one on. What interface a packet came by and whether it belonged to a flow under way cannot be known.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Final, Protocol

from portress.admissions import stay_of
from portress.clock import STEP, step_at
from portress.config.model import Config
from portress.keyholders.keyholder import Keyholder
from portress.knock import SECOND, Source
from portress.sequence.in_force import SequencesInForce
from portress.sequence.other_times import OtherTimes
from portress.sequence.trie import Trie
from portress.trace.exempt import Always, placed, services
from portress.trace.moves import Moves
from portress.trace.timeline import Elsewhere, Note, Origin, Timeline, Timelines, Tried
from portress.tracker import Tracker
from portress.verdict import Advanced, Closed, Completed, Echoed, Ignored, Left, Replayed, Verdict
from portress.verdict_words import Hint
from portress.watch import Heard
from portress.watch.frame import masking
from portress.why.background import Astray

JUMP: Final = 1 * SECOND  # back by more is a clock that was set, or another capture; by less, disorder
HOSTS: Final = 64  # addresses taken for this host's
_ADDRESSES: Final = 4096  # other addresses whose packets are counted apart
_LATEST: Final = 221_845_392_000 * SECOND  # the year 9000: what ends later can still be told


class Reading(Protocol):
    """Where knocks come from: iterate once. Times are unix ns, sources are whole addresses.

    `to` is the address that the last knock given went to; b"" if it is known to be this host's. `port` is the
    one that it came from.
    """

    to: bytes
    packets: int

    @property
    def port(self) -> int: ...

    @property
    def notes(self) -> list[str]: ...

    @property
    def odd(self) -> Mapping[str, int]: ...

    def __iter__(self) -> Iterator[Heard]: ...


class Trace:
    """The replay. `follow` takes what was heard; everything else is what came of it.

    `hosts` are this host's addresses (4 or 16 bytes); none: they are found. `only`: keep the timeline of that
    source, or those in that prefix, alone and in more detail.

    first      the moment of the first packet, unix ns; None: there was none
    knocks     packets that counted as knocks
    silent     knocks that began no sequence, of sources that began none
    passed_by  packets that were no knocks: "elsewhere", "always", "public", "service", "time"
    disorder   packets earlier than one before them; taken for as late as that
    jumps      how often the clock went back by more than `JUMP`
    """

    def __init__(
        self,
        config: Config,
        keyholders: tuple[Keyholder, ...] = (),
        *,
        hosts: frozenset[bytes] = frozenset(),
        only: Source | None = None,
        timelines: Timelines | None = None,
    ) -> None:
        self.config = config
        self.hosts = set(hosts)
        self.named = bool(hosts)
        self.only = only
        self.timelines = timelines or Timelines()
        self.first: int | None = None
        self.knocks = self.silent = self.disorder = self.jumps = 0
        self.passed_by = dict.fromkeys(("elsewhere", "always", "public", "service", "time"), 0)
        self._sequences = SequencesInForce(config, keyholders, era=None)  # a capture may be of any time
        self._until = {one.name: one.until for one in keyholders if one.until is not None}
        self._step = 0
        self._turns = 0  # when other sequences come into force, by the time that never goes back
        first = Trie() if self._sequences.rotates else self._sequences.trie(0)
        self.tracker = Tracker(first, limit=config.callers, misses=config.misses)
        self._hear = self._in_hours if self._sequences.keeps_hours else self.tracker.hear
        self._used: dict[bytes, tuple[int | None, int]] = {}
        self._other_times = OtherTimes(config, keyholders)
        self._services = services(config)
        self._places = placed(config)
        self._always = Always(config)
        self._moves = Moves(config)
        self._mask = masking(config.widths)
        self._elsewhere: Counter[bytes] = Counter()  # packets to addresses that are not this host
        self._reading: Reading | None = None
        self._whole = b""  # the address of the packet looked at
        self._shift = self._now = 0  # what is added to the captured time so that it never goes back

    def follow(self, reading: Reading) -> None:
        """Hear all of it. Raises what the reading raises."""
        services, hosts, passed_by, always = self._services, self.hosts, self.passed_by, self._always
        mask, get, hear = self._mask, self.timelines.get, self._hear
        places, other_times, self._reading = self._places, self._other_times.on, reading
        for source, knock, moment, _ in reading:
            now, to = moment + self._shift, reading.to
            if now < self._now or moment >= _LATEST:
                if not 0 <= moment < _LATEST:
                    passed_by["time"] += 1
                    continue
                now = self._back(now)
            self._now, self._whole = now, source
            if now >= self._turns:
                self._turn()
            if places and to and self._placed(source, to, knock, moment):
                continue
            if to and to not in hosts and not self._is_host(to, knock):
                self._pass_by(source, to, knock, moment)
                continue
            if always and source in always:
                passed_by["always"] += 1
                continue
            if mask is not None:
                source = mask(source)
            if knock in services:
                self._serve(source, services[knock], knock, moment)
                continue
            self.knocks += 1
            verdict = hear(source, knock, now)
            timeline = get(source)
            if timeline is None and type(verdict) is Ignored:
                self.silent += 1
                if self.only is not None and self._wanted(source):
                    self._note(timeline, source, knock, moment, verdict)
            else:
                self._note(timeline, source, knock, moment, verdict)
            if other_times:
                self._look_around(source, to, knock, moment, isinstance(verdict, _ENDS))
        self._settle_early()

    def _in_hours(self, source: bytes, knock: int, now: int) -> Verdict:
        """The tracker's verdict, and what is left of it at the hour of the capture."""
        verdict, unix = self.tracker.hear(source, knock, now), (now - self._shift) / SECOND
        if type(verdict) is not Completed:
            return verdict
        return self._sequences.judged(verdict, self._sequences.shut(verdict, unix), unix)

    def _pass_by(self, source: bytes, to: bytes, knock: int, moment: int) -> None:
        """A packet to another host."""
        self.passed_by["elsewhere"] += 1
        if to in self._elsewhere or len(self._elsewhere) < _ADDRESSES:
            self._elsewhere[to] += 1
        self._aside(source, to, knock, moment)

    def _settle_early(self) -> None:
        """What came to this host before it was known as such began nothing."""
        for to in self.hosts:
            early = self._elsewhere.pop(to, 0)
            self.passed_by["elsewhere"] -= early
            self.knocks += early
            self.silent += early

    def _turn(self) -> None:
        """Expect the sequences in force at the captured moment."""
        if self.first is None:
            self.first = self._now
        if not self._sequences.rotates:
            self._turns = 2 * _LATEST
            return
        self._step = step_at((self._now - self._shift) // SECOND)
        self._turns = (self._step + 1) * STEP * SECOND + self._shift
        self.tracker.replace(self._sequences.trie(self._step))

    def _is_host(self, to: bytes, knock: int) -> bool:
        """Whether that address is this host's from now on."""
        if self.named or knock not in self.tracker.trie.opening or len(self.hosts) >= HOSTS:
            return False
        if to[0] == 0xFF or (len(to) == 4 and to[0] >= 224):  # multicast, broadcast
            return False
        self.hosts.add(to)
        return True

    def _back(self, now: int) -> int:
        """The time to go on with, where the captured one went back."""
        if self._now - now > JUMP:
            self.jumps += 1
            self._shift += self._now - now
            self._turns = 0
        else:
            self.disorder += 1
        return self._now

    def _wanted(self, source: bytes) -> bool:
        if self.only is None:
            return True
        mine = self.config.source(source)
        if mine.family != self.only.family:
            return False
        narrow, wide = sorted((mine, self.only), key=lambda one: -one.length)
        return narrow.network.subnet_of(wide.network)  # type: ignore[arg-type]  # of one family, see above

    def _placed(self, source: bytes, to: bytes, knock: int, moment: int) -> bool:
        """Whether it is a packet to a service of that destination; then it is taken down as one."""
        for service, door in self._places:
            if knock in service and service.covers(to):
                if self._always and source in self._always:
                    self.passed_by["always"] += 1
                else:
                    self._serve(source if self._mask is None else self._mask(source), door, knock, moment)
                return True
        return False

    def _serve(self, source: bytes, door: str | None, knock: int, moment: int) -> None:
        """A packet to a service: told where the source is known, for its door was open, or not yet."""
        if door is None:
            self.passed_by["public"] += 1
            return
        self.passed_by["service"] += 1
        timeline = self.timelines.get(source)
        if timeline is not None or (self.only is not None and self._wanted(source)):
            tried = Tried(door, False) if timeline is None else timeline.tried(self._origin(door), self._now)
            self._take_down(source, Note(moment, moment, None, knock, tried, _NOTHING))

    def _origin(self, door: str) -> Origin:
        """Where a packet to a door that admits single connections comes from, as far as that matters."""
        if self._reading is None or not self.config.doors[door].by_connection:
            return door, b"", 0
        return door, self._whole, self._reading.port

    def _note(
        self, timeline: Timeline | None, source: bytes, knock: int, moment: int, verdict: Verdict
    ) -> None:
        if isinstance(verdict, Completed | Closed | Left):
            for one in verdict.openings:
                self._used[one.claim] = (one.step, moment)
        moved = self._moves.follow(source, verdict)
        for place in moved:
            if (before := self.timelines.get(place.source)) is not None:
                before.end(place.door, place.keyholder)
        if timeline is None:
            if self.only is not None and not self._wanted(source):
                return
            timeline = self.timelines.begin(source, moment)
        note = Note(moment, moment, None, knock, verdict, self._hint(timeline, knock, verdict))
        if isinstance(verdict, Completed):
            self._admit(timeline, verdict, note)
            note.moved = tuple(str(self.source(place.source)) for place in moved)
        elif isinstance(verdict, Left):
            note.ended = self._leave(timeline, verdict)
        timeline.run.follow(knock, verdict)
        timeline.note(note)
        self.timelines.settle(timeline)

    def _aside(self, source: bytes, to: bytes, knock: int, moment: int) -> None:
        """A packet to an address that is not known to be this host's."""
        if self._other_times.on and not self.named:
            self._look_around(source, to, knock, moment, False)
        if self.only is not None and self._wanted(source):
            self._take_down(source, Note(moment, moment, None, knock, Elsewhere(to), _NOTHING))

    def _look_around(self, source: bytes, to: bytes, knock: int, moment: int, done: bool) -> None:
        """Take it down if the source has just completed a sequence of another time, and nothing else."""
        opening = self._other_times.hear(source + to, knock, self._now, self._step)
        if opening is not None and not done and self._wanted(source):
            if to and len(self.hosts) < HOSTS:
                self.hosts.add(to)
            astray = Astray(opening, self._step - (opening.step or 0))
            self._take_down(source, Note(moment, moment, None, knock, astray, _NOTHING))

    def _take_down(self, source: bytes, note: Note) -> None:
        timeline = self.timelines.get(source) or self.timelines.begin(source, note.at)
        timeline.note(note)
        self.timelines.settle(timeline)

    def _hint(self, timeline: Timeline, knock: int, verdict: Verdict) -> Hint:
        if isinstance(verdict, Replayed):
            step, at = self._used.get(verdict.opening.claim, (None, 0))
            last = verdict.last
            by = last.source if isinstance(last.source, bytes) else b""
            return Hint(
                knock, used_at=at if step == last.step else None, used_by=str(self.source(by)) if by else ""
            )
        if isinstance(verdict, Completed):
            steps = [one.step for one in verdict.openings if one.step is not None and one.paper is None]
            return Hint(knock, behind=self._step - steps[0] if steps else 0)
        if isinstance(verdict, Advanced):
            return _NOTHING
        return timeline.run.hint(self.tracker.trie, knock, verdict)

    def _admit(self, timeline: Timeline, verdict: Completed, note: Note) -> None:
        """Take down until when the source, or a connection of it, is let in; `note`: the latest of those."""
        for one in verdict.openings:
            last = self._until.get(one.keyholder or "")
            until = self._now + stay_of(self.config.doors[one.door], last, note.at / SECOND)
            if one.one_connection:
                origin = self._origin(one.door)
                note.port = origin[2]
                timeline.admit(origin, self._now, until)
            else:
                until = max(until, timeline.admitted.get(one.door, 0))
                timeline.admitted[one.door] = until
                timeline.holders[one.door] = one.keyholder
            note.until = max(note.until, until - self._shift)

    def _leave(self, timeline: Timeline, verdict: Left) -> bool:
        """Take down that the source is out, where it is whoever came in that leaves; whether that is so."""
        inside = [one for one in verdict.openings if self._now < timeline.admitted.get(one.door, 0)]
        return sum(timeline.end(one.door, one.keyholder) for one in inside) > 0

    @property
    def last(self) -> int:
        """The moment of the last packet, unix ns."""
        return self._now - self._shift

    def source(self, packed: bytes) -> Source:
        """The source that the bytes of a timeline stand for."""
        return self.config.source(packed)

    def standing(self) -> dict[bytes, tuple[Advanced, int]]:
        """Callers when it ended: where each stands, and how much of its gap (ns) is left."""
        return {
            source: (at, left)
            for source, at, left in self.tracker.callers(self._now)
            if isinstance(source, bytes)
        }

    def shunned(self) -> dict[bytes, int]:
        """Who was shunned when it ended, and for how long yet (ns)."""
        return {
            source: until - self._now
            for source, until in self.tracker.shunned(self._now)
            if isinstance(source, bytes)
        }


_NOTHING: Final = Hint()
_ENDS: Final = (Completed, Closed, Left, Replayed, Echoed)
