"""What a verdict is called, everywhere: its name, its style on a screen, in a sentence, as an event. Pure.

In: a verdict and, for those who may read the configuration, the knock that came, those that were expected
and who used a sequence before. Out: words. Without those they name stages, doors and times, never a port.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import tzinfo
from typing import Any, Final

from attrs import frozen

from portress import hours
from portress.clock import STEP
from portress.config.model import Misses
from portress.durations import counted, moment, pauses, spell, utc
from portress.knock import SECOND, Expected, Knock, Source
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
    Verdict,
    progress,
)

NAMES: Final = {
    Ignored: "ignored",
    Repeated: "repeated",
    Advanced: "advanced",
    Missed: "missed",
    Lapsed: "lapsed",
    Shunned: "shunned",
    Completed: "completed",
    Closed: "closed",
    Left: "left",
    Replayed: "replayed",
    Doubted: "doubted",
    Echoed: "echoed",
    Expired: "expired",
}

STYLES: Final = {  # on a screen (rich)
    "advanced": "green",
    "completed": "bold green",
    "closed": "yellow",
    "left": "bold green",
    "missed": "yellow",
    "lapsed": "yellow",
    "expired": "yellow",
    "replayed": "bold red",
    "shunned": "red",
    "ignored": "dim",
    "repeated": "dim",
    "doubted": "yellow",
    "echoed": "dim",
    "astray": "bold yellow",  # no verdict: the sequence of another time
}

# Verdicts that are told as events.
Tellable = Advanced | Missed | Lapsed | Expired | Closed | Doubted | Replayed

_FEW: Final = 3  # expected knocks that are named one by one


@frozen
class Hint:
    """What the configuration adds to a verdict. All of it may be missing."""

    came: int | None = None  # the knock
    expected: tuple[int, ...] = ()  # what would have been right
    unsure: bool = False  # several knocks, of which nobody knows the order
    early: bool = False  # the knock is one that comes later in a sequence
    used_at: int | None = None  # when the sequence was used before (unix ns)
    used_by: str = ""  # and by which source
    behind: int = 0  # time steps by which the sequence is behind the present one; ahead if below 0


_NO_HINT: Final = Hint()


@frozen
class Line:
    """An event as it is told: of which kind, the line, and its fields."""

    kind: str
    text: str
    fields: dict[str, object]


def fields(verdict: Verdict | Expired, hint: Hint = _NO_HINT) -> dict[str, Any]:
    """The same for programs: the verdict's name and what it holds; durations in seconds."""
    told: dict[str, Any] = {"verdict": NAMES[type(verdict)]}
    for name, held in (("right", "stage"), ("of", "of"), ("anew", "anew")):
        if hasattr(verdict, held):
            told[name] = getattr(verdict, held)
    if isinstance(verdict, Advanced | Missed | Lapsed | Expired):
        told["doors"] = list(verdict.doors)
    if isinstance(verdict, Lapsed):
        told |= {"late": verdict.pause / SECOND, "gap": verdict.gap / SECOND}
    if isinstance(verdict, Completed):
        told["opened"] = [_opened(one) for one in verdict.openings]
    elif isinstance(verdict, Closed):
        told |= {
            "closed": [_opened(one) for one in verdict.openings],
            "opens": None if verdict.opens is None else utc(verdict.opens),
        }
    elif isinstance(verdict, Left):
        told["left"] = [_opened(one) for one in verdict.openings]
    elif isinstance(verdict, Replayed | Doubted | Echoed):
        told |= _opened(verdict.opening)
    if hint.expected:
        told["expected"] = [str(Knock(one)) for one in hint.expected]
    return told


def _opened(one: Expected) -> dict[str, Any]:
    told: dict[str, Any] = {"door": one.door, "keyholder": one.keyholder}
    return told | ({"paper": one.named} if one.paper else {}) | ({"leaving": True} if one.leaves else {})


def say(verdict: Verdict | Expired, hint: Hint = _NO_HINT, zone: tzinfo | None = None) -> str:
    """The verdict in a few words; `zone` is that of the moments in it (default: the host's)."""
    if isinstance(verdict, Advanced):
        return _so_far(verdict)
    if isinstance(verdict, Repeated):
        return f"repeated: no effect, still {counted(verdict.stage, 'knock')} right"
    if isinstance(verdict, Missed):
        return _missed(verdict, hint)
    if isinstance(verdict, Lapsed):
        pause, gap = pauses(verdict.pause, verdict.gap)
        then = "; counted as a new first knock" if verdict.anew else ""
        return f"too late: {_so_far(verdict)}, then {pause} pause (gap {gap}){then}"
    if isinstance(verdict, Completed):
        return "complete: " + ", ".join(_opening(one, hint.behind) for one in verdict.openings)
    if isinstance(verdict, Left):
        whose = (f" (keyholder {one.keyholder})" if one.keyholder else "" for one in verdict.openings)
        left = zip((one.door for one in verdict.openings), whose, strict=True)
        return "complete: leaves " + ", ".join(map("".join, left))
    if isinstance(verdict, Closed):
        later = "" if verdict.opens is None else f"; opens {hours.told(verdict.opens, verdict.zone, 0)}"
        doors = ", ".join(_opening(one, 0) for one in verdict.openings)
        return f"right, but closed at that hour: {doors}{later}"
    if isinstance(verdict, Replayed):
        if verdict.elsewhere:
            what = f"code already used for {verdict.last.door}; a second door needs the next one"
            return f"refused, {what}: {_opening(verdict.opening, 0)}"
        same = verdict.opening.step == verdict.last.step
        what = "already used" if same else "older than the sequence used"
        return f"refused, {what} {_used(hint, zone)}: {_opening(verdict.opening, 0)}"
    if isinstance(verdict, Doubted):
        return f"refused, it may have been used before: {_opening(verdict.opening, 0)}"
    if isinstance(verdict, Echoed):
        return f"complete again from the same source: no effect ({verdict.opening.door})"
    if isinstance(verdict, Expired):
        return f"expired: {_so_far(verdict)}, no further one within the gap"
    return "starts no sequence" if isinstance(verdict, Ignored) else "ignored: the source is shunned"


def event(source: Source, verdict: Tellable, unix: float, *, ahead: bool = False) -> Line:
    """The event of a verdict on a knock of `source`; `unix`: now (s), for `Closed`.

    `ahead`: a later step was used before, at a clock that was ahead.
    """
    if isinstance(verdict, Replayed):
        return _replay(source, verdict, ahead)
    if isinstance(verdict, Closed):
        one = verdict.openings[0]
        who = "" if one.keyholder is None else f" (keyholder {one.keyholder})"
        later = "" if verdict.opens is None else f"; opens {hours.told(verdict.opens, verdict.zone, unix)}"
        return _at_door(
            "closed", source, one, f"{source} knocked right{who}, but {one.door} is closed{later}"
        )
    if isinstance(verdict, Doubted):
        one = verdict.opening
        why = f"it is not known whether this sequence of keyholder {one.keyholder} was used before"
        return _at_door("doubted", source, one, f"{source} refused at {one.door}: {why}; see portress status")
    right = progress(verdict.stage, verdict.of)
    if isinstance(verdict, Advanced):
        what = f": {right}"
    elif isinstance(verdict, Lapsed):
        what = f" too late after {right}: {spell(verdict.pause)} pause, gap {spell(verdict.gap)}"
    else:
        what = f" {NAMES[type(verdict)]} after {right}"
    return _part_way(NAMES[type(verdict)], source, verdict, what)


def shunning(source: Source, verdict: Missed, ns: int, misses: Misses) -> Line:
    """The event of a source that is shunned for `ns` from now on."""
    what = f" shunned for {spell(ns)} after {counted(misses.limit, 'miss')} within {spell(misses.within)}"
    return _part_way("shunned", source, verdict, what)


def _part_way(kind: str, source: Source, verdict: Advanced | Missed | Lapsed | Expired, what: str) -> Line:
    doors = ", ".join(verdict.doors)
    held = {"source": source, "door": doors, "right": verdict.stage, "of": verdict.of}
    return Line(kind, f"{source}{what} ({doors})", held)


def _at_door(kind: str, source: Source, one: Expected, text: str) -> Line:
    return Line(kind, text, {"source": source, "door": one.door, "keyholder": one.keyholder})


def _replay(source: Source, verdict: Replayed, ahead: bool) -> Line:
    one, last = verdict.opening, verdict.last
    if verdict.elsewhere and last.source == source.packed:  # no thief: the same keyholder, at a second door
        kind, why = "spent", f"the code was used at {last.door}; a second door needs the next one"
    else:
        before = "used before" if one.step == last.step else "older than the last one used"
        if verdict.elsewhere:
            before = f"used at {last.door} before"
        paper = f", {one.named}" if one.named else ""
        kind, why = "replayed", f"replay of keyholder {one.keyholder}{paper}, {before}"
    if ahead:
        why += f", at a clock that was ahead: enrol {one.keyholder} anew"
    return _at_door(kind, source, one, f"{source} refused at {one.door}: {why}")


def _so_far(verdict: Advanced | Missed | Lapsed | Expired) -> str:
    return f"{progress(verdict.stage, verdict.of)} ({listed(verdict.doors)})"


def other_time(opening: Expected, steps: int, zone: tzinfo | None = None) -> str:
    """Of a sequence `steps` time steps old (to come, if below 0): whose it was, and what that means."""
    when = moment((opening.step or 0) * STEP, zone)[11:]
    off = f"{spell(abs(steps) * STEP * SECOND)} {'slow' if steps > 0 else 'fast'}"
    replay = ", or a replay" if steps > 0 else ""
    return f"{opening.keyholder}'s sequence for {opening.door} of {when}: clock about {off}{replay}"


def _used(hint: Hint, zone: tzinfo | None) -> str:
    at = "before" if hint.used_at is None else f"at {moment(hint.used_at / SECOND, zone)[11:]}"
    return f"{at} by {hint.used_by}" if hint.used_by else at


def _missed(verdict: Missed, hint: Hint) -> str:
    why = "; the next ones came too close together to tell their order" if hint.unsure else ""
    if hint.came is not None and hint.expected:
        early = " (too early)" if hint.early else ""
        why = f"; expected {either(hint.expected)}, got {Knock(hint.came)}{early}"
    then = "; counted as a new first knock" if verdict.anew else ""
    return f"wrong after {_so_far(verdict)}{why}{'; shunned' if verdict.shunned_until is not None else then}"


def _opening(one: Expected, behind: int) -> str:
    if one.keyholder is None:
        return f"{one.door} ({one.named})" if one.named else one.door
    steps = "1 step" if abs(behind) == 1 else f"{abs(behind)} steps"
    if one.named:
        return f"{one.door} (keyholder {one.keyholder}, {one.named})"
    clock = f", clock {steps} {'behind' if behind > 0 else 'ahead'}" if behind else ""
    return f"{one.door} (keyholder {one.keyholder}{clock})"


def either(knocks: Iterable[int]) -> str:
    """`tcp/4617`, `tcp/4617 or udp/2953`, or how many more there are."""
    all_of_them = sorted(knocks)
    names = [str(Knock(one)) for one in all_of_them[:_FEW]]
    if len(all_of_them) > _FEW:
        return f"{', '.join(names)} or {len(all_of_them) - _FEW} others"
    return " or ".join((", ".join(names[:-1]), names[-1])) if len(names) > 1 else names[0]


def listed(doors: Sequence[str], most: int = 3) -> str:
    """The doors, the first few of them by name."""
    more = f" and {len(doors) - most} more" if len(doors) > most else ""
    return ", ".join(doors[:most]) + more
