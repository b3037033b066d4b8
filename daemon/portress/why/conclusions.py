"""What follows from what the daemon knows of a source: why its knocks did not open, and what to check. Pure.

In: where the source stands and its last knocks. Out: sentences. They name doors, stages, times and
interfaces, never a port or a protocol of a sequence.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from attrs import frozen

from portress import hours
from portress.admissions import Ending
from portress.clock import STEP
from portress.config.model import Config, Door
from portress.durations import counted, moment, pauses, spell
from portress.knock import SECOND, UNSURE, Source
from portress.run.recent import EACH, Note
from portress.sequence.in_force import still_to_come
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
    Repeated,
    Replayed,
    Shunned,
    progress,
)
from portress.verdict_words import listed, other_time
from portress.why.background import Background

_QUIET: Final = (Ignored, Repeated)
_NOTHING: Final = Background()
_SOON: Final = 5.0  # seconds: an admission ends that soon after the knock that leaves
_RECENT: Final = 8  # knocks within which one of another time is the reason


@frozen
class Facts:
    """What is known of a source. Times in ns."""

    source: Source
    up: int  # how long the daemon has been listening
    lost: int  # reported packets that nobody heard
    guarded: bool  # the guard is in force
    always: str | None  # the network of `always` that it is in
    admitted: tuple[tuple[str, int], ...]  # doors, and how long yet
    shunned: int | None  # how long yet
    progress: (
        tuple[int, int, tuple[str, ...], int] | None
    )  # right, of how many, towards which doors, time left
    notes: tuple[Note, ...]  # the last knocks, oldest first
    background: Background = _NOTHING
    unix: float = 0.0  # now, in unix seconds
    now: int = 0  # the same moment in ns, as the notes have it
    doubt: str = ""  # why rotating sequences are refused now; empty: they are not
    doubt_left: int | None = None  # s until they are accepted again
    void: tuple[tuple[str, str], ...] = ()  # keyholders and doors whose paper is void
    # Admitted connections: door, the port knocked from, the ports tried in vain
    elsewhere: tuple[tuple[str, int, tuple[int, ...]], ...] = ()


def conclude(facts: Facts, config: Config) -> list[str]:
    """One sentence after the other, what matters most first."""
    if not facts.guarded:
        return ["No guard loaded; only the host's own firewall applies. To load it: portress guard."]
    if facts.always is not None:
        return [f"It is in `always` ({facts.always}): every door is open to it, and its knocks are ignored."]
    told = [
        f"Admitted to {door} for another {spell(left)}."
        for door, left in sorted(facts.admitted, key=lambda one: -one[1])
    ]
    for door, port, tried in facts.elsewhere:
        others = [str(one) for one in tried if one != port]
        if others:
            told.append(
                f"{door} admits a connection: it knocked from port {port}, but tried from port"
                f" {', '.join(others[-3:])}. Either the client did not connect from the port it knocked from"
                " (portress-knock --relay does), or its network gives each connection another port, or"
                " somebody else behind its address tried."
            )
    if facts.shunned is not None:
        told.append(f"Shunned: its knocks are ignored for another {spell(facts.shunned)}.")
        told.append(f"To admit it now: portress admit {facts.source} DOOR.")
    elif facts.progress is not None:
        right, of, doors, left = facts.progress
        told.append(f"{progress(right, of)} ({listed(doors)}), {spell(left)} left for the next one.")
    elif facts.admitted:
        told += _since_admitted(facts, config)
    else:
        told += [*_unenrolled(facts), *_not_in(facts, config)]
    return told


def _since_admitted(facts: Facts, config: Config) -> list[str]:
    """For an admitted source: what it has knocked since, or where else to look."""
    last = max((n for n, note in enumerate(facts.notes) if isinstance(note[2], Completed)), default=-1)
    since = facts.notes[last + 1 :]
    if told := _other_time(facts, since):
        return told
    telling = [note for note in since if not isinstance(note[2], (*_QUIET, Echoed))]
    if telling:
        return ["Since then:", *_told(telling[-1], facts, config)]
    told = ["If the port still looks closed, check the host's firewall and the service."]
    others = _rotating((name for name in config.doors if name not in dict(facts.admitted)), config)
    if any(isinstance(verdict, Ignored) for _, _, verdict in since):
        told.append(f"Its knocks since then started no sequence.{_clock(others)}")
    return told


def _other_time(facts: Facts, notes: Iterable[Note]) -> list[str]:
    """For a source whose knocks were those of another time: what a wrong clock, or a replay, looks like."""
    astray = facts.background.astray
    found = [astray[when] for when, _, _ in notes if when in astray]
    if not found:
        return []
    told = f"It knocked {other_time(found[-1].opening, found[-1].steps)}."
    return [told, "Set the client's clock, or find out who repeats old knocks."]


def _unenrolled(facts: Facts) -> list[str]:
    """For a source whose last admission was of a keyholder who is gone."""
    past, enrolled = facts.background.past, facts.background.enrolled
    one = past[0] if past else None
    if one is None or one.keyholder is None or enrolled is None or one.keyholder in enrolled:
        return []
    when = "" if one.ending != Ending.UNENROLLED or one.ended is None else f" {_ago(facts, one.ended)}"
    return [
        f"Keyholder {one.keyholder}, who was admitted to {one.door} from there, was unenrolled{when}:"
        f" their knocks open nothing. To enrol them again: portress enrol {one.keyholder} --door {one.door}."
    ]


def _ago(facts: Facts, unix: float) -> str:
    return f"{spell(round(max(0.0, facts.unix - unix)) * SECOND)} ago"


def _not_in(facts: Facts, config: Config) -> list[str]:
    """For a source that is not admitted anywhere and has no knock right."""
    if told := _other_time(facts, facts.notes[-_RECENT:]):
        return told
    telling = [note for note in facts.notes if not isinstance(note[2], _QUIET)]
    if not telling:
        return [*_unheard(facts, config), *_void(facts)]
    told = _told(telling[-1], facts, config)
    return [*told, *_void(facts)] if isinstance(telling[-1][2], Missed | Advanced | Expired) else told


def _void(facts: Facts) -> list[str]:
    """What is dialled from void paper is like any wrong knock: that there is such paper."""
    if not facts.void:
        return []
    names = listed([f"{name} ({door})" for name, door in facts.void])
    return [
        f"Paper printed before is void and opens nothing: {names}. portress enrol --paper prints new paper."
    ]


def _told(note: Note, facts: Facts, config: Config) -> list[str]:
    """What follows from the last knock that says anything."""
    _, knock, last = note
    if isinstance(last, Missed):
        return [_unsure(last) if knock == UNSURE else _missed(last, config)]
    if isinstance(last, Lapsed):
        pause, gap = pauses(last.pause, last.gap)
        return [f"Too slow: {pause} between two knocks, the gap is {gap}. It must start over."]
    if isinstance(last, Expired | Advanced):
        return [_expired(last, config)]
    if isinstance(last, Replayed):
        return _replayed(last, config)
    if isinstance(last, Doubted):
        return _doubted(last, facts)
    if isinstance(last, Echoed):
        return [
            "It repeated a sequence that it had used already; each works once.",
            f"The next one is valid within {STEP} s: knock again then.",
        ]
    if isinstance(last, Closed):
        return _closed(last, facts)
    if isinstance(last, Left):
        return _left(note[0], last, facts)
    if isinstance(last, Completed):
        doors = listed(tuple(dict.fromkeys(one.door for one in last.openings)))
        return [f"Its knocks were right and opened {doors}. {_ended(facts)}"]
    assert isinstance(last, Shunned)
    return ["It was shunned at its last knock and is no longer: it can start over."]


def _closed(last: Closed, facts: Facts) -> list[str]:
    """It knocked right at the wrong hour."""
    doors = listed(tuple(dict.fromkeys(one.door for one in last.openings)))
    who = next((one.keyholder for one in last.openings if one.keyholder), None)
    told = f"It knocked right{f' (keyholder {who})' if who else ''}, but {doors}"
    if last.opens is None:
        return [f"{told} was closed, and does not open within a year: see its `hours`."]
    when = hours.told(last.opens, last.zone, facts.unix)
    if last.opens <= facts.unix:
        return [f"{told} was closed then. It has opened since, {when}: it can knock again."]
    return [f"{told} opens {when}: it can knock again then."]


def _left(when: int, last: Left, facts: Facts) -> list[str]:
    """It knocked a leaving sequence at `when`: whether that ended an admission, by the ledger."""
    one = last.openings[0]
    at = facts.unix - (facts.now - when) / SECOND
    for past in facts.background.past:
        if past.door == one.door and past.ending == "left" and abs((past.ended or 0) - at) < _SOON:
            who = f", keyholder {one.keyholder}" if one.keyholder else ""
            return [f"It left {one.door} by its own sequence at {moment(past.ended or at)[11:]}{who}."]
    whose = f" of keyholder {one.keyholder}" if one.keyholder else ""
    held = "which somebody else holds" if one.door in dict(facts.admitted) else "where it was not admitted"
    return [
        f"It knocked the leaving sequence{whose} for {one.door}, {held}: it ended nothing.",
        "A leaving sequence ends only what its own keyholder holds, from the address that came in.",
    ]


def _ended(facts: Facts) -> str:
    """How the last admission ended, by the ledger."""
    past = facts.background.past
    if not past or (past[0].ended is None and past[0].until > facts.unix):
        return f"That admission is over: portress history --source {facts.source}."
    one = past[0]
    return f"That admission ended {_ago(facts, one.finish)}: {one.state(facts.unix)}."


def _missed(last: Missed, config: Config) -> str:
    what = f"Its last attempt failed after {progress(last.stage, last.of)}: the next knock was wrong."
    check = "Check ports, protocols and order: packets sent without a pause overtake each other."
    return f"{what} {check}{_clock(_rotating(last.doors, config))}"


def _unsure(last: Missed) -> str:
    return (
        f"Its last attempt failed after {progress(last.stage, last.of)}: the next knocks came too close"
        " together to tell their order. `watch: counter` needs a longer pause between them."
    )


def _expired(last: Expired | Advanced, config: Config) -> str:
    only = gap_of(last.doors, config)
    gap = "" if only is None else f" of {spell(only)}"
    return (
        f"Its last attempt ended after {progress(last.stage, last.of)} ({listed(last.doors)}): no right knock"
        f" came within the gap{gap}. Was the next one late, or dropped on the way?"
        f"{' Or it was evicted: see `callers`.' if isinstance(last, Advanced) else ''}"
    )


def _replayed(last: Replayed, config: Config) -> list[str]:
    who = f"{last.opening.door} (keyholder {last.opening.keyholder})"
    if last.opening.paper is not None:
        name, door = last.opening.keyholder, last.opening.door
        return [
            f"It knocked {last.opening.named} for {who}, which was used already; each line works once.",
            f"If that was the keyholder, dial another line. If not, somebody has the sheet, or recorded it:"
            f" portress enrol {name} --door {door} --paper prints a new one and voids it.",
        ]
    if last.last.source and still_to_come(config, last.opening.step or 0, last.last.step):
        return [
            f"Its sequence for {who} is current, but a later one was already used while a clock was ahead."
            " Earlier ones are refused from then on:"
            f" portress unenrol {last.opening.keyholder}, then enrol them again.",
        ]
    if last.elsewhere:
        return [
            f"Its code for {who} was used for {last.last.door} already, and each works once for all doors"
            f" together: knock with the next code, within {STEP} s.",
        ]
    return [
        f"It knocked a sequence for {who} that was used already; each works once.",
        f"If that was the keyholder, knock again with the next one, within {STEP} s. If not, somebody"
        f" replays recorded knocks or has the secret: portress unenrol {last.opening.keyholder}.",
    ]


def _doubted(last: Doubted, facts: Facts) -> list[str]:
    who = f"{last.opening.door} (keyholder {last.opening.keyholder})"
    told = [
        f"It knocked right for {who}, but the daemon does not know if that sequence was used before:"
        f" {facts.doubt or 'at that time it could not tell'}. This is no sign of an attack.",
    ]
    if facts.doubt_left is None and facts.doubt:
        return [*told, "Until there is a ledger again, no rotating sequence opens: portress doctor."]
    wait = "" if not facts.doubt_left else f" in {facts.doubt_left} s"
    return [*told, f"Knock again{wait}: later sequences are accepted."]


def _unheard(facts: Facts, config: Config) -> list[str]:
    """No knock that starts a sequence is remembered."""
    inside = " or ".join(("lo", *config.inside))
    told = [_silence(facts)]
    if facts.background.past:
        one = facts.background.past[0]
        who = f", keyholder {one.keyholder}" if one.keyholder else ""
        told.append(
            f"By the ledger it was last admitted {_ago(facts, one.since)}, to {one.door}{who};"
            f" that ended {_ago(facts, one.finish)}: {one.state(facts.unix)}."
        )
    told.append(
        f"A knock counts if it arrives on any interface but {inside} and is addressed to this host itself."
    )
    if config.watch == "counter":
        told.append("`watch: counter` cannot tell the order of knocks sent without a pause: 20 ms is enough.")
    rotating = _rotating(config.doors, config)
    if rotating:
        told.append(_clock(rotating).strip())
    if facts.lost:
        told.append(f"{counted(facts.lost, 'reported packet')} lost, possibly some of its own.")
    told.append(
        f"To see what arrives: tcpdump -ni any -w knocks.pcap host {facts.source}, knock, and"
        f" portress trace knocks.pcap --source {facts.source}."
    )
    return told


def _silence(facts: Facts) -> str:
    """That no knock is known which starts a sequence, and how far back that can be said."""
    if len(facts.notes) >= EACH:
        return f"None of its last {EACH} knocks, which is all that is remembered, started a sequence."
    back, why = facts.up, "since the daemon started"
    if facts.background.back is not None and facts.background.back < facts.up:
        back, why = facts.background.back, "as far back as the daemon remembers"
    return (
        f"No knock from it has started a sequence in the last {spell(back)} ({why}):"
        " either no packet arrives, or its first knock is wrong."
    )


def _rotating(doors: Iterable[str], config: Config) -> list[Door]:
    """Those of the doors that open to keyholders."""
    found = [config.doors[name] for name in doors if name in config.doors]
    return [door for door in found if door.by_time]


def _clock(doors: list[Door]) -> str:
    """What to check where sequences come and go with time; nothing where none do."""
    if not doors:
        return ""
    skew = min(rule.skew for door in doors for rule in door.by_time.values())
    names = listed(tuple(door.name for door in doors))
    return (
        f" For {names}: is the client's clock right to within {max(1, skew) * STEP} s, and is the keycard"
        " for this host and door?"
    )


def gap_of(doors: Iterable[str], config: Config) -> int | None:
    """The gap (ns) of all sequences that open these doors; None if they differ, or a door is gone."""
    found = [config.doors.get(name) for name in doors]
    gaps = {gap for door in found if door is not None for gap in door.gaps}
    return gaps.pop() if len(gaps) == 1 and None not in found else None
