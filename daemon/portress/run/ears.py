"""Listening to the watcher that the configuration wants, and to another one after a reload.

In: a configuration. Out: `listen` is called when the watcher's descriptor says so, or at its interval.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Protocol

from portress.config.model import Config
from portress.errors import Mistake
from portress.watch import Watcher
from portress.watch.which import watcher


class Hearer(Protocol):
    """Whoever is to hear."""

    def turn_to(self, watcher: Watcher) -> None: ...

    def listen(self) -> None: ...


class Hearing:
    """`clock` gives ns, `stamps` the ns of the clock that packets are stamped by; `state` is a directory."""

    def __init__(self, clock: Callable[[], int], stamps: Callable[[], int], state: Path) -> None:
        self._clock = clock
        self._stamps = stamps
        self._state = state
        self._open = contextlib.ExitStack()
        self._turned: tuple[Hearer, int] | None = None  # who hears what a descriptor says

    def try_out(self, config: Config) -> None:
        """Raises Mistake if nothing can be heard as `config` wants it."""
        with watcher(config, self._clock, self._stamps, self._state):
            pass

    def open(self, config: Config) -> Watcher:
        """The watcher that `config` wants. Raises Mistake."""
        watching = watcher(config, self._clock, self._stamps, self._state)
        self._open.enter_context(watching)
        return watching

    def turn(self, hearer: Hearer, watching: Watcher) -> None:
        """Have `hearer` hear an open watcher."""
        hearer.turn_to(watching)
        loop = asyncio.get_running_loop()
        if watching.interval is None:
            descriptor = watching.fileno()
            loop.add_reader(descriptor, hearer.listen)
            self._turned = hearer, descriptor
            self._open.callback(self._turn_away, descriptor)
        else:
            polling = loop.create_task(_poll(hearer, watching.interval))
            self._open.callback(polling.cancel)

    def _turn_away(self, descriptor: int) -> None:
        self._turned = None
        asyncio.get_running_loop().remove_reader(descriptor)

    @contextlib.contextmanager
    def paused(self) -> Iterator[None]:
        """Leave what is heard where it is meanwhile; what is only asked for at an interval comes."""
        loop = asyncio.get_running_loop()
        if self._turned is not None:
            loop.remove_reader(self._turned[1])
        try:
            yield
        finally:
            if self._turned is not None:
                hearer, descriptor = self._turned
                loop.add_reader(descriptor, hearer.listen)

    def change(self, hearer: Hearer, config: Config, old: Config) -> None:
        """Listen as `config` wants; if that cannot be had, as `old` does, and raise Mistake."""
        self.close()
        try:
            self.turn(hearer, self.open(config))
        except Mistake:
            self.close()
            self.turn(hearer, self.open(old))
            raise

    def close(self) -> None:
        """Listen no more."""
        self._open.close()


async def _poll(hearer: Hearer, interval: float) -> None:
    while True:
        await asyncio.sleep(interval)
        hearer.listen()
