"""Says what arrives while the administrator tries the door: knocks, admissions, the first login.

In: the daemon's events, over the control socket, and this host's connections. Out: lines; whether somebody
who was not admitted before has logged in.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any, Final

import click

from portress import control
from portress.begin.keyboard import answered
from portress.durations import spell
from portress.errors import Mistake
from portress.knock import SECOND, Service, Source
from portress.paths import Paths
from portress.prose import say
from portress.session import connected
from portress.shown import shown

PAUSE: Final = 0.5  # seconds between two looks at connections and keyboard
_SHOWN: Final = frozenset(
    {"knock", "admitted", "replayed", "shunned", "ended", "refused", "clock", "skipped"}
)


def said(line: dict[str, Any], why: str | None = None) -> str | None:
    """What is said of an event; None if it is of no interest here. `why` is more on a wrong knock."""
    name = line.get("PORTRESS_EVENT")
    if name not in _SHOWN:
        return None
    if name != "knock":
        return shown(str(line["MESSAGE"]))
    source, knock = line.get("PORTRESS_SOURCE", "?"), line.get("PORTRESS_KNOCK", "?")
    if line.get("PORTRESS_VERDICT") == "advanced":
        return f"{source}: {knock} right, {line.get('PORTRESS_RIGHT')} of {line.get('PORTRESS_OF')}"
    return shown(f"{source}: {knock} {why}" if why else str(line["MESSAGE"]))


def _source(line: dict[str, Any]) -> Source:
    """The source of an event, without the port where one connection is admitted ("192.0.2.7 port 40111")."""
    return Source.parse(str(line["PORTRESS_SOURCE"]).partition(" ")[0])


class Followed:
    """Follows a daemon in a thread of its own."""

    def __init__(self, paths: Paths) -> None:
        self._paths = paths
        self._lines: queue.Queue[dict[str, Any]] = queue.Queue()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        try:
            for line in control.follow(self._paths.socket, "follow", knocks=True):
                self._lines.put(line)
        except Mistake as mistake:
            self._lines.put({"PORTRESS_EVENT": "refused", "MESSAGE": str(mistake)})

    def why(self, line: dict[str, Any]) -> str | None:
        """What the daemon makes of a wrong knock: also which one was expected."""
        if line.get("PORTRESS_VERDICT") != "missed":
            return None
        try:
            told = control.ask(self._paths.socket, "why", source=str(_source(line)))
        except Mistake:
            return None
        knocks = (one for one in reversed(told["knocks"]) if one["verdict"] == "missed")
        return next((str(one["said"]) for one in knocks if one["knock"] == line["PORTRESS_KNOCK"]), None)

    def heard(self, seconds: float) -> list[dict[str, Any]]:
        """What came, waiting so long for the first of it."""
        found = []
        try:
            found.append(self._lines.get(timeout=seconds))
            while True:
                found.append(self._lines.get_nowait())
        except queue.Empty:
            return found


def peers(services: Iterable[Service]) -> set[Source]:
    """Who is connected to the services now."""
    return {Source.of(one.peer) for one in connected(services)}


def listen(
    ears: Followed, services: list[Service], until: float, now: Callable[[], float] = time.monotonic
) -> Source | None:
    """Say what arrives until somebody new logs in (who is returned), Enter is pressed, or `until`."""
    before = peers(services)
    admitted: set[Source] = set()
    while now() < until:
        for line in ears.heard(PAUSE):
            text = said(line, ears.why(line))
            if text is not None:
                say(f"  {text}")
            if line.get("PORTRESS_EVENT") == "admitted":
                admitted.add(_source(line))
        for peer in sorted(peers(services) - before, key=lambda one: (one.family, one.packed)):
            if any(peer.network.subnet_of(one.network) for one in admitted if one.family == peer.family):  # type: ignore[arg-type]
                return peer
        if answered(0.0) is not None:
            return None
    return None


def keep(until: float, now: Callable[[], float] = time.monotonic) -> bool:
    """Whether the guard stays: asked for as long as the trial lasts. No answer is a no."""
    left = spell(max(1, round(until - now())) * SECOND)
    click.echo(f"\nKeep it? Without an answer the guard is removed in {left}. [y/N] ", nl=False)
    while (left_s := until - now()) > 0:
        answer = answered(min(left_s, 1.0))
        if answer is not None:
            return answer.lower() in ("y", "yes")
    click.echo()
    return False
