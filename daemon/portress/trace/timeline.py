"""What one source did in a capture or a journal, in bounded memory: its knocks, and what became of each.

In: verdicts as they come. Out: the first knocks and the last ones, with what is needed to tell why.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator
from typing import Final

from attrs import define, field, frozen

from portress.verdict import Advanced, Completed, Ignored, Repeated, Shunned, Verdict
from portress.verdict_words import NAMES, Hint
from portress.why.background import Astray
from portress.why.hints import Run

SOURCES: Final = 4096  # timelines kept of sources that got on
BEGINNERS: Final = 16384  # timelines kept of sources with a first knock and no more
EACH: Final = 64  # notes kept of each
HEAD: Final = 16  # of which so many are the first ones
CONNECTIONS: Final = 16  # admitted connections remembered of each

Origin = tuple[str, bytes, int]  # a connection: its door, the address it comes from, and the port


@frozen
class Tried:
    """A packet to a service: no knock."""

    door: str
    admitted: bool  # by what was traced; else it found the door shut
    tried: int = field(default=0, eq=False)  # the port it came from, where single connections are admitted
    knocked: tuple[int, ...] = ()  # the ports that were knocked from, and may still connect


@frozen
class Elsewhere:
    """A packet to an address that is not taken for this host's: no knock."""

    to: bytes


Other = Tried | Elsewhere | Astray


@define
class Note:
    """A knock, or several of a kind in a row: `times` of them, from `at` to `last` (unix ns)."""

    at: int
    last: int
    pause: int | None  # ns since the note before; None for the first and for what is no packet of its own
    knock: int
    what: Verdict | Other
    hint: Hint
    until: int = 0  # unix ns; when the admission ends that began here
    port: int = 0  # from which a connection may come, where it admits no more than that
    moved: tuple[str, ...] = ()  # sources whose admissions ended for this one
    ended: bool = False  # an admission ended here, by its holder's leaving
    times: int = 1


class Timeline:
    """The notes of one source. `each` of them are kept, the first and the last ones.

    `closely`: knocks that begin nothing, or come from a shunned source, are told one by one.
    """

    __slots__ = (
        "_closely",
        "_each",
        "_notes",
        "admitted",
        "astray",
        "connections",
        "counts",
        "doors",
        "first",
        "furthest",
        "holders",
        "left_out",
        "of",
        "opened",
        "run",
        "source",
        "stage",
    )

    def __init__(self, source: bytes, first: int, each: int = EACH, closely: bool = False) -> None:
        self.source = source
        self.first = first  # unix ns
        self.run = Run()
        self.counts: dict[str, int] = {}  # knocks by verdict
        self.stage = 0  # where it stands, so far as it has not expired
        self.furthest = 0  # the highest stage, `of` how many, towards `doors`
        self.of = 0
        self.doors: tuple[str, ...] = ()
        self.opened: dict[str, int] = {}  # door -> how many times
        self.admitted: dict[str, int] = {}  # door -> until (ns, by the time that never goes back)
        self.connections: dict[Origin, int] = {}  # single connections admitted -> until, the same time
        self.holders: dict[str, str | None] = {}  # door -> who came in
        self.astray: Astray | None = None
        self.left_out = 0  # notes
        self._each = max(each, HEAD + 1)
        self._closely = closely
        self._notes: list[Note] = []

    @property
    def got_on(self) -> bool:
        """Whether there was more than a first knock."""
        return self.furthest > 1 or self.astray is not None or bool(self.counts.keys() & _BEYOND)

    def end(self, door: str, keyholder: str | None) -> bool:
        """The source is out, if it is that keyholder who came in; whether that is so."""
        if door not in self.admitted or self.holders.get(door) != keyholder:
            return False
        del self.admitted[door]
        return True

    def admit(self, origin: Origin, now: int, until: int) -> None:
        """Admit a single connection; of very many the oldest are forgotten."""
        left = [(one, end) for one, end in self.connections.items() if end > now and one != origin]
        self.connections = dict([*left[1 - CONNECTIONS :], (origin, until)])

    def tried(self, origin: Origin, now: int) -> Tried:
        """What becomes of a packet to a door that admits single connections."""
        door, address, port = origin
        admitted = now < max(self.admitted.get(door, 0), self.connections.get(origin, 0))
        knocked = {
            one[2] for one, end in self.connections.items() if one[:2] == (door, address) and end > now
        }
        return Tried(door, admitted, port, tuple(sorted(knocked)))

    def note(self, note: Note) -> None:
        """Take it down; what says the same as the note before is counted there."""
        what, notes = note.what, self._notes
        if not isinstance(what, Other):
            name = NAMES[type(what)]
            self.counts[name] = self.counts.get(name, 0) + 1
            self._stand(what)
        elif isinstance(what, Astray):
            self.astray = what
        if notes:
            last = notes[-1]
            if _same(last, note, self._closely):
                last.times += 1
                last.last = note.at
                return
            if not isinstance(what, Astray):
                note.pause = note.at - last.last
        if len(notes) >= self._each:
            del notes[HEAD]
            self.left_out += 1
        notes.append(note)

    def _stand(self, verdict: Verdict) -> None:
        if isinstance(verdict, Advanced):
            self.stage = verdict.stage
            if verdict.stage > self.furthest:
                self.furthest, self.of, self.doors = verdict.stage, verdict.of, verdict.doors
            return
        if isinstance(verdict, Completed):
            for one in verdict.openings:
                self.opened[one.door] = self.opened.get(one.door, 0) + 1
        if not isinstance(verdict, Repeated):
            self.stage = int(getattr(verdict, "anew", False))

    def __iter__(self) -> Iterator[Note | int]:
        """The notes in their order, and a number where so many are left out."""
        if not self.left_out:
            yield from self._notes
            return
        yield from self._notes[:HEAD]
        yield self.left_out
        yield from self._notes[HEAD:]


_BEYOND: Final = frozenset({"completed", "closed", "left", "replayed", "doubted", "echoed"})
_ALIKE: Final = (Ignored, Repeated, Shunned, Tried, Elsewhere)


def _same(last: Note, note: Note, closely: bool) -> bool:
    """Whether a line for both says enough; `closely`: all there is to say."""
    if type(note.what) is not type(last.what) or not isinstance(note.what, _ALIKE):
        return False
    if note.knock == last.knock:
        return note.what == last.what
    return not closely and isinstance(note.what, Ignored | Shunned)


class Timelines:
    """The timelines of the sources that knocked last; those with no more than a first knock go first.

    `left_out` counts the timelines that had to go. With more than the usual `each` the notes are close ones.
    """

    def __init__(self, sources: int = SOURCES, beginners: int = BEGINNERS, each: int = EACH) -> None:
        self.left_out = 0
        self._closely = each > EACH
        self._each = each
        self._most = (beginners, sources)
        self._kept: tuple[OrderedDict[bytes, Timeline], ...] = (OrderedDict(), OrderedDict())

    def get(self, source: bytes) -> Timeline | None:
        """The source's timeline, if there is one."""
        beginners, others = self._kept
        return beginners.get(source) or others.get(source)

    def begin(self, source: bytes, at: int) -> Timeline:
        """A new timeline for a source that has none."""
        made = Timeline(source, at, self._each, self._closely)
        self._put(0, made)
        return made

    def settle(self, timeline: Timeline) -> None:
        """Keep it where it belongs, as the one of the source that knocked last."""
        beginners, others = self._kept
        if timeline.source in others:
            others.move_to_end(timeline.source)
        elif timeline.got_on:
            del beginners[timeline.source]
            self._put(1, timeline)
        else:
            beginners.move_to_end(timeline.source)

    def _put(self, which: int, timeline: Timeline) -> None:
        kept = self._kept[which]
        if len(kept) >= self._most[which]:
            kept.popitem(last=False)
            self.left_out += 1
        kept[timeline.source] = timeline

    def __iter__(self) -> Iterator[Timeline]:
        """In the order of their first knocks."""
        everyone = (one for kept in self._kept for one in kept.values())
        return iter(sorted(everyone, key=lambda one: one.first))
