"""Opens and closes the doors: every admission, renewal, dismissal and end goes through here.

In: who completed what, and what the administrator asks. Out: the guard's sets, the register, the ledger,
the events. It decides nothing about knocks.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Container, Iterable

from portress.admissions import Admission, Register
from portress.config.model import Config
from portress.durations import counted, spell
from portress.events import Events
from portress.guard import flows
from portress.guard.ruleset import Ruleset
from portress.guard.table import GuardError, Held, Table
from portress.knock import SECOND, Expected, Source
from portress.ledger.ledger import Record
from portress.run.ledger_writer import Books

Ask = tuple[str, Source, int, str | None, int | None, str]  # door, source, ns, keyholder, step, how


class Doorkeeper:
    """Keeps the doors of `config` in the guard `table`. `clock` gives ns, `unix` unix seconds.

    `repair` is called when the guard refuses an admission: it puts the guard back.
    """

    def __init__(
        self,
        config: Config,
        table: Table,
        books: Books,
        events: Events,
        clock: Callable[[], int],
        unix: Callable[[], float],
    ) -> None:
        self.config = config
        self.register = Register()
        self.admitted: dict[tuple[str, str], int] = {}  # how many, by (door, how)
        self.until: dict[str, float] = {}  # when keyholders end (unix seconds), those that do
        self.repair: Callable[[str], None] = lambda _cause: None
        self._refused: set[Source] = set()  # dismissed, and not admitted since
        self._table = table
        self._books = books
        self._events = events
        self._clock = clock
        self._unix = unix

    def open(self, openings: Iterable[tuple[Expected, Source]]) -> None:
        """Let in those who completed a sequence, each for the door's stay, or as long as a keyholder may."""
        asks: list[Ask] = []
        for one, source in openings:
            door = self.config.doors.get(one.door)
            if door is not None:
                until = self.until.get(one.keyholder) if one.keyholder is not None else None
                left = door.stay if until is None else round((until - self._unix()) * SECOND)
                if left > 0:
                    asks.append((one.door, source, min(left, door.stay), one.keyholder, one.step, "knock"))
        self.admit(asks)

    def admit(self, asks: Iterable[Ask]) -> list[Admission]:
        """Admit, or renew: the stay is set anew and never shortened. Raises GuardError."""
        now, new = self._clock(), True
        wanted = []
        for ask in asks:
            door, source, ns = ask[:3]
            known = self.register.get(door, source)
            if known is None or known.until < now + ns:
                wanted.append(ask)
                new = new and known is None
        entries = [ask[:3] for ask in wanted]
        if entries:
            try:
                self._table.admit(entries, new=new)
            except GuardError:
                self.repair("missing")
                self._table.admit(entries, new=new)
            self._refuse_no_more({source for _, source, _ in entries})
        return [self._note(ask, now) for ask in wanted]

    def _note(self, ask: Ask, now: int) -> Admission:
        door, source, ns, keyholder, step, how = ask
        until, until_unix = now + ns, self._unix() + ns / SECOND
        known = self.register.get(door, source)
        if known is not None and known.keyholder == keyholder:
            known.until = until
            self.register.put(known)
            self._books.renewed(known, until_unix)
            admission = known
        else:
            if known is not None:
                self._books.ended(known, "superseded")
            admission = Admission(door, source, now, until, keyholder, how)
            self.register.put(admission)
            self._books.admitted(admission, until_unix, step)
        self.admitted[door, how] = self.admitted.get((door, how), 0) + 1
        self._tell_admitted(admission, ns, again=known is not None, how=how)
        return admission

    def _tell_admitted(self, admission: Admission, ns: int, *, again: bool, how: str) -> None:
        who = f", keyholder {admission.keyholder}" if admission.keyholder else ""
        by = {"knock": "", "command": ", by command", "restored": ", restored from the ledger"}.get(how, "")
        self._events.tell(
            "admitted",
            f"{admission.source} admitted{' again' if again else ''} to {admission.door}"
            f" for {spell(ns)}{who}{by}",
            source=admission.source,
            door=admission.door,
            keyholder=admission.keyholder,
            stay=ns // SECOND,
        )

    def dismiss(self, source: Source, door: str | None, how: str = "dismissed") -> list[Admission]:
        """End the source's admissions, through that door or through all of them."""
        chosen = [one for one in self.register.of(source) if door is None or one.door == door]
        return self._dismiss(chosen, how)

    def cut(self, source: Source, door: str | None) -> int:
        """End what goes on of a source that is admitted no more: how many flows were cut."""
        self._refuse([source])
        doors = [one for one in self.config.doors.values() if door is None or one.name == door]
        with contextlib.suppress(OSError):
            count = flows.cut(source, [service for one in doors for service in one.services])
            if count:
                text = f"{source}: {counted(count, 'flow')} that outlived the admission cut by command"
                self._events.tell("dismissed", text, source=source, door=door)
            return count
        return 0

    def keep_only(self, keys: Container[tuple[str, str]]) -> list[Admission]:
        """End the admissions of keyholders at doors other than these `keys` (keyholder, door)."""
        chosen = [
            one
            for one in self.register
            if one.keyholder is not None and (one.keyholder, one.door) not in keys
        ]
        return self._dismiss(chosen, "unenrolled")

    def _refuse(self, sources: Iterable[Source]) -> None:
        """Have every packet of theirs need an admission: also of a flow that this host itself keeps alive."""
        wanted = set(sources)
        if wanted:
            with contextlib.suppress(
                GuardError
            ):  # so many were dismissed in a day: their flows are cut all the same
                self._table.refuse(wanted)
                self._refused |= wanted

    def _refuse_no_more(self, sources: Iterable[Source]) -> None:
        gone = self._refused & set(sources)
        if gone:
            with contextlib.suppress(GuardError):
                self._table.refuse_no_more(gone)
            self._refused -= gone

    def _dismiss(self, chosen: list[Admission], how: str) -> list[Admission]:
        self._table.dismiss((one.door, one.source) for one in chosen)
        self._refuse(one.source for one in chosen)
        for one in chosen:
            self.register.remove(one.door, one.source)
            self._end(one, how, "dismissed")
        return chosen

    def expire(self) -> None:
        """See to the admissions that the kernel has ended by their timeouts."""
        for one in self.register.expire(self._clock()):
            self._end(one, "expired", "ended")

    def _end(self, admission: Admission, how: str, event: str) -> None:
        self._books.ended(admission, how)
        door = self.config.doors.get(admission.door)
        cut = ""
        if door is not None and (not door.linger or how in ("dismissed", "unenrolled")):
            with contextlib.suppress(OSError):
                count = flows.cut(admission.source, door.services)
                cut = f", {counted(count, 'flow')} cut" if count else ""
        self._events.tell(
            event,
            f"{admission.source}'s admission to {admission.door} ended: {how}{cut}",
            source=admission.source,
            door=admission.door,
            keyholder=admission.keyholder,
            ending=how,
        )

    def take_over(self, held: Iterable[Held], records: Iterable[Record]) -> int:
        """Know the admissions found in the kernel, with what the ledger says of them; how many."""
        known = {(one.door, one.source): one for one in records}
        self._refused = self._table.refused()
        now, unix, count = self._clock(), self._unix(), 0
        for one in held:
            record = known.pop((one.door, one.source), None)
            if record is None:
                admission = Admission(one.door, one.source, now, now + one.left, None, "found")
                self._books.admitted(admission, unix + one.left / SECOND)
            else:
                since = now - round((unix - record.since) * SECOND)
                admission = Admission(
                    one.door, one.source, since, now + one.left, record.keyholder, record.how, record.row
                )
            self.register.put(admission)
            count += 1
        return count

    def restore(self, records: Iterable[Record]) -> int:
        """Admit again, for the time left, those that the ledger has and the kernel has not; how many."""
        unix = self._unix()
        asks: list[Ask] = []
        rows: dict[tuple[str, Source], int] = {}
        for one in records:
            if one.door in self.config.doors and self.register.get(one.door, one.source) is None:
                left = round((one.until - unix) * SECOND)
                asks.append((one.door, one.source, left, one.keyholder, one.step, "restored"))
                rows[one.door, one.source] = one.row
        self._table.admit(ask[:3] for ask in asks)
        now = self._clock()
        for door, source, left, keyholder, _, how in asks:
            admission = Admission(door, source, now, now + left, keyholder, how, rows[door, source])
            self.register.put(admission)
            self.admitted[door, how] = self.admitted.get((door, how), 0) + 1
            self._tell_admitted(admission, left, again=False, how=how)
        return len(asks)

    def reconfigure(self, config: Config, ended: Iterable[Held]) -> None:
        """Work from `config` now. `ended` are the admissions that the guard could not carry over."""
        gone = {(one.door, one.source) for one in ended}
        for one in [each for each in self.register if (each.door, each.source) in gone]:
            self.register.remove(one.door, one.source)
            self._end(
                one, "door removed" if one.door not in config.doors else "source_prefix changed", "ended"
            )
        widths = config.widths
        if widths != self.config.widths:
            # Of sources that are one now, the longest admission comes last and stays.
            for one in sorted(self.register, key=lambda each: each.until):
                source = Source.of(one.source.packed, widths[0] if one.source.family == 4 else widths[1])
                self.register.remove(one.door, one.source)
                one.source = source
                self.register.put(one)
            self._refuse({Source.of(one.packed, widths[one.family != 4]) for one in self._refused})
        self.config = config

    def put_back(self, ruleset: Ruleset) -> None:
        """Load the guard with every admission in force: somebody threw it away or changed it."""
        now = self._clock()
        self._table.load(
            ruleset, ((one.door, one.source, one.until - now) for one in self.register if one.until > now)
        )
        self._refuse(self._refused)
