"""What follows from what the daemon knows of a source: why its knocks did not open, and what to check. Pure.

In: where the source stands and its last knocks. Out: sentences. They name doors, stages, times and
interfaces, never a port or a protocol of a sequence.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from attrs import frozen

from portress.config.model import Config, Door
from portress.durations import counted, spell
from portress.knock import UNSURE, Source
from portress.run.recent import Note
from portress.sequence.in_force import still_to_come
from portress.sequence.rotating import STEP
from portress.verdict import (
    Advanced,
    Completed,
    Echoed,
    Expired,
    Ignored,
    Lapsed,
    Missed,
    Repeated,
    Replayed,
    Shunned,
    progress,
)
from portress.why.reasons import listed, pauses

_QUIET: Final = (Ignored, Repeated)


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


def conclude(facts: Facts, config: Config) -> list[str]:
    """One sentence after the other, what matters most first."""
    if not facts.guarded:
        return ["The guard is away: every door is open to everybody. To shut them: portress guard."]
    if facts.always is not None:
        return [f"It is in `always` ({facts.always}): every door is open to it, and no knock of it counts."]
    told = [
        f"It is let in by {door} for {spell(left)} more."
        for door, left in sorted(facts.admitted, key=lambda one: -one[1])
    ]
    if facts.admitted:
        told.append(
            "If it meets a shut port there all the same: the host's own firewall, or the service itself."
        )
    if facts.shunned is not None:
        told.append(f"It is shunned: whatever it knocks, nothing opens for {spell(facts.shunned)} more.")
        told.append(f"To let it in before that: portress admit {facts.source} DOOR.")
    elif facts.progress is not None:
        right, of, doors, left = facts.progress
        told.append(f"{progress(right, of)} ({listed(doors)}), {spell(left)} left for the next one.")
    elif not facts.admitted:
        told += _not_in(facts, config)
    return told


def _not_in(facts: Facts, config: Config) -> list[str]:
    """For a source that no door is open to, and that is not under way."""
    telling = [note for note in facts.notes if not isinstance(note[2], _QUIET)]
    if not telling:
        return _unheard(facts, config)
    _, knock, last = telling[-1]
    if isinstance(last, Missed):
        return [_unsure(last) if knock == UNSURE else _missed(last, config)]
    if isinstance(last, Lapsed):
        pause, gap = pauses(last.pause, last.gap)
        return [
            f"It was too slow: {pause} between two knocks, the gap is {gap}. It begins again from the start."
        ]
    if isinstance(last, Expired | Advanced):
        return [_expired(last, config)]
    if isinstance(last, Replayed):
        return _replayed(last, config)
    if isinstance(last, Echoed):
        return [
            "It had used its last sequence before, and each works once.",
            f"The next one comes within {STEP} s: knock again then.",
        ]
    if isinstance(last, Completed):
        doors = listed(tuple(dict.fromkeys(one.door for one in last.openings)))
        return [
            f"Its knocks were right and opened {doors}; that has ended since.",
            f"How it ended: portress history --source {facts.source}.",
        ]
    assert isinstance(last, Shunned)
    return ["It was shunned when it last knocked, and is no longer: it begins again from the start."]


def _missed(last: Missed, config: Config) -> str:
    what = (
        f"Its last run broke off after {counted(last.stage, 'right knock')} of {last.of}: the next was wrong."
    )
    check = "Check the ports, tcp or udp, and their order: packets sent without a pause overtake each other."
    return f"{what} {check}{_clock(_rotating(last.doors, config))}"


def _unsure(last: Missed) -> str:
    return (
        f"Its last run broke off after {counted(last.stage, 'right knock')} of {last.of}: the next ones came"
        " too close together to tell their order. `watch: counter` needs a longer pause between them."
    )


def _expired(last: Expired | Advanced, config: Config) -> str:
    only = gap_of(last.doors, config)
    gap = "" if only is None else f" of {spell(only)}"
    return (
        f"Its last run ended at stage {last.stage} of {last.of} ({listed(last.doors)}): no right knock came"
        f" within the gap{gap}. Did the next one come late, or is it dropped on the way?"
        f"{' Or it had to make room for others: see `callers`.' if isinstance(last, Advanced) else ''}"
    )


def _replayed(last: Replayed, config: Config) -> list[str]:
    who = f"{last.opening.door} (keyholder {last.opening.keyholder})"
    if last.last.source and still_to_come(config, last.opening.step or 0, last.last.step):
        return [
            f"Its sequence for {who} is of this time, but one of a time still to come was used already,"
            " when a clock was ahead. No earlier one counts any more:"
            f" portress unenrol {last.opening.keyholder}, and enrol them anew.",
        ]
    return [
        f"It knocked a sequence for {who} that works no more: each is used up by the first who knocks it.",
        f"If that was its own keyholder, knock again with the next one, within {STEP} s. If not, somebody"
        f" repeats what was seen on the way, or has the secret: portress unenrol {last.opening.keyholder}.",
    ]


def _unheard(facts: Facts, config: Config) -> list[str]:
    """Nothing that begins a sequence came from it."""
    outside = f"by {', '.join(config.outside)}" if config.outside else "by any interface but lo"
    told = [
        f"Nothing of it has begun a sequence in the {spell(facts.up)} that the daemon has been listening:"
        " either no packet of it arrives, or its first knock is a wrong one.",
        f"A knock counts that comes in {outside} and is addressed to this host itself.",
    ]
    if config.watch == "counter":
        told.append("`watch: counter` does not know the order of knocks sent without a pause: 20 ms will do.")
    rotating = _rotating(config.doors, config)
    if rotating:
        told.append(_clock(rotating).strip())
    if facts.lost:
        told.append(f"{counted(facts.lost, 'reported packet')} were lost, perhaps its own.")
    told.append(
        f"To see what arrives: tcpdump -ni any -w knocks.pcap host {facts.source}, knock, and"
        f" portress trace knocks.pcap --source {facts.source}."
    )
    return told


def _rotating(doors: Iterable[str], config: Config) -> list[Door]:
    """Those of the doors that open to keyholders."""
    found = [config.doors[name] for name in doors if name in config.doors]
    return [door for door in found if door.rotating or door.authenticator]


def _clock(doors: list[Door]) -> str:
    """What to check where sequences come and go with time; nothing where none do."""
    if not doors:
        return ""
    skew = min(rule.skew for door in doors for rule in (door.rotating, door.authenticator) if rule)
    names = listed(tuple(door.name for door in doors))
    return (
        f" For {names}: is the client's clock right to {max(1, skew) * STEP} s, and is it the keycard"
        " of this host and door?"
    )


def gap_of(doors: Iterable[str], config: Config) -> int | None:
    """The gap (ns) of all sequences that open these doors; None if they differ, or a door is gone."""
    found = [config.doors.get(name) for name in doors]
    gaps = {
        None if rule is None else rule.gap
        for door in found
        for rule in ((door.fixed, door.rotating, door.authenticator) if door else (None,))
        if rule is not None or door is None
    }
    return gaps.pop() if len(gaps) == 1 else None
