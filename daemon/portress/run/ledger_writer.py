"""The ledger behind a thread of its own: the daemon's loop never waits for a disk.

What cannot be written is told and counted, and work goes on: a full disk shuts nobody out. The uses of
rotating sequences that could not be written are owed: noted in the mark beside the control socket
(use_mark.py), so that a daemon that dies does not forget them, and tried again. A use that can be noted in
neither place opens nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Final, Literal, TypeVar

from portress.admissions import Admission, How, came
from portress.events import Events
from portress.knock import SECOND, Source
from portress.ledger.ledger import Ledger, LedgerError
from portress.ledger.paper import PaperUses
from portress.run import use_mark
from portress.run.afterwards import Hurry
from portress.run.timing import Timing
from portress.run.use_mark import Entry, Mark

BATCH: Final = 500  # writes in one transaction
# In a fleet, admissions may wait so long (s): other gateways open their doors before this disk is kept busy,
# and what came from others is in the store as well.
OWN_LATER: Final = 0.01
OTHERS_LATER: Final = 1.0

Result = TypeVar("Result")
Write = Callable[[Ledger], None]
# What became of a use: it counts, it was one too many, it cannot be noted.
Noted = Literal["new", "used", "nowhere"]


# The writes are small objects and no functions, which have five parts for the collector to look through.


class _Begin:
    """The write of a new admission."""

    __slots__ = ("admission", "paper", "since", "source", "step", "until")

    def __init__(
        self, admission: Admission, since: float, until: float, step: int | None, paper: str
    ) -> None:
        self.admission, self.source = admission, admission.source
        self.since, self.until = since, until
        self.step, self.paper = step, paper

    def __call__(self, ledger: Ledger) -> None:
        one = self.admission
        one.row = None  # that of an earlier attempt, taken back
        one.row = ledger.admitted(
            self.source, one.door, self.since, self.until, one.keyholder, self.step, one.how, self.paper
        )


class _End:
    """The write of an admission's end."""

    __slots__ = ("admission", "at", "how")

    def __init__(self, admission: Admission, at: float, how: str) -> None:
        self.admission, self.at, self.how = admission, at, how

    def __call__(self, ledger: Ledger) -> None:
        if self.admission.row is not None:
            ledger.ended(self.admission.row, self.at, self.how)


class _Renewal:
    """The write of a renewal: `until` may move on while it waits."""

    __slots__ = ("admission", "until")

    def __init__(self, admission: Admission, until: float) -> None:
        self.admission = admission
        self.until = until

    def __call__(self, ledger: Ledger) -> None:
        if self.admission.row is not None:
            ledger.renewed(self.admission.row, self.until)


class _Many:
    """The write of many admissions, each with its end (unix seconds), since a moment."""

    def __init__(self, admissions: Sequence[tuple[Admission, float]], since: float) -> None:
        self.admissions = admissions
        self.since = since

    def __call__(self, ledger: Ledger) -> None:
        with ledger.together():
            for one, until in self.admissions:
                one.row = None
                one.row = ledger.admitted(
                    one.source, one.door, self.since, until, one.keyholder, one.step, one.how
                )


class LedgerWriter:
    """Writes the ledger in order, in one thread. `ledger` is None where it could not be opened at all.

    `unix` gives the present in unix seconds, `clock` in ns; `mark` is the file that proves that all uses are
    known, `boot` names this boot.
    """

    def __init__(
        self,
        ledger: Ledger | None,
        events: Events,
        unix: Callable[[], float],
        clock: Callable[[], int],
        mark: Path,
        boot: str,
        witnesses: Sequence[Path] | None = None,
        *,
        in_fleet: bool = False,
    ) -> None:
        """`witnesses`: the directories that have those of the uses of sequences on paper; None: no paper."""
        self.ledger = ledger
        self.paper: PaperUses | None = None  # of that ledger
        self.failures = 0
        self.writing = Timing(0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.5, 1, 5)
        self._events = events
        self._unix = unix
        self._clock = clock
        self._thread = ThreadPoolExecutor(1, "ledger")
        self._mark_file = mark
        self._boot = boot
        self._doubt: float | None = None
        self._record = ""
        self._witnesses = witnesses
        self._troubles: deque[str] = deque()  # to be told
        self._owed: list[Entry] = []  # touched by the thread alone, once it has work
        self._waiting: deque[Write] = deque()
        self._renewals: dict[int, _Renewal] = {}  # those waiting, by the admission's identity
        self._writing: asyncio.Task[None] | None = None
        self._hurry = Hurry()
        self._in_fleet, self._held = in_fleet, False
        self._open_paper()
        self._report()

    def begin(self, doubt: float | None, owed: tuple[Entry, ...]) -> None:
        """Write the mark for the first time: `doubt` as there, `owed` what a daemon before this one owed the
        ledger."""
        self._doubt, self._owed = doubt, list(owed)
        self._write_mark()
        self._report()

    def records(self, record: str) -> None:
        """The guard records uses by itself, under that name; "" if it does not."""
        if record != self._record:
            self._record = record
            self._thread.submit(self._write_mark)

    async def use(self, claim: bytes, door: str, step: int, source: Source) -> Noted:
        """Note a use, durably, in the ledger or in the mark."""
        entry = (claim, door, step, source, self._unix())
        return await self._in_thread(lambda: self._use(entry))

    def _use(self, entry: Entry) -> Noted:
        if self.ledger is None:
            return "nowhere"
        try:
            if not self.ledger.use(*entry, coming=self._write_mark):
                return "used"
        except LedgerError as error:
            self._failed(error)
            self._owed.append(entry)
            if self._write_mark():
                return "new"
            self._owed.remove(entry)
            return "nowhere"
        self._write_mark()
        return "new"

    def _open_paper(self) -> None:
        """Know the uses of sequences on paper; without a ledger that can be read there is none."""
        if self.ledger is None or self._witnesses is None or self.era:
            return
        try:
            self.paper = PaperUses(self.ledger, self._witnesses, self._unix, os.urandom)
        except LedgerError as error:
            self._troubles.append(f"the uses of paper cannot be read: {error}")
            return
        if self.paper.trouble is not None:
            self._troubles.append(self.paper.trouble)

    async def paper_again(self) -> bool:
        """Try again to know the uses of paper. True if there is paper at last."""
        if self.era:
            return False
        await self._in_thread(self._open_paper)
        return bool(self.era)

    def without_paper(self) -> None:
        """The uses of paper cannot be read: there is none."""
        self.paper = None

    @property
    def era(self) -> str:
        """The era of the paper in force; empty where no use could be recorded."""
        return "" if self.paper is None else self.paper.era

    async def use_paper(self, claim: bytes, door: str, source: Source) -> Noted:
        """Note the use of a sequence on paper, durably: in the ledger and with the witnesses. The one
        place where such a use is claimed.
        """
        return await self._in_thread(lambda: self._use_paper(claim, door, source))

    def _use_paper(self, claim: bytes, door: str, source: Source) -> Noted:
        if self.paper is None:
            return "nowhere"
        try:
            noted = self.paper.use(claim, door, source)
        except LedgerError as error:
            self._failed(error)
            return "nowhere"
        if self.paper.trouble is not None:
            self._troubles.append(self.paper.trouble)
        return noted

    def _write_mark(self, coming: int | None = None) -> bool:
        """The mark says what is known, and the digest that the ledger is about to have. False if it cannot be
        written: then there is none, and the next daemon knows that it does not know."""
        digest = 0 if self.ledger is None else self.ledger.digest
        try:
            mark = Mark(digest, self._doubt, tuple(self._owed), self._record, coming)
            use_mark.write(self._mark_file, self._boot, mark)
        except OSError as error:
            if coming is None:  # else it is tried again in a moment
                self._troubles.append(f"{self._mark_file}: cannot be written: {error.strerror or error}")
            return False
        return True

    def admitted(
        self,
        admission: Admission,
        until: float,
        step: int | None = None,
        *,
        since: float | None = None,
        paper: str = "",
    ) -> None:
        """Note an admission that lasts until the moment `until`, since now or `since` (unix seconds)."""
        since = self._unix() if since is None else since
        self._later(_Begin(admission, since, until, step, paper), self._patience(admission.how))

    def admitted_all(self, admissions: Sequence[tuple[Admission, float]]) -> None:
        """Note admissions of other gateways, each with its end (unix seconds), in one write."""
        self._later(_Many(admissions, self._unix()), OTHERS_LATER)

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Around a start that takes in what others did: it does not wait for the writing of that."""
        self._held = True
        try:
            yield
        finally:
            self._held = False
            if self._waiting:
                self._hurry.within(OTHERS_LATER)

    def _patience(self, how: str) -> float:
        """How long (s) the write of an admission may wait."""
        if not self._in_fleet:
            return 0.0
        return OTHERS_LATER if came(how)[0] == How.FLEET else OWN_LATER

    def renewed(self, admission: Admission, until: float) -> None:
        """Note that an admission now lasts until the moment `until` (unix seconds).

        However often it is renewed before it is written, that is one write.
        """
        waiting = self._renewals.get(id(admission))
        if waiting is not None:
            waiting.until = until
        else:
            renewal = self._renewals[id(admission)] = _Renewal(admission, until)
            self._later(renewal, self._patience(admission.how))

    def ended(self, admission: Admission, how: str) -> None:
        """Note an admission's end."""
        self._later(_End(admission, self._unix(), how))

    async def settle(self) -> None:
        """Try again what could not be written before."""
        if self._owed:
            await self._do(self._settle)

    def _settle(self, ledger: Ledger) -> None:
        before = len(self._owed)
        try:
            while self._owed:
                ledger.use(*self._owed[0], coming=self._write_mark)
                del self._owed[0]
        finally:
            if len(self._owed) != before:
                self._write_mark()

    async def resume(self, ledger: Ledger, doubt: float) -> None:
        """Go on with a ledger that could be opened at last; `doubt` as in the mark."""

        def take() -> None:
            self.ledger, self._doubt = ledger, doubt
            self._write_mark()

        await self._in_thread(take)

    async def prune(self, before: float) -> None:
        """Drop the admissions that ended before a moment (unix seconds)."""
        await self._do(lambda ledger: ledger.prune(before))

    async def close(self) -> None:
        """Write what is waiting, and close the file."""
        if self._writing is not None:
            self._hurry.set()
            await self._writing
        await self.settle()
        self._thread.shutdown()  # what it still does with the file, pruning for example, comes to its end
        if self.ledger is not None:
            with contextlib.suppress(LedgerError):
                self.ledger.close()

    def _later(self, write: Write, within: float = 0.0) -> None:
        """Have `write` done `within` so many seconds, after those before it; many that wait cost the disk one
        write."""
        self._waiting.append(write)
        if not within:
            self._hurry.set()
        elif not (self._held and within == OTHERS_LATER):
            self._hurry.within(within)
        if self._writing is None:
            self._writing = asyncio.get_running_loop().create_task(self._write())

    async def _write(self) -> None:
        await self._hurry.wait()
        self._hurry.clear()
        while self._waiting:
            some = [self._waiting.popleft()]
            while self._waiting and len(some) < BATCH and not isinstance(self._waiting[0], _Many):
                some.append(self._waiting.popleft())
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
        try:
            return await self._in_thread(lambda: write(ledger))
        except LedgerError as error:
            self._failed(error)
            self._report()
            return None

    async def _in_thread(self, work: Callable[[], Result]) -> Result:
        """What `work` makes of the ledger, in the one thread that may."""
        begun = self._clock()
        try:
            return await asyncio.get_running_loop().run_in_executor(self._thread, work)
        finally:
            self.writing.observe((self._clock() - begun) / SECOND)
            self._report()

    def _failed(self, error: LedgerError) -> None:
        self.failures += 1
        self._troubles.append(f"ledger write failed: {error}")

    def _report(self) -> None:
        """Tell what went wrong, in the loop's thread."""
        while self._troubles:
            self._events.tell("ledger", self._troubles.popleft())


def _together(some: list[Write], ledger: Ledger) -> bool:
    """Do all in one transaction; False, and nothing is done, if one fails."""
    try:
        with ledger.together():
            for write in some:
                write(ledger)
    except LedgerError:
        return False
    return True
