"""Keeps knowing which doors are in fact open to strangers, and tells when one opens or closes.

It looks when the daemon starts, after a reload, after every change to nftables or the interfaces that the
kernel announces, and once a minute. In: those occasions. Out: `open`, the event `unguarded` with the reason,
and the words for `status` and `systemctl status`. The look itself is made by a thread: the loop goes on.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Final

from portress.config.model import Config
from portress.doctor.open_doors import Seen
from portress.durations import counted
from portress.errors import Mistake
from portress.events import Events
from portress.guard.changes import Changes
from portress.guard.closed import Answers, unknown
from portress.guard.vigil import Vigil

SOON: Final = 0.25  # seconds from a change to the look: changes come in crowds
PAUSE: Final = 2.0  # seconds between two looks at least, however often others change their rules

Probe = Callable[[Config], Seen]


class Exposure:
    """What `probe` finds of the configuration that `config` gives: doors open to strangers, and why."""

    def __init__(
        self,
        probe: Probe,
        config: Callable[[], Config],
        guarding: Callable[[], bool],
        events: Events,
        answered: Callable[[Answers], None],
    ) -> None:
        """`guarding`: whether the guard is meant to be there; where it is not, that is told elsewhere.
        `answered`: is given what this host's closed ports answer, at every look.
        """
        self.open: Mapping[str, str] = {}
        self._probe = probe
        self._config = config
        self._guarding = guarding
        self._seen: object = None
        self._events = events
        self._answered = answered
        self._thread = ThreadPoolExecutor(1, "exposure")
        self._next = 0.0
        self._due: asyncio.TimerHandle | None = None
        self._task: asyncio.Task[None] | None = None
        self._again = False

    def watch(self, vigil: Vigil, look: Callable[[], None]) -> contextlib.ExitStack:
        """Look for the first time, and whenever something changes. `look`: done first at nftables' changes.

        Closing what it returns ends that.
        """
        stack, loop = contextlib.ExitStack(), asyncio.get_running_loop()
        changes = stack.enter_context(Changes())

        def rules() -> None:
            look()
            if vigil.stirred:
                self.soon()

        def routes() -> None:
            if changes.read():
                self.soon()

        self._thread.submit(int)  # so that it is there before anybody counts threads
        stack.callback(self._close)
        for descriptor, heard in ((vigil.fileno(), rules), (changes.fileno(), routes)):
            loop.add_reader(descriptor, heard)
            stack.callback(loop.remove_reader, descriptor)
        self.soon()
        return stack

    def tick(self, *, minute: bool) -> None:
        """Once a second: look if the daemon itself changed the guard, and once a `minute`."""
        now = (self._config(), self._guarding())
        if minute or now != self._seen:
            self._seen = now
            self.soon()

    def soon(self) -> None:
        """Have a look before long; several occasions share one."""
        if self._due is not None:
            return
        loop = asyncio.get_running_loop()
        at = max(loop.time() + SOON, self._next)
        self._due = loop.call_at(at, self._begin)

    def _begin(self) -> None:
        self._due = None
        loop = asyncio.get_running_loop()
        if self._task is not None and not self._task.done():
            self._again = True
            return
        self._next = loop.time() + PAUSE
        self._task = loop.create_task(self.look())

    async def look(self) -> None:
        """Look now. What cannot be looked at is told once and leaves what was known."""
        config = self._config()
        try:
            found = await asyncio.get_running_loop().run_in_executor(self._thread, self._probe, config)
        except (Mistake, OSError, ValueError, RuntimeError) as error:
            self._events.tell("warning", f"cannot check whether the doors are closed: {error}")
            self._answered(unknown(str(error)))
            return
        if config is self._config():
            self._take(found.open)
            self._answered(found.answers)
        else:
            self._again = True
        if self._again:
            self._again = False
            self.soon()

    def _take(self, found: Mapping[str, str]) -> None:
        opened = {door: why for door, why in found.items() if door not in self.open and self._guarding()}
        for why in dict.fromkeys(opened.values()):
            doors = [door for door, one in opened.items() if one == why]
            text = f"unguarded: {', '.join(doors)} open to strangers: {why}"
            self._events.tell("unguarded", text, door=", ".join(doors))
        closed = [door for door in self.open if door not in found]
        if closed:
            self._events.tell("guarded", f"guarded again: {', '.join(closed)}", door=", ".join(closed))
        self.open = dict(found)

    def in_a_line(self) -> str:
        """For `systemctl status`, empty if every door is closed to strangers."""
        if not self.open:
            return ""
        first, why = next(iter(self.open.items()))
        more = f" and {counted(len(self.open) - 1, 'more door')}" if len(self.open) > 1 else ""
        return f"UNGUARDED: {first}{more} open to strangers ({why}); "

    def _close(self) -> None:
        if self._due is not None:
            self._due.cancel()
        self._thread.shutdown(wait=False, cancel_futures=True)
