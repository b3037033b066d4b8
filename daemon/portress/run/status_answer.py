"""What the daemon answers on the control socket about itself, for `status`. Values for JSON.

It is for whoever may read the socket: it holds no secret, and no port of a sequence.
"""

from __future__ import annotations

import json
import re
from collections.abc import Container, Iterable, Mapping
from functools import lru_cache
from socket import AF_INET, AF_INET6, inet_ntop
from typing import TYPE_CHECKING, Any, Final

from portress import __version__, hours
from portress.admissions import Admission, came
from portress.clock import STEP
from portress.config.model import Config, Door
from portress.durations import counted, utc
from portress.guard.closed import Answers, Kind
from portress.knock import PROTOCOL_NAMES, SECOND, TCP, UDP, Source
from portress.sequence.in_force import SequencesInForce, few
from portress.verdict import Advanced
from portress.verdict_words import NAMES

if TYPE_CHECKING:
    from portress.run.listener import Listener
    from portress.run.recovery import Doubt

MOST: Final = 1000  # callers and shunned sources listed; the totals count them all

_PLACE: Final = re.compile(r"[^:]*:\d+: [\w.\[\]-]*:?")  # portress.yaml:14: doors.ssh.fixed.knocks[1]:
_PORT: Final = re.compile(r"\b((?:tcp|udp)\W{1,6})\d[\d-]*")


def outcome(kind: type) -> str:
    """A verdict's name in metrics and status."""
    return NAMES[kind]


def seconds(ns: int) -> float:
    """`ns` in seconds, to the millisecond."""
    return round(ns / SECOND, 3)


def admission(one: Admission, now: int, unix: float) -> dict[str, Any]:
    """An admission; `left` in seconds."""
    return {
        "door": one.door,
        "source": str(one.source),
        "keyholder": one.keyholder,
        "how": came(one.how)[0],
        "gateway": came(one.how)[1] or None,
        "since": utc(unix - (now - one.since) / SECOND),
        "until": utc(unix + (one.until - now) / SECOND),
        "left": seconds(max(0, one.until - now)),
    }


@lru_cache(maxsize=4096)
def _words(door: str, keyholder: str | None, how: str) -> tuple[str, str]:
    """What an admission's line has before and behind its source."""
    how, _, gateway = how.partition(" ")
    words = [json.dumps(one) for one in (door, keyholder, how, gateway or None)]
    return (
        f'{{"door": {words[0]}, "source": "',
        f'", "keyholder": {words[1]}, "how": {words[2]}, "gateway": {words[3]}, "since": "',
    )


def _name(source: Source) -> str:
    """`str(source)`; of an address in which there is no IPv4 address, in a twentieth of the time."""
    packed = source.packed
    if source.port or source.length < len(packed) * 8 or packed[:2] == b"\0\0":
        return str(source)
    return inet_ntop(AF_INET if len(packed) == 4 else AF_INET6, packed)


def admission_line(one: Admission, now: int, unix: float) -> str:
    """`admission` as JSON, in a third of the time: there may be very many."""
    head, middle = _words(one.door, one.keyholder, one.how)
    since, left = unix - (now - one.since) / SECOND, one.until - now
    told = round(left / SECOND, 3) if left > 0 else 0.0
    return (
        f"{head}{_name(one.source)}{middle}{utc(since)}"
        f'", "until": "{utc(unix + left / SECOND)}", "left": {told}}}'
    )


def admission_lines(some: Iterable[Admission], now: int, unix: float) -> str:
    """The lines of some, each with its end."""
    return "".join([f"{admission_line(one, now, unix)}\n" for one in some])


def paper(sequences: SequencesInForce, used: Container[bytes]) -> list[dict[str, Any]]:
    """What is left on paper, by keyholder and door; `void` paper opens nothing any more."""
    left = [
        {"keyholder": who, "door": door, "left": left, "of": of, "few": few(left, of), "void": False}
        for (who, door), (left, of) in sequences.paper_left(used).items()
    ]
    void = [
        {"keyholder": who, "door": door, "left": 0, "of": 0, "few": True, "void": True}
        for who, door in sequences.void_paper
    ]
    return left + void


def door(one: Door, admitted: int, unix: float) -> dict[str, Any]:
    """A door, its hours, and for the authenticator style which ports a code is dialled on."""
    told: dict[str, Any] = {
        "name": one.name,
        "services": [str(service) for service in one.services],
        "openers": list(one.openers),
        "stay": seconds(one.stay),
        "linger": one.linger,
        "places": one.places,
        "admitted": admitted,
        "admits": "connection" if one.by_connection else "source",
        "leaving": "rotating" if one.leaving else "fixed" if one.leaving_fixed else None,
        "hours": None,
        "dial": None,
    }
    if one.hours:
        told["hours"] = {
            "open": hours.is_open(one.hours, unix),
            "opens": _at(hours.opens(one.hours, unix)),
            "closes": _at(hours.closes(one.hours, unix)),
            "zone": one.hours[0].zone,
            "windows": [str(window) for window in one.hours],
            "at_closing": one.at_closing,
        }
    if one.authenticator is not None:
        bases = [one.authenticator.base + 100 * pair for pair in range(4)]
        told["dial"] = {
            "ports": bases,
            "rule": "for the code AABBCCDD dial tcp "
            + ", ".join(f"{base}+{pair}" for base, pair in zip(bases, ("AA", "BB", "CC", "DD"), strict=True))
            + "; a code works once for all doors together: a second door needs the next one",
        }
    return told


def _at(unix: float | None) -> str | None:
    return None if unix is None else utc(unix)


def closed(config: Config, found: Answers) -> dict[str, Any]:
    """What strangers meet at guarded ports: by configuration and, where they are to look like other closed
    ports, what those answer to first packets, by protocol and address family."""
    if config.closed != "alike":
        return {"configured": config.closed, "answers": []}
    protocols = {one.protocol for door in config.doors.values() for one in door.services}
    named: tuple[tuple[int, Kind], ...] = ((TCP, "syn"), (UDP, "udp"))
    listed = [
        {
            "protocol": PROTOCOL_NAMES[protocol],
            "family": f"ipv{one.family}",
            "answer": one.how,
            "unknown": one.why or None,
        }
        for protocol, kind in named
        if protocol in protocols
        for one in found
        if one.kind == kind
    ]
    return {"configured": config.closed, "answers": listed}


def doors(config: Config, admitted: Mapping[str, int], unix: float) -> list[dict[str, Any]]:
    """Every door, with how many are admitted; `unix`: now."""
    return [door(one, admitted.get(name, 0), unix) for name, one in config.doors.items()]


def refusing(doubt: Doubt | None, unix: float) -> dict[str, Any] | None:
    """That rotating sequences are refused because nobody knows what was used; `left` (s) is None without
    end."""
    if doubt is None:
        return None
    left = None if doubt.until is None else round(max(0.0, doubt.until - unix), 3)
    until = None if doubt.until is None else utc(doubt.until)
    return {"why": doubt.why, "until": until, "left": left}


def caller(listener: Listener, packed: object, at: Advanced, left: int) -> dict[str, Any]:
    """A source that is part-way."""
    doors, source = list(at.doors), str(listener.source(_bytes(packed)))
    return {"source": source, "right": at.stage, "of": at.of, "doors": doors, "left": seconds(left)}


def shunned(listener: Listener, packed: object, left: int) -> dict[str, Any]:
    """A source whose knocks are ignored."""
    return {"source": str(listener.source(_bytes(packed))), "left": seconds(left)}


def knocks(listener: Listener) -> dict[str, Any]:
    """Counts of knocks, by what came of them, and of what the watcher missed."""
    return {
        "caller_limit": listener.tracker.limit,
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


def events(told: list[dict[str, Any]], unix: float, *, full: bool) -> list[dict[str, Any]]:
    """The last events. What is wrong with a configuration can quote a sequence: only `full` tells that."""
    return [
        {
            "time": utc(unix - one["ago"]),
            "event": one["event"],
            "text": one["text"] if full else without_ports(one["event"], one["text"]),
        }
        for one in told
    ]


def without_ports(event: str, text: str) -> str:
    """What is left of an event's text for those who may not read the configuration."""
    if event == "ready":  # names the doors' services, which everybody may know
        return text
    if event in ("warning", "refused") and (place := _PLACE.match(text)):
        return f"{place[0]} (shown in full to root)"
    return _PORT.sub(r"\1…", text)


def about(config: Config, path: str, pid: int, up: int, step: int | None, unix: float) -> dict[str, Any]:
    """The daemon itself: what it runs and since when."""
    told: dict[str, Any] = {
        "version": __version__,
        "pid": pid,
        "config": path,
        "watch": config.watch,
        "up": seconds(up),
        "time": utc(unix),
    }
    told["step"] = None if step is None else {"now": step, "left": round(STEP - unix % STEP, 3)}
    return told


def ready(config: Config, found: int, restored: int) -> str:
    """What a daemon says when it is ready: its doors, and the admissions it took over and restored."""
    doors = ", ".join(
        f"{door.name} ({' '.join(str(service) for service in door.services)})"
        for door in config.doors.values()
    )
    admissions = f"; {counted(found, 'admission')} taken over" if found else ""
    admissions += f"; {counted(restored, 'admission')} restored" if restored else ""
    return f"ready, watching by {config.watch}; doors: {doors}{admissions}"
