"""What the daemon answers on the control socket about itself: status and why. Values for JSON, no ports.

`status` is for whoever may read the socket; it holds no secret, and no port of a sequence. `why` shows
the ports of right knocks to root alone, who can read the configuration anyway.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from portress import __version__
from portress.admissions import Admission
from portress.config import Config, Door
from portress.knock import PROTOCOL_NAMES, SECOND, Knock, Source
from portress.listener import Listener
from portress.recent import Note
from portress.sequence.rotating import STEP
from portress.verdict import Advanced, Completed, Echoed, Ignored, Lapsed, Missed, Repeated, Replayed, Verdict

MOST: Final = 1000  # callers and shunned sources listed; the totals count them all

_NAMES: Final = {
    "Ignored": "ignored",
    "Repeated": "repeated",
    "Advanced": "advanced",
    "Missed": "missed",
    "Lapsed": "lapsed",
    "Shunned": "shunned",
    "Completed": "completed",
    "Replayed": "replayed",
    "Echoed": "echoed",
}


def outcome(kind: type) -> str:
    """A verdict's name in metrics and status."""
    return _NAMES[kind.__name__]


def seconds(ns: int) -> float:
    """`ns` in seconds, to the millisecond."""
    return round(ns / SECOND, 3)


def admission(one: Admission, now: int, unix: float) -> dict[str, Any]:
    """An admission; moments in unix seconds, `left` in seconds."""
    return {
        "door": one.door,
        "source": str(one.source),
        "keyholder": one.keyholder,
        "how": one.how,
        "since": round(unix - (now - one.since) / SECOND, 3),
        "until": round(unix + (one.until - now) / SECOND, 3),
        "left": seconds(max(0, one.until - now)),
    }


def door(one: Door, admitted: int) -> dict[str, Any]:
    """A door, and for the authenticator style which ports a code is dialled on."""
    openers = [name for name in ("fixed", "rotating", "authenticator") if getattr(one, name) is not None]
    told: dict[str, Any] = {
        "name": one.name,
        "services": [str(service) for service in one.services],
        "openers": openers,
        "stay": seconds(one.stay),
        "linger": one.linger,
        "admitted": admitted,
    }
    if one.authenticator is not None:
        bases = [one.authenticator.base + 100 * pair for pair in range(4)]
        told["dial"] = {
            "ports": bases,
            "rule": "for the code AABBCCDD dial tcp "
            + ", ".join(
                f"{base} + {pair}" for base, pair in zip(bases, ("AA", "BB", "CC", "DD"), strict=True)
            ),
        }
    return told


def tracking(listener: Listener, now: int) -> dict[str, Any]:
    """Callers, shunned sources and counts of knocks."""
    callers = [
        {
            "source": str(listener.source(_bytes(packed))),
            "stage": at.stage,
            "of": at.of,
            "doors": list(at.doors),
            "left": seconds(left),
        }
        for (packed, at, left), _ in zip(listener.tracker.callers(now), range(MOST), strict=False)
    ]
    shunned = [
        {"source": str(listener.source(_bytes(packed))), "left": seconds(until - now)}
        for (packed, until), _ in zip(listener.tracker.shunned(now), range(MOST), strict=False)
    ]
    return {
        "callers": {"now": len(listener.tracker), "limit": listener.tracker.limit, "listed": callers},
        "shunned": shunned,
        "knocks": {
            outcome(kind): count for kind, count in sorted(listener.counts.items(), key=lambda i: str(i[0]))
        },
        "lost": listener.watcher.lost,
        "overruns": listener.watcher.overruns,
        "odd": dict(listener.watcher.odd),
    }


def _bytes(packed: object) -> bytes:
    assert isinstance(packed, bytes)
    return packed


def why(
    listener: Listener,
    config: Config,
    source: Source,
    admissions: Iterable[Admission],
    now: int,
    unix: float,
    *,
    full: bool,
) -> dict[str, Any]:
    """What the daemon knows of a source. `full`: with the ports of right knocks."""
    packed, tracker = source.packed, listener.tracker
    at = next(((at, left) for one, at, left in tracker.callers(now) if one == packed), None)
    until = next((until for one, until in tracker.shunned(now) if one == packed), None)
    return {
        "source": str(source),
        "caller": None
        if at is None
        else {"stage": at[0].stage, "of": at[0].of, "doors": list(at[0].doors), "left": seconds(at[1])},
        "misses": {
            "now": tracker.misses_of(packed, now),
            "limit": None if tracker.misses is None else tracker.misses.limit,
        },
        "shunned": None if until is None else {"left": seconds(until - now)},
        "always": any(_inside(source, network) for network in config.always),
        "admissions": [admission(one, now, unix) for one in admissions],
        "knocks": [
            {"at": round(unix - (now - note[0]) / SECOND, 3), **knock(note, full=full)}
            for note in listener.recent.of(packed)
        ],
    }


def _inside(source: Source, network: Any) -> bool:
    return source.network.version == network.version and source.network.subnet_of(network)


def knock(note: Note, *, full: bool) -> dict[str, Any]:
    """A remembered knock and its verdict. The port of a knock that was right is shown only in `full`."""
    _, number, verdict = note
    right = isinstance(verdict, Advanced | Completed | Repeated | Replayed | Echoed) or getattr(
        verdict, "anew", False
    )
    hidden = right and not full
    return {
        "knock": PROTOCOL_NAMES[number >> 16] if hidden else str(Knock(number)),
        "verdict": outcome(type(verdict)),
        "said": say(verdict),
    }


def say(verdict: Verdict) -> str:
    """The verdict in words, without a port."""
    if isinstance(verdict, Advanced):
        return f"right: stage {verdict.stage} of {verdict.of} ({', '.join(verdict.doors)})"
    if isinstance(verdict, Repeated):
        return f"repeated: changes nothing, stage {verdict.stage}"
    if isinstance(verdict, Missed):
        text = f"wrong: stage {verdict.stage} of {verdict.of} lost ({', '.join(verdict.doors)})"
        return text + ("; shunned" if verdict.shunned_until is not None else _anew(verdict.anew))
    if isinstance(verdict, Lapsed):
        late = f"stage {verdict.stage} of {verdict.of}, then {seconds(verdict.pause):.1f} s, gap is"
        return f"{late} {seconds(verdict.gap):.1f} s: started over{_anew(verdict.anew)}"
    if isinstance(verdict, Completed):
        return "complete: " + ", ".join(_opening(one.door, one.keyholder) for one in verdict.openings)
    if isinstance(verdict, Replayed):
        age = "used before" if verdict.opening.step == verdict.last.step else "older than the last one used"
        return f"complete, but {age}: {_opening(verdict.opening.door, verdict.opening.keyholder)}"
    if isinstance(verdict, Echoed):
        return "complete again from the source that used it: nothing to do"
    return "begins no sequence" if isinstance(verdict, Ignored) else "shunned: ignored"


def _anew(anew: bool) -> str:
    return ", and right as a first knock" if anew else ""


def _opening(door: str, keyholder: str | None) -> str:
    return f"{door} (keyholder {keyholder})" if keyholder else door


def about(config: Config, path: str, pid: int, up: int, step: int | None, unix: float) -> dict[str, Any]:
    """The daemon itself: what it runs and since when."""
    told: dict[str, Any] = {
        "version": __version__,
        "pid": pid,
        "config": path,
        "watch": config.watch,
        "up": seconds(up),
    }
    if step is not None:
        told["step"] = {"now": step, "left": round(STEP - unix % STEP, 3)}
    return told
