"""Opens and closes the doors: every admission, renewal, dismissal and end goes through here.

In: who completed what, and what the administrator asks. Out: the guard's sets, the register, the ledger,
the events. It decides nothing about knocks.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import Counter
from collections.abc import Callable, Container, Iterable, Iterator
from functools import partial

from attrs import evolve

from portress.admissions import Admission, Ending, Grant, How, came, shuts, stay_of
from portress.config.model import Config
from portress.durations import counted
from portress.events import Events, Minutely
from portress.guard import flows
from portress.guard.table import GuardError, NoRoom, Table
from portress.knock import SECOND, Source
from portress.register import Register
from portress.run import places
from portress.run.afterwards import LATER, Afterwards
from portress.run.fellows import Alone, Fellows
from portress.run.in_force import InForce
from portress.run.ledger_writer import LedgerWriter
from portress.run.places import New
from portress.run.restoring import Restoring


class Doorkeeper(Restoring):
    """Keeps the doors `in_force` in the guard `table`. `clock` gives ns, `unix` unix seconds."""

    def __init__(
        self,
        in_force: InForce,
        table: Table,
        ledger_writer: LedgerWriter,
        events: Events,
        clock: Callable[[], int],
        unix: Callable[[], float],
        fellows: Fellows | None = None,
    ) -> None:
        self._fellows = fellows or Alone()
        self.after = Afterwards(0.0 if isinstance(self._fellows, Alone) else LATER)
        self.register = Register()
        self.admitted: dict[tuple[str, str], int] = {}  # how many, by (door, how)
        self.connections: Counter[str] = Counter()  # of them, how many are of one connection, by door
        self.turned_away: Counter[str] = Counter()  # how many found their door full, by door
        self._refused: set[Source] = set()  # dismissed, and not admitted since
        self._recreated = 0  # when the guard's sets of those admitted were others
        self._in_force = in_force
        self._table = table
        self._ledger_writer = ledger_writer
        self._events = events
        self._clock = clock
        self._unix = unix
        self._full = Minutely(clock, self._tell_full)

    @property
    def config(self) -> Config:
        """The configuration in force."""
        return self._in_force.config

    @property
    def loading(self) -> asyncio.Lock:
        """Held while a thread loads the guard."""
        return self._in_force.loading

    def unix_at(self, when: int) -> float:
        """A moment of the clock in unix seconds."""
        return self._unix() - (self._clock() - when) / SECOND

    def _with_stay(self, grants: Iterable[Grant], *, knocked: bool = False) -> Iterator[Grant]:
        """Those whose door there is, with the door's stay, or as long as a keyholder may, where none is said:
        0 or less where the time is over. It is from now on; `knocked`: from the last knock on.
        """
        until = self._in_force.sequences.until
        for one in grants:
            if one.stay:
                yield one
            elif (door := self.config.doors.get(one.door)) is not None:
                moment = self.unix_at(one.when) if knocked else self._unix()
                yield evolve(one, stay=stay_of(door, until.get(one.keyholder or ""), moment))

    def opened(self, grants: Iterable[Grant]) -> None:
        """The guard itself has let these in, at the moments of their last knocks: note it.

        Where the stay is another than the door's, that is put right: a keyholder's end may come before, and
        an admission is never shortened.
        """
        for one in self._with_stay(grants, knocked=True):
            known = self.register.get(one.door, one.source)
            if known is not None and known.until > one.when + one.stay + _slack(known):
                with contextlib.suppress(NoRoom):  # the time that the guard gave is what there is
                    self._table.admit([known.rest(self._clock())], came=True)
                continue
            rest = evolve(one, stay=one.stay - (self._clock() - one.when))
            if rest.stay <= 0:
                self._table.dismiss([(one.door, one.source)])
                continue
            if one.stay < self.config.doors[one.door].stay or one.when < self._recreated:
                try:
                    self._table.admit([rest], came=True)
                except NoRoom:  # then not at all, rather than for too long
                    self._table.dismiss([(one.door, one.source)])
                    self._turn_away(one)
                    continue
            self._refuse_no_more({one.source.whole})
            self._note(one, one.when)

    def found_full(self, door: str) -> None:
        """The guard found no room at a door for a source that completed a sequence."""
        self.turned_away[door] += 1
        self._full.add()

    def admit(self, grants: Iterable[Grant]) -> list[Admission]:
        """Admit, or renew: the stay is set anew and never shortened. Raises GuardError.

        Who is new where there are as many as `admissions` allows is left out, counted and told of.
        """
        now = self._clock()
        renewed: list[Grant] = []
        new: list[Grant] = []
        coming: dict[tuple[str, int], set[Source]] = {}
        for grant in self._with_stay(grants):
            if grant.stay <= 0:
                continue
            known = self.register.get(grant.door, grant.source)
            if known is not None:
                if known.until < now + grant.stay:
                    renewed.append(grant)
                continue
            place = (grant.door, grant.source.family)
            beside = coming.get(place) or coming.setdefault(place, set())
            if grant.source in beside or self.room(grant.door, grant.source.family) > len(beside):
                beside.add(grant.source)
                new.append(grant)
            else:
                self._turn_away(grant)
        # One after the other: where somebody new finds no room, those inside still renew.
        admissions = [self._note(grant, now) for grant in self._let_in(renewed, new=False)]
        return admissions + [self._note(grant, now) for grant in self._let_in(new, new=True)]

    def room(self, door: str, family: int) -> int:
        """How many more sources of a family may be admitted to a door; below 0 if there are too many."""
        return self.config.admissions - self.register.count(door, family)

    def _let_in(self, grants: list[Grant], *, new: bool) -> list[Grant]:
        """Have them in the guard; those that found room there. Raises GuardError."""
        if not grants:
            return []
        try:
            self._table.admit(grants, new=new)
        except NoRoom:  # the kernel clears away what is over once a second
            if len(grants) == 1:
                self._turn_away(grants[0])
                return []
            half = len(grants) // 2
            return self._let_in(grants[:half], new=new) + self._let_in(grants[half:], new=new)
        if self._refused:
            self._refuse_no_more({grant.source.whole for grant in grants})
        return grants

    def _turn_away(self, grant: Grant) -> None:
        self.turned_away[grant.door] += 1
        self._full.add()

    def _tell_full(self, count: int) -> None:
        limit = self.config.admissions
        full = self.register.full(self.config.doors, limit)
        text = f"{counted(count, 'admission')} refused: admissions is full (see `admissions`, {limit:,} now)"
        self._events.tell("full", f"{text}{': ' if full else ''}{', '.join(full)}", count=count)

    def _note(self, grant: Grant, now: int) -> Admission:
        unix, until = self._unix(), now + grant.stay
        until_unix = self.unix_at(until)
        known = self.register.get(grant.door, grant.source)
        if known is not None and known.keyholder == grant.keyholder:
            admission = known
            known.until, known.last, known.step = until, now, grant.step
        else:
            admission = Admission(
                grant.door, grant.source, now, until, grant.keyholder, grant.how, None, grant.step, now
            )
        self.register.put(admission)
        self._fellows.admitted(admission, until_unix, grant.step)
        gone = self._make_room(admission)
        how, _ = came(grant.how)
        self.admitted[grant.door, how] = self.admitted.get((grant.door, how), 0) + 1
        self.connections[grant.door] += bool(grant.source.port)
        new = New(grant, admission, known, gone, unix, until_unix)
        self.after.add(partial(places.write_down, self._ledger_writer, self._events, new))
        return admission

    def _make_room(self, new: Admission) -> list[Admission]:
        """End what the keyholder has beyond the door's places, now that `new` is there."""
        door = self.config.doors.get(new.door)
        if door is None or door.places is None or new.keyholder is None:
            return []
        return self._dismiss(self.register.beyond(new, door.places), Ending.MOVED)

    def dismiss(self, source: Source, door: str | None, how: Ending = Ending.DISMISSED) -> list[Admission]:
        """End the source's admissions, through that door or through all of them."""
        chosen = [one for one in self.register.of(source) if door is None or one.door == door]
        return self._dismiss(chosen, how)

    def dismiss_part(self, chosen: Iterable[Admission], how: Ending) -> list[Admission]:
        """End these admissions, those of them that are in force yet. Their flows go on: `cut_flows`."""
        part = [one for one in chosen if self.register.get(one.door, one.source) is one]
        self._take_out(part)
        self.write_ended(part, how)
        return part

    def write_ended(self, ended: Iterable[Admission], how: Ending) -> None:
        """Have the ledger and the other gateways know that these have ended."""
        self.after.done()
        for one in ended:
            self._ledger_writer.ended(one, how)
            self._fellows.ended(one, how)

    def write_merged(self, merged: Iterable[Admission]) -> None:
        """Have the ledger know that each of these goes on as part of another."""
        self.after.done()
        for one in merged:
            self._ledger_writer.ended(one, Ending.PREFIX_CHANGED)

    async def cut(self, source: Source, door: str | None) -> int:
        """End what goes on of a source that is admitted no more: how many flows were cut."""
        async with self.loading:
            self._refuse([source])
        doors = [one for one in self.config.doors.values() if door is None or one.name == door]
        services = [service for one in doors for service in one.services]
        async with self.loading:
            self._table.sessions.end([source], services)
        with contextlib.suppress(OSError):
            count = await asyncio.to_thread(flows.cut, source, services)
            if count:
                text = f"{source}: {counted(count, 'flow')} that outlived the admission cut by command"
                self._events.tell("dismissed", text, source=source, door=door)
            return count
        return 0

    def keep_only(self, keys: Container[tuple[str, str]]) -> list[Admission]:
        """End the admissions of keyholders at doors other than these `keys` (keyholder, door)."""
        return self._dismiss(self.not_among(keys, self.register.keyholders()), Ending.UNENROLLED)

    def not_among(self, keys: Container[tuple[str, str]], names: Iterable[str]) -> list[Admission]:
        """The admissions of keyholders with these `names` at doors other than `keys` say."""
        held = ((name, one) for name in names for one in self.register.held_by(name))
        return [one for name, one in held if (name, one.door) not in keys]

    def refuse(self, sources: Iterable[Source]) -> None:
        """Have every packet of these, who are not admitted, need an admission, of whatever flow."""
        self._refuse({self.config.source(one.packed) for one in sources})

    def _refuse(self, sources: Iterable[Source]) -> None:
        """Have every packet of theirs need an admission: also of a flow that this host itself keeps alive."""
        wanted = {one for one in sources if not one.port}
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

    def _dismiss(self, chosen: list[Admission], how: Ending) -> list[Admission]:
        self._take_out(chosen)
        self._end(chosen, how, "left" if how is Ending.LEFT else "dismissed")
        return chosen

    def _take_out(self, chosen: list[Admission]) -> None:
        self._table.dismiss((one.door, one.source) for one in chosen)
        self._refuse(one.source for one in chosen)
        for one in chosen:
            self.register.remove(one.door, one.source)

    def expire(self, most: int | None = None) -> int:
        """See to the admissions that the kernel has ended by their timeouts, `most` at the most; how many.

        A door that closes is shut when that is told: the kernel's timeouts began a moment later.
        """
        over = self.register.expire(self._clock(), most)
        closed = [one for one in over if shuts(self.config, one.door, self._unix())]
        if closed:
            with contextlib.suppress(GuardError):  # in a moment
                self._table.dismiss((one.door, one.source) for one in closed)
        self._refuse(one.source for one in closed)
        self._end(closed, Ending.CLOSED, "ended")
        self._end([one for one in over if one not in closed], Ending.EXPIRED, "ended")
        return len(over)

    def close(self) -> list[Admission]:
        """End the admissions of doors whose hours are over, where they end with them; those ended."""
        unix, now = self._unix(), self._clock()
        ended = [one for door in self.config.doors.values() for one in self.register.overdue(door, unix, now)]
        return self._dismiss(ended, Ending.CLOSED) if ended else ended

    def settle(self) -> None:
        """Once a second: tell what is due."""
        self._full.settle()
        self.hold_back_crowds()
        with contextlib.suppress(GuardError):  # in a second
            self.close()

    def _end(self, ended: list[Admission], how: Ending, event: str) -> None:
        cut = self.cut_flows(ended, how)
        self.write_ended(ended, how)
        self.tell_ended(ended, how, event, cut)

    def tell_ended(
        self, ended: Iterable[Admission], how: Ending, event: str, cut: Counter[tuple[str, Source]]
    ) -> None:
        """Tell of these, and how many flows of each were `cut`."""
        for one in ended:
            if how is Ending.MOVED or not self._events.wants(event):
                continue  # told in one event with the new admission
            count = cut[one.door, one.source]
            cuts = f", {counted(count, 'flow')} cut" if count else ""
            self._events.tell(
                event,
                f"{one.source}'s admission to {one.door} ended: {how}{cuts}",
                source=one.source,
                door=one.door,
                keyholder=one.keyholder,
                ending=how,
            )

    def cut_flows(self, ended: list[Admission], how: Ending) -> Counter[tuple[str, Source]]:
        """Cut what goes on of admissions that ended, where it may not outlive them: how many."""
        cut: Counter[tuple[str, Source]] = Counter()
        by_door: dict[str, list[Source]] = {}
        for one in ended:
            by_door.setdefault(one.door, []).append(one.source)
        for name, sources in by_door.items():
            door = self.config.doors.get(name)
            if door is not None and (not door.linger or how.by_hand):
                self._table.sessions.end(sources, door.services)
                with contextlib.suppress(OSError):
                    for source, count in flows.cut_each(sources, door.services).items():
                        cut[name, source] = count
        return cut

    def recreated(self) -> None:
        """The guard's sets of those admitted are others, by other sources, since now."""
        self._recreated = self._clock()

    def count_refused(self, refused: Iterable[Source]) -> None:
        """Know of these, who were dismissed, by the sources that count now. The guard does."""
        widths = self.config.widths
        for one in refused:
            self._refused.discard(one)
            if one.length >= widths.of(one.family):
                self._refused.add(widths.counted(one))

    @property
    def refused(self) -> list[Source]:
        """Those of whom every packet needs an admission."""
        return list(self._refused)

    def refuse_again(self, sources: Iterable[Source]) -> None:
        """Have the guard know those of them of whom every packet still needs an admission."""
        self._refuse(one for one in sources if one in self._refused)


def _slack(known: Admission) -> int:
    """By how much (ns) its end may be later than the guard's: one found there was read a moment before.

    To put that right would be a renewal. At a full door the kernel counts the source twice meanwhile, which
    is more than the set's size, and from then on it has room for whoever comes.
    """
    return SECOND if known.how == How.FOUND else 0
