"""A trace of everything on the wire, and the daemon that hears only what the guard reports, say the same.

The guard stands here as a model of its rules: it reports a first knock, and what comes from a caller, whom
it remembers for the longest gap and a little more. The daemon's clean-up once a second is part of it: what a
trace tells as a knock that came too late has, by then, been told as expired.
"""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from portress.guard.report import MARGIN
from portress.knock import SECOND, Knock, Source
from portress.sequence import fixed
from portress.sequence.trie import Trie
from portress.trace.replay import Trace
from portress.trace.timeline import Note, Timelines
from portress.tracker import Tracker
from portress.verdict import Advanced, Completed, Expired, Lapsed, Missed, Repeated, Verdict
from portress.verdict_words import NAMES
from unit.stories import BEGIN, Story, config

CONFIG = config(
    """\
source_prefix: {ipv6: 128}
misses: {limit: 3, within: 1m, shun: 20s}
doors:
  ssh:
    services: [tcp/22]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 10s}
  web:
    services: [tcp/443]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/8642, udp/7342], gap: 5s}
  mail:
    services: [tcp/25]
    fixed: {knocks: [udp/4617, tcp/4617], gap: 5s}
"""
)
SOURCES = ("192.0.2.7", "203.0.113.9", "2001:db8::7")
KNOCKS = ("tcp/4617", "udp/2953", "tcp/6381", "tcp/8642", "udp/7342", "udp/4617", "tcp/1", "udp/2")
PAUSES = (0.1, 0.5, 1.0, 4.0, 5.0, 5.1, 9.9, 10.0, 10.1, 11.0, 12.5, 21.0, 70.0)

Told = tuple[object, ...]


def words(verdict: Verdict | Expired) -> list[Told]:
    """What a verdict means for its source; noise and what a shunned source does mean nothing."""
    anew: list[Told] = [("advanced", 1)] if getattr(verdict, "anew", False) else []
    if isinstance(verdict, Missed):
        return [("missed", verdict.stage, verdict.shunned_until is not None), *anew]
    if isinstance(verdict, Lapsed | Expired):
        return [("expired", verdict.stage), *anew]
    if isinstance(verdict, Advanced | Repeated):
        return [(NAMES[type(verdict)], verdict.stage)]
    return [("completed", *(one.door for one in verdict.openings))] if isinstance(verdict, Completed) else []


def daemon(story: Story) -> dict[bytes, list[Told]]:
    """What the daemon tells of each source."""
    tracker = Tracker(Trie(fixed.expected(CONFIG)), misses=CONFIG.misses)
    callers: dict[bytes, int] = {}
    shunned: dict[bytes, int] = {}
    told: dict[bytes, list[Told]] = {}
    tick = BEGIN * SECOND

    def tidy(now: int) -> None:
        for source, at in tracker.expire(now):
            assert isinstance(source, bytes)
            told[source] += words(Expired(at.stage, at.of))

    for source, knock, now, _ in story:
        while tick <= now:
            tidy(tick)
            tick += SECOND
        if shunned.get(source, 0) > now:
            continue
        if knock not in tracker.trie.opening and callers.get(source, 0) <= now:
            continue
        callers[source] = now + CONFIG.longest_gap + MARGIN
        verdict = tracker.hear(source, knock, now)
        told.setdefault(source, []).extend(words(verdict))
        if isinstance(verdict, Missed) and verdict.shunned_until is not None:
            shunned[source] = verdict.shunned_until
    tidy(tick + 60 * SECOND)
    return {source: each for source, each in told.items() if each}


def traced(story: Story) -> dict[bytes, list[Told]]:
    trace = Trace(CONFIG, timelines=Timelines(each=1000))
    trace.follow(story)
    told = {}
    for one in trace.timelines:
        each = [line for note in one if isinstance(note, Note) for line in _words(note)]
        told[one.source] = each + ([("expired", one.stage)] if one.stage else [])
    return told


def _words(note: Note) -> list[Told]:
    what = note.what
    return words(what) * note.times if isinstance(what, Verdict) else []


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(SOURCES), st.sampled_from(KNOCKS), st.sampled_from(PAUSES)),
        min_size=1,
        max_size=60,
    )
)
def test_the_trace_tells_of_every_source_what_the_daemon_told(
    packets: list[tuple[str, str, float]],
) -> None:
    told, at = [], 0.0
    for source, knock, pause in packets:
        at += pause
        told.append((at, source, knock))
    assert traced(Story(*told)) == daemon(Story(*told))


def test_the_model_guard_reports_what_the_kernels_does() -> None:
    """Noise of nobody is not reported; a caller's is, and a first knock always."""
    knocks = ("tcp/1", "tcp/4617", "tcp/1", "tcp/4617", "udp/2953", "tcp/6381")
    story = Story(*((n / 10, SOURCES[0], knock) for n, knock in enumerate(knocks)))
    assert daemon(story) == {
        Source.parse(SOURCES[0]).packed: [
            ("advanced", 1),
            ("missed", 1, False),
            ("advanced", 1),
            ("advanced", 2),
            ("completed", "ssh"),
        ]
    }
    assert int(Knock.parse("tcp/1")) not in Trie(fixed.expected(CONFIG)).opening
