"""The ledger behind a thread of its own: the daemon's loop never waits for a disk.

What cannot be written is told and counted, and work goes on: a full disk shuts nobody out. The uses of
rotating sequences that could not be written are owed: noted in a file beside the control socket, in memory
(tmpfs) on a host with systemd, so that a daemon that dies does not forget them, and tried again.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
from collections import deque
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Final, TypeVar

from portress.admissions import Admission
from portress.events import Events
from portress.knock import SECOND, Source
from portress.ledger.ledger import Ledger, LedgerError

BATCH: Final = 500  # writes in one transaction

Result = TypeVar("Result")
Write = Callable[[Ledger], None]
Entry = tuple[str, str, int, Source, float]  # keyholder, door, step, source, unix seconds


class _Renewal:
    """The write of a renewal: `until` may move on while it waits."""

    def __init__(self, admission: Admission, until: float) -> None:
        self.admission = admission
        self.until = until

    def __call__(self, ledger: Ledger) -> None:
        if self.admission.row is not None:
            ledger.renewed(self.admission.row, self.until)


class Books:
    """Writes the ledger in order, in one thread. `ledger` is None where it could not be opened at all.

    `unix` gives the present in unix seconds, `clock` in ns; `owed` is the file of
    uses that the ledger did not take. Set `observe` to be told each write's seconds.
    """

    def __init__(
        self,
        ledger: Ledger | None,
        events: Events,
        unix: Callable[[], float],
        clock: Callable[[], int],
        owed: Path,
    ) -> None:
        self.ledger = ledger
        self.failures = 0
        self.observe: Callable[[float], None] = lambda _seconds: None
        self._events = events
        self._unix = unix
        self._clock = clock
        self._thread = ThreadPoolExecutor(1, "ledger")
        self._owed_file = owed
        self._owed: list[Entry] = []
        self._waiting: deque[Write] = deque()
        self._renewals: dict[int, _Renewal] = {}  # those waiting, by the admission's identity
        self._writing: asyncio.Task[None] | None = None

    async def use(
        self, keyholder: str, door: str, step: int, source: Source, at: float | None = None
    ) -> bool:
        """Note a use, durably; False if the sequence was used before. True also if it cannot be written."""
        entry = (keyholder, door, step, source, self._unix() if at is None else at)
        done = await self._do(lambda ledger: ledger.use(*entry))
        if done is None:
            self._owed.append(entry)
            self._note_owed()
        return done is not False

    def owed(self) -> dict[tuple[str, str], tuple[int, Source]]:
        """The uses that a daemon before this one owed the ledger: the last step and its source."""
        try:
            lines = self._owed_file.read_text().splitlines()
        except OSError:
            return {}
        found: dict[tuple[str, str], tuple[int, Source]] = {}
        for line in lines:
            with contextlib.suppress(ValueError, TypeError):
                keyholder, door, step, source, at = json.loads(line)
                entry = (keyholder, door, int(step), Source.parse(source), float(at))
                self._owed.append(entry)
                if entry[2] >= found.get(entry[:2], (0, entry[3]))[0]:
                    found[entry[:2]] = entry[2:4]
        return found

    def _note_owed(self) -> None:
        """The file says what is owed, or is gone."""
        lines = [
            json.dumps([keyholder, door, step, str(source), at]) + "\n"
            for keyholder, door, step, source, at in self._owed
        ]
        try:
            if lines:
                descriptor = os.open(self._owed_file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
                with os.fdopen(descriptor, "w") as file:
                    file.writelines(lines)
            else:
                self._owed_file.unlink(missing_ok=True)
        except OSError as error:
            self._events.tell("ledger", f"{self._owed_file}: cannot be written either: {error.strerror}")

    def admitted(self, admission: Admission, until: float, step: int | None = None) -> None:
        """Note an admission that lasts until the moment `until` (unix seconds)."""
        since, source = self._unix(), admission.source
        door, keyholder, how = admission.door, admission.keyholder, admission.how

        def write(ledger: Ledger) -> None:
            admission.row = None  # that of an earlier attempt, taken back
            admission.row = ledger.admitted(source, door, since, until, keyholder, step, how)

        self._later(write)

    def renewed(self, admission: Admission, until: float) -> None:
        """Note that an admission now lasts until the moment `until` (unix seconds).

        However often it is renewed before it is written, that is one write.
        """
        waiting = self._renewals.get(id(admission))
        if waiting is not None:
            waiting.until = until
        else:
            renewal = self._renewals[id(admission)] = _Renewal(admission, until)
            self._later(renewal)

    def ended(self, admission: Admission, how: str) -> None:
        """Note an admission's end."""
        at = self._unix()

        def write(ledger: Ledger) -> None:
            if admission.row is not None:
                ledger.ended(admission.row, at, how)

        self._later(write)

    async def forget(self, keyholders: Collection[str]) -> None:
        """Drop what is remembered of keyholders whose secret is another one now."""
        self._owed = [entry for entry in self._owed if entry[0] not in keyholders]
        await self._do(lambda ledger: ledger.forget(*keyholders))

    async def settle(self) -> None:
        """Try again what could not be written before."""
        owed, self._owed = self._owed, []
        for entry in owed:
            await self.use(*entry[:4], at=entry[4])
        if owed and not self._owed:
            self._note_owed()

    async def prune(self, before: float) -> None:
        """Drop the admissions that ended before a moment (unix seconds)."""
        await self._do(lambda ledger: ledger.prune(before))

    async def close(self) -> None:
        """Write what is waiting, and close the file."""
        if self._writing is not None:
            await self._writing
        await self.settle()
        if self.ledger is not None:
            with contextlib.suppress(LedgerError):
                self.ledger.close()
        self._thread.shutdown()

    def _later(self, write: Write) -> None:
        """Have `write` done, after those before it; many that wait cost the disk one write."""
        self._waiting.append(write)
        if self._writing is None:
            self._writing = asyncio.get_running_loop().create_task(self._write())

    async def _write(self) -> None:
        while self._waiting:
            some = [self._waiting.popleft() for _ in range(min(BATCH, len(self._waiting)))]
            for one in some:
                if isinstance(one, _Renewal):
                    del self._renewals[id(one.admission)]  # the next one is another write
            if len(some) > 1 and await self._do(partial(_together, some)):
                continue
            for write in some:  # one that cannot be written keeps no other from it
                await self._do(write)
        self._writing = None

    async def _do(self, write: Callable[[Ledger], Result]) -> Result | None:
        """The result of `write`, None if the ledger cannot be written."""
        ledger = self.ledger
        if ledger is None:
            return None
        begun = self._clock()
        try:
            result = await asyncio.get_running_loop().run_in_executor(self._thread, write, ledger)
        except LedgerError as error:
            self.failures += 1
            self._events.tell("ledger", f"the ledger was not written: {error}")
            return None
        self.observe((self._clock() - begun) / SECOND)
        return result


def _together(some: list[Write], ledger: Ledger) -> bool:
    """Do all in one transaction; False, and nothing is done, if one fails."""
    try:
        with ledger.together():
            for write in some:
                write(ledger)
    except LedgerError:
        return False
    return True
