"""What can be asked of the daemon on its control socket, a method a request."""

from __future__ import annotations

import asyncio
import functools
import heapq
import os
from collections import Counter
from collections.abc import Awaitable, Callable
from typing import Any, Final

from attrs import define, field

from portress.admissions import Grant, How
from portress.config.model import Config
from portress.control import Stream
from portress.durations import LONGEST, counted, spell
from portress.errors import Mistake
from portress.events import KINDS, Events
from portress.followers import Follower
from portress.guard.listing import masked
from portress.keyholders import file as keyholding
from portress.keyholders.keyholder import Keyholder
from portress.knock import SECOND, Source
from portress.paths import Paths
from portress.run import status_answer as answers
from portress.run.changes import Reloading
from portress.run.doorkeeper import Doorkeeper
from portress.run.exposure import Exposure
from portress.run.fellows import Fellows
from portress.run.in_force import InForce
from portress.run.last_good import LastGood
from portress.run.ledger_writer import Books
from portress.run.listener import Listener
from portress.run.recovery import Past
from portress.run.sentinel import Sentinel
from portress.run.steps import Steps
from portress.run.why_answer import Inquiry, account
from portress.why.background import Background, astray, last_admissions

Request = dict[str, Any]

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
    books: Books
    last_good: LastGood
    exposure: Exposure
    past: Past
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
            "follow": self._follow,
        }

    async def handle(self, request: Request, uid: int) -> Any:
        """The answer to `request`, asked by a process of user `uid`. Raises Mistake."""
        method = self._known.get(request["do"])
        if method is None:
            raise Mistake(f"'{request['do']}' is not a request; use one of {', '.join(self._known)}")
        return await method(request, uid)

    async def _status(self, request: Request, uid: int) -> Any:
        now, unix = self.clock(), self.unix()
        steps = self.steps
        admitted = [one for one in self.doorkeeper.register if one.until > now]
        counts = Counter(one.door for one in admitted)
        most = request.get("most")
        if type(most) is int and most >= 0:
            listed = heapq.nsmallest(most, admitted, key=lambda one: one.until)
        else:
            listed = sorted(admitted, key=lambda one: one.until)
        return {
            **answers.about(
                self.in_force.config,
                str(self.last_good.in_use),
                os.getpid(),
                now - self.begun,
                steps.step if self.in_force.rota.rotates else None,
                unix,
            ),
            "guard": {
                "present": self.sentinel.in_place,
                "restorations": dict(self.sentinel.restorations),
                "trial": self.sentinel.trial_left,
                "open": dict(self.exposure.open),
            },
            "closed": answers.closed(self.in_force.config, self.in_force.answers),
            "doors": answers.doors(self.in_force.config, counts, unix),
            "as_configured": not self.last_good.falling_back,
            "admitted": len(admitted),
            "admissions": [answers.admission(one, now, unix) for one in listed],
            **answers.tracking(self.listener, now),
            "keyholders": len(self.in_force.rota.keyholders),
            "paper": answers.paper(self.in_force.rota, self.in_force.tracker.used),
            "followers": len(self.events.followers),
            "credential": keyholding.credential() is not None,
            "ledger": {"present": self.books.ledger is not None, "failures": self.books.failures},
            "fleet": self.fellows.state(),
            "refusing": answers.refusing(self.past.doubt(self.in_force.config), unix),
            "events": answers.events(self.events.last(), full=_trusted(uid)),
        }

    async def _why(self, request: Request, uid: int) -> Any:
        source = self._source(request)
        now, unix = self.clock(), self.unix()
        background = await self._background(source, now, unix)
        asked = Inquiry(
            source,
            now,
            unix,
            up=now - self.begun,
            full=_trusted(uid),
            guarded=self.sentinel.in_place,
            background=background,
            doubt=self.past.doubt(self.in_force.config),
        )
        return account(self.listener, self.in_force.config, self.doorkeeper.register.of(source), asked)

    async def _background(self, source: Source, now: int, unix: float) -> Background:
        """What the ledger and the keyholders' sequences of other times tell of a source."""
        recent, keyholders = self.listener.recent, self.in_force.rota.keyholders
        config, notes = self.in_force.config, recent.of(source.packed)
        return Background(
            past=await asyncio.to_thread(last_admissions, self.paths.ledger, source),
            enrolled=None if self.last_good.no_keyholders else frozenset(one.name for one in keyholders),
            astray=await asyncio.to_thread(astray, notes, source.packed, config, keyholders, now, unix),
            back=None if recent.forgotten is None else now - recent.forgotten,
        )

    async def _follow(self, request: Request, uid: int) -> Any:
        """Events as they happen: of the kinds and doors named, or all; `knocks`: each knock, too."""
        names, doors = _words(request, "events"), _words(request, "doors")
        for name in names:
            if name not in KINDS and name != "knock":
                raise Mistake(f"'{name}': no such event; there are {', '.join(sorted(KINDS))}")
        for name in doors:
            if name not in self.in_force.config.doors:
                raise Mistake(self._no_door(name))
        closely = bool(request.get("knocks")) or "knock" in names
        if closely and not _trusted(uid):
            raise Mistake("only root may follow knocks: they show the sequences")
        followers = self.events.followers
        if len(followers) >= FOLLOWERS:
            raise Mistake(f"{FOLLOWERS} clients follow already: end one of them")
        conceal = None if _trusted(uid) else answers.without_ports
        follower = Follower(frozenset(names), frozenset(doors), closely, conceal)
        followers.add(follower)
        return Stream(follower.stream(), lambda: followers.remove(follower))

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
        made = self.sentinel.admit([Grant(door.name, source, ns, how=How.COMMAND)])
        known = made[0] if made else self.doorkeeper.register.get(door.name, source)
        if known is None:
            count = self.doorkeeper.register.count(door.name, source.family)
            full = f"{door.name} is full: {counted(count, 'source')} of its family are admitted"
            raise Mistake(f"{full} (admissions: {self.in_force.config.admissions} in {self.paths.config})")
        left = spell(known.until - self.clock())
        longer = "" if made else ", already longer than requested"
        return {"text": f"{source} is admitted to {door.name} for {left}{longer}"}

    async def _dismiss(self, request: Request, _uid: int) -> Any:
        source, door = self._source(request), request.get("door")
        if door is not None and not (isinstance(door, str) and door in self.in_force.config.doors):
            raise Mistake(self._no_door(door))
        ended = self.doorkeeper.dismiss(source, door)
        if not ended:
            not_admitted = f"{source} is not admitted{f' to {door}' if door else ''}"
            cut = self.doorkeeper.cut(source, door)
            if not cut:
                raise Mistake(not_admitted)
            return {"text": f"{not_admitted} any more; {counted(cut, 'flow')} that outlived it cut"}
        return {"text": f"{source} is dismissed from {', '.join(one.door for one in ended)}"}

    async def _keyholders(self, request: Request, uid: int) -> Any:
        """Take the keyholders anew: from the file, or from the text that only root may send.

        A daemon that was given a credential takes those of the text besides: nobody in it is thrown out.
        """
        text = request.get("text")
        given = keyholding.credential() is not None
        if isinstance(text, str):
            if not _trusted(uid):
                raise Mistake("only root may change the keyholders")
            holders = keyholding.parse(text, keyholding.FILE, self.in_force.config.doors)
        else:
            holders, given = self.changes.load_keyholders(self.in_force.config), False
        names = {one.name for one in holders}
        await self.changes.take_keyholders(
            lambda known: (*(one for one in known if given and one.name not in names), *holders)
        )
        return {"keyholders": len(holders), "credential": given}

    async def _unenrol(self, request: Request, uid: int) -> Any:
        """Expect a keyholder's sequences no more and end their admissions."""
        name = str(request.get("name"))
        if not _trusted(uid):
            raise Mistake("only root may change the keyholders")
        found = any(one.name == name for one in self.in_force.rota.keyholders)
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
        seconds = _trial_seconds(request.get("trial"))
        mine, meant = self.paths.config.resolve(), request.get("config", None)
        if meant is not None and str(mine) != meant:
            raise Mistake(f"{meant}: the daemon here has its configuration from {mine}: change that one")
        listed = request.get("admit", [])
        if not isinstance(listed, list):
            raise Mistake("admit is a list of sources")
        admit = [_read_source(text) for text in listed]
        before, sentinel = self._before(provisional=bool(request.get("provisional"))), self.sentinel
        trying, undo = sentinel.trial_left is not None, sentinel.undo
        await self.changes.reload()
        sentinel.keep()
        sentinel.resume(masked(source, self.in_force.config.widths) for source in admit)
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
        return self.in_force.config, self.in_force.rota.keyholders

    def _go_back(self, config: Config, keyholders: tuple[Keyholder, ...]) -> None:
        self.later(self.changes.go_back(config, keyholders))

    async def _keep(self, _request: Request, uid: int) -> Any:
        self._root_only(uid)
        return {"kept": self.sentinel.keep()}

    async def _unguard(self, _request: Request, uid: int) -> Any:
        self._root_only(uid)
        return {"removed": self.sentinel.stand_down("guard removed by command")}

    async def _reload(self, _request: Request, uid: int) -> Any:
        self._root_only(uid)
        await self.changes.reload()
        return {"doors": list(self.in_force.config.doors)}

    def _source(self, request: Request) -> Source:
        return masked(_read_source(request.get("source")), self.in_force.config.widths)

    def _no_door(self, door: object) -> str:
        return f"there is no door '{door}'; the doors are {', '.join(self.in_force.config.doors)}"

    @staticmethod
    def _root_only(uid: int) -> None:
        if not _trusted(uid):
            raise Mistake("only root may change the guard")


def _words(request: Request, key: str) -> list[str]:
    """A list of words in a request; empty if there is none. Raises Mistake."""
    found = request.get(key, [])
    if not isinstance(found, list) or not all(isinstance(one, str) for one in found):
        raise Mistake(f"'{key}' is a list of words")
    return found


def _trusted(uid: int) -> bool:
    """Root, or the daemon's own user: who can read and change its files anyway."""
    return uid in (0, os.geteuid())


def _trial_seconds(value: object) -> float | None:
    """How long a trial lasts (s), None if there is none. Raises Mistake: else a guard on trial would stay."""
    if value is None:
        return None
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 < value <= LONGEST / SECOND:
        return float(value)
    raise Mistake("a trial lasts a number of seconds, up to 366 days")


def _read_source(text: object) -> Source:
    try:
        return Source.parse(str(text))
    except ValueError as error:
        raise Mistake(f"'{text}': {error}") from None
