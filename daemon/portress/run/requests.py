"""What can be asked of the daemon on its control socket, a method a request."""

from __future__ import annotations

import asyncio
import functools
import os
from collections.abc import Awaitable, Callable, Iterable
from itertools import islice
from typing import Any, Final

from attrs import define, evolve, field

from portress.admissions import Admission, Ending, Grant, How
from portress.config.model import Config
from portress.durations import LONGEST, counted, spell
from portress.errors import Mistake
from portress.events import KINDS, Events
from portress.followers import Follower
from portress.guard import newly_guarded
from portress.guard.listing import masked
from portress.keyholders import file as keyholding
from portress.keyholders.keyholder import Keyholder
from portress.knock import SECOND, Source
from portress.narrow import Narrow, who
from portress.paths import Paths
from portress.run import asked, ending, roll
from portress.run import status_answer as answers
from portress.run.asked import Request
from portress.run.changes import Reloading
from portress.run.control_server import PATIENCE, Stream
from portress.run.doorkeeper import Doorkeeper
from portress.run.exposure import Exposure
from portress.run.fellows import Fellows
from portress.run.in_force import InForce
from portress.run.last_good import LastGood
from portress.run.ledger_writer import LedgerWriter
from portress.run.listener import Listener
from portress.run.recovery import Doubt, Recovery
from portress.run.sentinel import Sentinel
from portress.run.slices import let_go, slices
from portress.run.steps import Steps
from portress.run.why_answer import Inquiry, account
from portress.why.background import Background, astray, last_admissions

FOLLOWERS: Final = 16  # who follow at once


@define(eq=False)
class Requests:
    """Answers the requests to one daemon, begun at `begun` (ns of `clock`). `unix` gives unix seconds."""

    paths: Paths
    events: Events
    clock: Callable[[], int]
    unix: Callable[[], float]
    begun: int
    in_force: InForce
    doorkeeper: Doorkeeper
    sentinel: Sentinel
    listener: Listener
    steps: Steps
    ledger_writer: LedgerWriter
    last_good: LastGood
    exposure: Exposure
    recovery: Recovery
    changes: Reloading
    later: Callable[[Awaitable[None]], object]
    fellows: Fellows
    _known: dict[str, Callable[[Request, int], Awaitable[Any]]] = field(init=False)

    def __attrs_post_init__(self) -> None:
        self._known = {
            "status": self._status,
            "why": self._why,
            "admit": self._admit,
            "dismiss": self._dismiss,
            "keyholders": self._keyholders,
            "unenrol": self._unenrol,
            "guard": self._guard,
            "keep": self._keep,
            "unguard": self._unguard,
            "reload": self._reload,
            "needed": self._needed,
            "follow": self._follow,
        }

    async def handle(self, request: Request, uid: int) -> Any:
        """The answer to `request`, asked by a process of user `uid`. Raises Mistake."""
        method = self._known.get(request["do"])
        if method is None:
            raise Mistake(f"'{request['do']}' is not a request; use one of {', '.join(self._known)}")
        return await method(request, uid)

    async def _status(self, request: Request, uid: int) -> Any:
        """The daemon and its doors, and the admissions that are meant: `most` of them; with `parts` each in a
        line of its own after the answer, however many there are."""
        narrow, parts = self._narrow(request), bool(request.get("parts"))
        most = request.get("most")
        limit = most if type(most) is int and most >= 0 else None
        now, unix = self.clock(), self.unix()
        found = await roll.chosen(self.doorkeeper.register, narrow, now)
        listed = await roll.ordered(found, narrow)
        around = await roll.around(self.listener, narrow, now)
        counts = self.doorkeeper.register.counts() if narrow else await roll.by_door(found)
        told = self._about(narrow, (len(found), counts), around, uid)
        if parts:
            skip = request.get("skip")
            await roll.skip(listed, skip if type(skip) is int else 0)
            return Stream(roll.lines(listed, limit, now, unix), lambda: None, told, PATIENCE)
        few = islice(listed, min(answers.MOST if limit is None else limit, answers.MOST))
        return {**told, "admissions": await self._told(few, now)}

    def _narrow(self, request: Request) -> Narrow:
        """Which admissions a request is about. Raises Mistake, also for a door that there is not."""
        narrow = Narrow.read(request)
        if narrow.door is not None and narrow.door not in self.in_force.config.doors:
            raise Mistake(self._no_door(narrow.door))
        return narrow

    def _about(
        self, narrow: Narrow, found: tuple[int, dict[str, int]], around: roll.Around, uid: int
    ) -> dict[str, Any]:
        """All of the status but the admissions. `found`: how many are meant, how many each door has."""
        (admitted, counts), config, unix = found, self.in_force.config, self.unix()
        sequences, writer = self.in_force.sequences, self.ledger_writer
        return {
            "daemon": True,
            **answers.about(
                config,
                str(self.last_good.in_use),
                os.getpid(),
                self.clock() - self.begun,
                self.steps.step if sequences.rotates else None,
                unix,
            ),
            "guard": self._of_guard(),
            "closed": answers.closed(config, self.in_force.answers),
            "doors": [
                one for one in answers.doors(config, counts, unix) if narrow.door in (None, one["name"])
            ],
            "as_configured": not self.last_good.falling_back,
            "totals": {
                "admissions": admitted,
                "callers": around.callers_total,
                "shunned": around.shunned_total,
            },
            "callers": around.callers,
            "shunned": around.shunned,
            **answers.knocks(self.listener),
            "keyholders": len(sequences.keyholders),
            "paper": answers.paper(sequences, self.in_force.tracker.used),
            "followers": len(self.events.followers),
            "credential": keyholding.credential() is not None,
            "ledger": {"present": writer.ledger is not None, "failures": writer.failures},
            "fleet": self.fellows.state(),
            "refusing": answers.refusing(self._doubt(), unix),
            "events": answers.events(self.events.last(), unix, full=asked.trusted(uid)),
        }

    def _doubt(self) -> Doubt | None:
        """Why rotating sequences are refused now; None as well where there are none."""
        return self.recovery.doubt(self.in_force.config) if self.in_force.sequences.rotates else None

    def _of_guard(self) -> dict[str, Any]:
        return {
            "present": self.sentinel.in_place,
            "restorations": dict(self.sentinel.restorations),
            "trial": self.sentinel.trial_left,
            "open": dict(self.exposure.open),
        }

    async def _why(self, request: Request, uid: int) -> Any:
        source = self._source(request)
        now, unix = self.clock(), self.unix()
        background = await self._background(source, now, unix)
        inquiry = Inquiry(
            source,
            now,
            unix,
            up=now - self.begun,
            full=asked.trusted(uid),
            guarded=self.sentinel.in_place,
            background=background,
            doubt=self.recovery.doubt(self.in_force.config),
        )
        return account(self.listener, self.in_force.config, self.doorkeeper.register.of(source), inquiry)

    async def _background(self, source: Source, now: int, unix: float) -> Background:
        """What the ledger and the keyholders' sequences of other times tell of a source."""
        recent, keyholders = self.listener.recent, self.in_force.sequences.keyholders
        config, notes = self.in_force.config, recent.of(source.packed)
        return Background(
            past=await asyncio.to_thread(last_admissions, self.paths.ledger, source),
            enrolled=None if self.last_good.no_keyholders else frozenset(one.name for one in keyholders),
            astray=await asyncio.to_thread(astray, notes, source.packed, config, keyholders, now, unix),
            back=None if recent.forgotten is None else now - recent.forgotten,
        )

    async def _follow(self, request: Request, uid: int) -> Any:
        """Events as they happen: of the kinds and doors named, or all; `knocks`: each knock, too."""
        names, doors = asked.words(request, "events"), asked.words(request, "doors")
        for name in names:
            if name not in KINDS and name != "knock":
                raise Mistake(f"'{name}': no such event; there are {', '.join(sorted(KINDS))}")
        for name in doors:
            if name not in self.in_force.config.doors:
                raise Mistake(self._no_door(name))
        closely = bool(request.get("knocks")) or "knock" in names
        if closely and not asked.trusted(uid):
            raise Mistake("only root may follow knocks: they show the sequences")
        followers = self.events.followers
        if len(followers) >= FOLLOWERS:
            raise Mistake(f"{FOLLOWERS} clients follow already: end one of them")
        conceal = None if asked.trusted(uid) else answers.without_ports
        follower = Follower(frozenset(names), frozenset(doors), closely, conceal)
        followers.add(follower)
        return Stream(follower.stream(), lambda: followers.remove(follower), {"follows": True})

    async def _admit(self, request: Request, _uid: int) -> Any:
        source = self._source(request)
        door = self.in_force.config.doors.get(str(request.get("door")))
        if door is None:
            raise Mistake(self._no_door(request.get("door")))
        seconds = request.get("for")
        if seconds is not None and not (type(seconds) is int and 0 < seconds <= LONGEST // SECOND):
            raise Mistake("an admission lasts from 1s to 366d")
        if not self.sentinel.guarding:
            raise Mistake("no guard loaded; only the host's own firewall applies: portress guard loads it")
        ns = door.stay if seconds is None else seconds * SECOND
        made = await self.sentinel.admit_now([Grant(door.name, source, ns, how=How.COMMAND)])
        known = made[0] if made else self.doorkeeper.register.get(door.name, source)
        if known is None:
            count = self.doorkeeper.register.count(door.name, source.family)
            full = f"{door.name} is full: {counted(count, 'source')} of its family are admitted"
            raise Mistake(f"{full} (admissions: {self.in_force.config.admissions} in {self.paths.config})")
        left = spell(known.until - self.clock())
        longer = "" if made else ", already longer than requested"
        return {"text": f"{source} is admitted to {door.name} for {left}{longer}"}

    async def _dismiss(self, request: Request, _uid: int) -> Any:
        """End the admissions that are meant, `most` of them; with `count` only say how many there are."""
        narrow = self._narrow(request)
        widths, one_source = self.in_force.config.widths, False
        if narrow.source is not None and narrow.source.length >= widths[narrow.source.family != 4]:
            narrow, one_source = evolve(narrow, source=masked(narrow.source, widths)), True
        most, now = request.get("most"), self.clock()
        limit = most if type(most) is int and most > 0 else None
        found = await roll.chosen(self.doorkeeper.register, narrow, now)
        listed = islice(await roll.ordered(found, narrow), limit)
        meant = [one async for part in slices(listed, roll.LOOKED) for one in part]
        if request.get("count"):
            return {"totals": {"admissions": len(meant), "sources": len(await roll.sources(meant))}}
        if not meant:
            return await self._cut(narrow, only=one_source and narrow.keyholder is None)
        del found
        ended = await ending.dismiss(self.doorkeeper, meant, Ending.DISMISSED)
        doors, sources = await roll.by_door(ended), await roll.sources(ended)
        text = f"{who(narrow, len(ended), sources)} dismissed from {', '.join(doors)}"
        count, told = len(ended), await self._told(ended[: answers.MOST], now)
        del sources
        await let_go(ended, roll.LOOKED)
        return {"text": text, "totals": {"dismissed": count}, "dismissed": told}

    async def _told(self, some: Iterable[Admission], now: int) -> list[dict[str, Any]]:
        unix = self.unix()
        return [answers.admission(one, now, unix) async for part in slices(some, roll.TOLD) for one in part]

    async def _cut(self, narrow: Narrow, *, only: bool) -> Any:
        """Nobody that is meant is admitted: of a single source, end what goes on. Raises Mistake."""
        source, door = narrow.source, narrow.door
        if not only or source is None:
            raise Mistake(f"no admission {narrow.words}")
        not_admitted = f"{source} is not admitted{f' to {door}' if door else ''}"
        cut = await self.doorkeeper.cut(source, door)
        if not cut:
            raise Mistake(not_admitted)
        text = f"{not_admitted} any more; {counted(cut, 'flow')} that outlived it cut"
        return {"text": text, "totals": {"dismissed": 0}, "dismissed": []}

    async def _keyholders(self, request: Request, uid: int) -> Any:
        """Take the keyholders anew: from the file, or from the text that only root may send.

        A daemon that was given a credential takes those of the text besides: nobody in it is thrown out.
        """
        text, config, counts = request.get("text"), self.in_force.config, [0]
        sent = isinstance(text, str)
        if sent and not asked.trusted(uid):
            raise Mistake("only root may change the keyholders")
        given = sent and keyholding.credential() is not None

        def choose(known: tuple[Keyholder, ...]) -> tuple[Keyholder, ...]:
            if sent:
                holders = keyholding.parse(str(text), keyholding.FILE, config.doors)
            else:
                holders = self.changes.load_keyholders(config)
            names = {one.name for one in holders}
            counts.append(len(holders))
            return (*(one for one in known if given and one.name not in names), *holders)

        await self.changes.take_keyholders(choose)
        return {"keyholders": counts[-1], "credential": given}

    async def _unenrol(self, request: Request, uid: int) -> Any:
        """Expect a keyholder's sequences no more and end their admissions."""
        name = str(request.get("name"))
        if not asked.trusted(uid):
            raise Mistake("only root may change the keyholders")
        found = any(one.name == name for one in self.in_force.sequences.keyholders)
        ended = await self.changes.take_keyholders(
            lambda known: tuple(one for one in known if one.name != name)
        )
        gone = [one for one in ended if one.keyholder == name]
        return {
            "dismissed": [{"source": str(one.source), "door": one.door} for one in gone],
            "known": found,
            "credential": keyholding.credential() is not None,
        }

    async def _guard(self, request: Request, uid: int) -> Any:
        """Put the guard in force by the configuration as it is now, perhaps on trial.

        `config`: the file that is meant. `provisional`: what is in force now was itself only on trial.
        """
        self._root_only(uid)
        seconds = asked.trial_seconds(request.get("trial"))
        mine, meant = self.paths.config.resolve(), request.get("config", None)
        if meant is not None and str(mine) != meant:
            raise Mistake(f"{meant}: the daemon here has its configuration from {mine}: change that one")
        listed = request.get("admit", [])
        if not isinstance(listed, list):
            raise Mistake("admit is a list of sources")
        admit = [asked.read_source(text) for text in listed]
        before, sentinel = self._before(provisional=bool(request.get("provisional"))), self.sentinel
        trying, undo = sentinel.trial_left is not None, sentinel.undo
        await self.changes.reload()
        sentinel.keep()
        await sentinel.resume(masked(source, self.in_force.config.widths) for source in admit)
        if seconds is not None:
            # With another configuration in force before, that one comes back; else the guard goes away.
            if not trying and before is not None and before[0] != self.in_force.config:
                undo = functools.partial(self._go_back, *before)
            sentinel.on_trial(seconds, str(request.get("number", ""))[:100], undo)
        return {
            "doors": list(self.in_force.config.doors),
            "goes_back": seconds is not None and undo is not None,
        }

    def _before(self, *, provisional: bool) -> tuple[Config, tuple[Keyholder, ...]] | None:
        """What is in force now, for a trial to go back to; None if nothing is that somebody chose to keep."""
        if provisional or self.last_good.falling_back or not self.sentinel.guarding:
            return None
        return self.in_force.config, self.in_force.sequences.keyholders

    def _go_back(self, config: Config, keyholders: tuple[Keyholder, ...]) -> None:
        self.later(self.changes.go_back(config, keyholders))

    async def _keep(self, _request: Request, uid: int) -> Any:
        self._root_only(uid)
        return {"kept": self.sentinel.keep(), "over": self.sentinel.over}

    async def _unguard(self, _request: Request, uid: int) -> Any:
        self._root_only(uid)
        return {"removed": await self.sentinel.stand_down("guard removed by command")}

    async def _reload(self, _request: Request, uid: int) -> Any:
        self._root_only(uid)
        await self.changes.reload()
        return {"doors": list(self.in_force.config.doors)}

    async def _needed(self, request: Request, _uid: int) -> Any:
        """For each of `ends` (source, address and port here) the doors of which one has to admit it."""
        ends = asked.ends(request)
        if not self.sentinel.guarding:
            return {"needed": [[] for _ in ends]}
        return {"needed": newly_guarded.needed(self.in_force.config, ends)}

    def _source(self, request: Request) -> Source:
        return masked(asked.read_source(request.get("source")), self.in_force.config.widths)

    def _no_door(self, door: object) -> str:
        return f"there is no door '{door}'; the doors are {', '.join(self.in_force.config.doors)}"

    @staticmethod
    def _root_only(uid: int) -> None:
        if not asked.trusted(uid):
            raise Mistake("only root may change the guard")
