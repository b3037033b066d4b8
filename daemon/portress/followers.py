"""Those who follow what happens, as it happens: `portress follow`, over the control socket.

In: events as they are told, and, for those who may know them, knocks. Out: for each follower what it asked
for, in order. A follower that does not keep up loses the oldest lines and is told how many it lost; nobody
waits for it.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable, Mapping
from datetime import UTC, datetime
from typing import Any, Final

from attrs import define, field

from portress.knock import Knock, Source
from portress.verdict import Verdict
from portress.verdict_words import NAMES, fields, say

ROOM: Final = 1000  # lines that wait for one follower


@define(eq=False)
class Follower:
    """One who follows. Empty `events` and `doors`: all; `closely`: knocks, too."""

    events: frozenset[str]
    doors: frozenset[str]
    closely: bool
    conceal: (
        Callable[[str, str], str] | None
    )  # what is left of an event's text for those who may not know all
    lines: deque[dict[str, Any]] = field(factory=deque)
    lost: int = 0
    news: asyncio.Event = field(factory=asyncio.Event)

    def wants(self, name: str, doors: str) -> bool:
        """Whether an event of that kind, about these doors (separated by commas), is for it."""
        if self.events and name not in self.events:
            return False
        return not self.doors or bool(self.doors.intersection(doors.split(", ")))

    def put(self, line: dict[str, Any]) -> None:
        """Have a line sent."""
        if len(self.lines) >= ROOM:
            self.lines.popleft()
            self.lost += 1
        self.lines.append(line)
        self.news.set()

    async def stream(self) -> AsyncIterator[dict[str, Any]]:
        """What happens, for as long as somebody reads."""
        while True:
            if not self.lines:
                self.news.clear()
                await self.news.wait()
            if self.lost:
                lost, self.lost = self.lost, 0
                text = f"{lost} lines skipped: you did not keep up"
                yield {"MESSAGE": text, "PORTRESS_EVENT": "skipped", "PORTRESS_COUNT": str(lost)}
            yield self.lines.popleft()


class Followers:
    """All who follow. `unix` gives unix seconds."""

    def __init__(self, unix: Callable[[], float]) -> None:
        self._all: set[Follower] = set()
        self._unix = unix
        self.closely = False  # whether any of them follows knocks

    def __len__(self) -> int:
        return len(self._all)

    def add(self, follower: Follower) -> None:
        """Tell it everything from now on."""
        self._all.add(follower)
        self.closely = any(one.closely for one in self._all)

    def remove(self, follower: Follower) -> None:
        """Tell it nothing any more."""
        self._all.discard(follower)
        self.closely = any(one.closely for one in self._all)

    def want(self, name: str) -> bool:
        """Whether somebody asked for events of that kind by name, which may be told to nobody else."""
        return any(name in one.events for one in self._all)

    def tell(self, name: str, priority: int, message_id: str, text: str, told: Mapping[str, str]) -> None:
        """An event, with the journal's fields."""
        if not self._all:
            return
        base = {**told, "PRIORITY": str(priority), "MESSAGE_ID": message_id, "time": self._now()}
        for one in self._all:
            if one.wants(name, told.get("PORTRESS_DOOR", "")):
                message = text if one.conceal is None else one.conceal(name, text)
                one.put({"MESSAGE": message, **base})

    def knock(self, source: Source, knock: int, verdict: Verdict) -> None:
        """A knock and what came of it, for those who follow closely."""
        said = fields(verdict)
        doors = ", ".join(getattr(verdict, "doors", ()))
        line = {
            "MESSAGE": f"{source}: {Knock(knock)}: {say(verdict)}",
            "PORTRESS_EVENT": "knock",
            "PORTRESS_SOURCE": str(source),
            "PORTRESS_KNOCK": str(Knock(knock)),
            "PORTRESS_VERDICT": NAMES[type(verdict)],
            **{f"PORTRESS_{key.upper()}": str(said[key]) for key in ("right", "of") if key in said},
            **({"PORTRESS_DOOR": doors} if doors else {}),
            "time": self._now(),
        }
        for one in self._all:
            if one.closely and (not one.doors or one.wants("knock", doors)):
                one.put(line)

    def _now(self) -> str:
        moment = datetime.fromtimestamp(self._unix(), UTC)
        return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
