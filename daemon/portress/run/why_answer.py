"""What the daemon knows of one source, for `portress why`: values for JSON.

In: the daemon's memory. Out: where the source stands, its last knocks with what came of each, and what
follows from it. `full` is for those who can read the configuration anyway: for them the knocks have their
ports and a wrong one says what was expected. For all others no knock has a port, right or wrong: a late
knock, one out of order or one of a shunned source is as much a part of a sequence as a right one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from attrs import evolve, frozen

from portress.admissions import Admission
from portress.clock import STEP, step_at
from portress.config.model import Config
from portress.durations import utc
from portress.knock import SECOND, UNSURE, Knock, Source
from portress.ledger.ledger import Record
from portress.run.listener import Listener
from portress.run.recent import Note
from portress.run.recovery import Doubt
from portress.run.status_answer import admission, seconds
from portress.verdict import (
    Advanced,
    Closed,
    Completed,
    Doubted,
    Echoed,
    Expired,
    Ignored,
    Lapsed,
    Left,
    Missed,
    Replayed,
    Use,
)
from portress.verdict_words import Hint, fields, other_time, say
from portress.why.background import Astray, Background
from portress.why.conclusions import Facts, conclude, gap_of
from portress.why.hints import Run

_NONE: Final = Background()
_ENDS: Final = (Completed, Closed, Left, Replayed, Doubted, Echoed)


@frozen
class Inquiry:
    """What is asked of the daemon: `now` and `up` (how long it runs) in ns, `unix` in seconds.

    `guarded`: the guard is in force; without it every door is open. `doubt`: rotating sequences are refused.
    """

    source: Source
    now: int
    unix: float
    up: int
    full: bool
    guarded: bool = True
    background: Background = _NONE
    doubt: Doubt | None = None


def account(
    listener: Listener, config: Config, admissions: Iterable[Admission], asked: Inquiry
) -> dict[str, Any]:
    """All there is to tell of a source."""
    packed, tracker, now, unix = asked.source.packed, listener.tracker, asked.now, asked.unix
    at, until = tracker.progress_of(packed, now), tracker.shunned_until(packed, now)
    known = list(admissions)
    admitted = [admission(one, now, unix) for one in known]
    notes = _lapses(listener.recent.of(packed), config)
    facts = evolve(_facts(listener, config, asked, admitted, notes), elsewhere=_elsewhere(listener, known))
    limit = None if tracker.misses is None else tracker.misses.limit
    return {
        "source": str(asked.source),
        "guarded": asked.guarded,
        "caller": at
        and {"right": at[0].stage, "of": at[0].of, "doors": [*at[0].doors], "left": seconds(at[1])},
        "misses": {"now": tracker.misses_of(packed, now), "limit": limit},
        "shunned": None if until is None else {"left": seconds(until - now)},
        "always": facts.always is not None,
        "admissions": admitted,
        "ports": asked.full,
        "past": [_past(one) for one in asked.background.past],
        "knocks": _knocks(listener, notes, now, unix, asked.background.astray, full=asked.full),
        "conclusion": conclude(facts, config),
    }


def _facts(
    listener: Listener, config: Config, asked: Inquiry, admitted: list[dict[str, Any]], notes: list[Note]
) -> Facts:
    """What the conclusion is drawn from."""
    source, now, unix, doubt = asked.source, asked.now, asked.unix, asked.doubt
    at = listener.tracker.progress_of(source.packed, now)
    until = listener.tracker.shunned_until(source.packed, now)
    return Facts(
        source=source,
        up=asked.up,
        lost=listener.watcher.lost,
        guarded=asked.guarded,
        always=next((str(one) for one in config.always if _inside(source, one)), None),
        admitted=tuple((one["door"], round(one["left"] * SECOND)) for one in admitted),
        shunned=None if until is None else until - now,
        progress=None if at is None else (at[0].stage, at[0].of, at[0].doors, at[1]),
        notes=tuple(notes),
        background=asked.background,
        void=tuple(listener.void_paper),
        unix=unix,
        now=now,
        doubt="" if doubt is None else doubt.why,
        doubt_left=None if doubt is None or doubt.until is None else max(0, round(doubt.until - unix)),
    )


def _past(one: Record) -> dict[str, Any]:
    """An admission by the ledger."""
    return {
        "door": one.door,
        "keyholder": one.keyholder,
        "how": one.how,
        "since": utc(one.since),
        "until": utc(one.until),
        "ended": None if one.ended is None else utc(one.ended),
        "ending": one.ending,
    }


def _elsewhere(
    listener: Listener, known: Iterable[Admission]
) -> tuple[tuple[str, int, tuple[int, ...]], ...]:
    """Of admitted connections: door, the port knocked from, the ports tried in vain."""
    return tuple(
        (one.door, one.source.port, tuple(sorted(_ports(listener.tried(one.door), one.source))))
        for one in known
        if one.source.port
    )


def _ports(tried: Iterable[Source], source: Source) -> set[int]:
    return {one.port for one in tried if one.packed == source.packed}


def _inside(source: Source, network: Any) -> bool:
    return source.network.version == network.version and source.network.subnet_of(network)


def _knocks(
    listener: Listener,
    notes: Iterable[Note],
    now: int,
    unix: float,
    astray: Mapping[int, Astray],
    *,
    full: bool,
) -> list[dict[str, Any]]:
    run, told, before = Run(), [], None
    for when, number, verdict in notes:
        at = unix - (now - when) / SECOND
        hint = Hint()
        if isinstance(verdict, Replayed):
            hint = _used(listener, verdict, now, unix)
        elif isinstance(verdict, Completed):
            hint = Hint(behind=_behind(verdict, at))
        elif not isinstance(verdict, Expired) and (full or number == UNSURE):
            hint = run.hint(listener.tracker.trie, number, verdict)
        run.follow(number, verdict)
        told.append(
            {
                "at": utc(at),
                "pause": None if before is None else seconds(when - before),
                "knock": str(Knock(number)) if full and number != UNSURE else None,
                **fields(verdict, hint),
                "said": say(verdict, hint),
            }
        )
        if when in astray and not isinstance(verdict, _ENDS):
            opening, steps = astray[when].opening, astray[when].steps
            told[-1] |= {"verdict": "astray", "said": other_time(opening, steps), "door": opening.door}
            told[-1] |= {"keyholder": opening.keyholder, "seconds": steps * STEP}
        before = when
    return told


def _lapses(notes: Iterable[Note], config: Config) -> list[Note]:
    """The notes, where a stage that expired and the next knock after it are one: a knock that came late."""
    told: list[Note] = []
    right = None  # when the last right knock came
    for when, number, verdict in notes:
        late = told[-1][2] if told else None
        if isinstance(late, Expired) and right is not None and isinstance(verdict, Ignored | Advanced):
            gap = gap_of(late.doors, config)
            if gap is not None and when - right > gap:
                anew = isinstance(verdict, Advanced)
                lapsed = Lapsed(late.stage, late.of, when - right, gap, anew, late.doors)
                told[-1] = (when, number, lapsed)
                right = when if anew else None
                continue
        if isinstance(verdict, Advanced | Missed | Lapsed):
            right = when if getattr(verdict, "anew", True) else None
        told.append((when, number, verdict))
    return told


def _behind(verdict: Completed, at: float) -> int:
    """How many time steps behind the moment the completed sequence was."""
    steps = [one.step for one in verdict.openings if one.step is not None and one.paper is None]
    return step_at(max(0.0, at)) - steps[0] if steps else 0


def _used(listener: Listener, verdict: Replayed, now: int, unix: float) -> Hint:
    """When and by whom the sequence was used before, as far as that is remembered."""
    last: Use = verdict.last
    if not isinstance(last.source, bytes) or not last.source:
        return Hint()
    for when, _, earlier in listener.recent.of(last.source):
        if isinstance(earlier, Completed | Closed | Left) and any(
            (one.claim, one.step) == (verdict.opening.claim, last.step) for one in earlier.openings
        ):
            at = round(unix * SECOND) - (now - when)
            return Hint(used_at=at, used_by=str(listener.source(last.source)))
    return Hint(used_by=str(listener.source(last.source)))
