"""The guard in the kernel: load it, look at it, admit, dismiss, take it away.

What is loaded goes through one kept libnftables handle, in one transaction; where kernel and nft can, the
table belongs to that handle alone. Elements are changed over netlink (`elements`), whatever the table's size.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import product
from typing import Final, TypeVar

from attrs import frozen

from portress.admissions import Grant
from portress.errors import Mistake
from portress.guard import carrying, connections, elements, hours, listing, loaded, membership, saved
from portress.guard.continuing import Session
from portress.guard.continuing import lines as continuing_lines
from portress.guard.elements import ElementChanges, MapElement
from portress.guard.gate import DISMISSED_FOR, dismissed_set
from portress.guard.language import FAMILY, OWNED, TABLE, Chain, removal, replacement
from portress.guard.libnftables import Nft, in_a_line
from portress.guard.listing import Listing
from portress.guard.maps import Maps
from portress.guard.report import FULL
from portress.guard.ruleset import TWIN, Ruleset, admission_set, door_set, over_set, render
from portress.guard.sessions import Sessions
from portress.guard.timed import Entry, entries, places, split, timed_parts, with_room, without_kept
from portress.knock import SECOND, WHOLE, Source, Widths
from portress.netlink import Netfilter, Transactions, sockets

_MILLISECOND: Final = SECOND // 1000
Answer = TypeVar("Answer")


class GuardError(Mistake):
    """The kernel or libnftables refused what was asked of the guard."""


class Already(GuardError):
    """What was to be new in a set is there already."""


class NoRoom(GuardError):
    """A set has as many elements as it may have."""


@frozen
class Held:
    """An admission as the kernel holds it: `left` is ns until it ends, `since` ns since it was set."""

    door: str
    source: Source
    left: int
    since: int = 0


class Table:
    """The guard's table as this process sees it, in the network namespace it was made in.

    Every method raises GuardError when the kernel refuses; then nothing was changed. Threads take turns.
    """

    def __init__(self, *, own: bool = False) -> None:
        """`own`: take ownership of the table where kernel and nft know `owner` and `persist`."""
        self._nft = Nft()
        self._nft.set_stateless_output(True)
        self._nft.set_numeric_prio_output(True)
        self._transactions = Transactions()
        self._questions = Netfilter()
        self._asking = threading.Lock()
        self._turn = threading.RLock()
        self.maps = Maps(self._change, turn=self._turn, find=self.find)
        self.sessions = Sessions(self._change, self._turn)
        self._loaded = loaded.Loaded()
        self._stays: Mapping[str, int] = {}
        self._widths: Widths = WHOLE
        self.loads = 0  # how often this process has loaded the guard
        self.dismissals = 0  # how often it has ended admissions
        self.own = own and self._may_own()

    def _may_own(self) -> bool:
        """Whether kernel and nft know of tables that belong to somebody; asked without changing anything."""
        self._nft.set_dry_run(True)
        code, _, _ = self._nft.cmd(f"add table {FAMILY} {TABLE}_owned {{ {OWNED}; }}")
        self._nft.set_dry_run(False)
        return bool(code == 0)

    def _run(self, text: str) -> str:
        """Have libnftables do what the text says, in one transaction; its answer."""
        with self._turn:
            code, output, error = self._nft.cmd(text)
        if code != 0:
            raise GuardError(in_a_line(error))
        return str(output)

    def _change(self, changes: ElementChanges) -> None:
        with self._turn:
            try:
                changes.make(self._transactions)
            except PermissionError as error:
                # If the table belongs to libnftables' socket, what comes by that very socket is let through.
                owner = sockets().get(self._ask(listing.owner))
                if owner is None:
                    raise _refusal(error) from error
                self._transactions.close()
                self._transactions = Transactions(owner)
                _asked(lambda: changes.make(self._transactions))
            except OSError as error:
                raise _refusal(error) from error

    def listing(self) -> Listing | None:
        """What of the table is in the kernel now, or None. Elements are not read."""
        return _asked(listing.read)

    def there(self) -> bool:
        """Whether there is a table at all, of whatever configuration."""
        return self._ask(listing.present)

    def load(
        self,
        ruleset: Ruleset,
        admit: Iterable[Grant] = (),
        continuing: Iterable[Session] = (),
        in_parts: bool = False,
    ) -> list[Held]:
        """Put the guard in force in one transaction: every packet meets the old one or the new one whole.

        Admissions in the kernel stay as they are; `admit` are added to them, very many of them right after.
        `continuing` sessions need none. `in_parts`: what changes with time is left to `maps.fill_part`.
        Returns the admissions that had to end: of doors that are gone, and of sources too wide now.
        """
        with self._turn:
            before = self.listing()
            carried, ended = ([], []) if before is None else self._carry_over(before, ruleset)
            lines, kept, unchanged = self._make_way(before, ruleset)
            timed = entries((Grant(one.door, one.source, one.left) for one in carried), ruleset.stays)
            timed += [] if before is None else carrying.part_way(before, ruleset, kept, self.refused)
            more = entries(admit, ruleset.stays)
            places = [] if before is None else self.maps.places(before, ruleset, kept)
            holding = self.maps.make_way(ruleset, kept)
            bare = with_room(without_kept(ruleset, kept, unchanged), (*timed, *more))
            lines.append(render(bare, own=self.own, twin=True))
            together, later = split(timed, iter(more))
            sessions = self.sessions.lines(before, ruleset, kept, continuing)
            generation = _apart(listing.generation)
            self._run("\n".join((*lines, *timed_parts(together, kept), *places, *sessions)))
            self._run(f"delete chain {FAMILY} {TABLE} {TWIN}")
            self.loads += 1
            self._stays, self._widths = ruleset.stays, ruleset.prefixes
            with contextlib.suppress(GuardError):  # then all is loaded again the next time
                _apart(lambda netfilter: self._loaded.note(ruleset, generation + 2, netfilter))
            self.maps.fill(ruleset, holding, later=in_parts)
            self._start([*later], new=before is None)
            return ended

    def _make_way(
        self, before: Listing | None, ruleset: Ruleset
    ) -> tuple[list[str], set[str], frozenset[str]]:
        """What goes before the new guard is added, the living sets and maps that stay, and the chains."""
        if before is None:
            return [], set(), frozenset()
        if self._takes_over(before):
            return [f"delete table {FAMILY} {TABLE}"], set(), frozenset()
        # By itself: no base chain is added in a transaction that changes a table's owner, and none that
        # wakes a dormant table names it twice (EINVAL).
        self._run(f"add table {FAMILY} {TABLE} {{ {OWNED if self.own else ''}; }}")
        kept = loaded.kept(before, ruleset)
        unchanged = _apart(lambda netfilter: self._loaded.unchanged(ruleset, kept, netfilter))
        return loaded.clearing(before, ruleset, kept, unchanged), kept, unchanged

    def answer(self, chains: Iterable[Chain], before: Iterable[Chain] = ()) -> None:
        """Have these chains instead of those `before`, in one transaction; nothing else is changed."""
        wanted = {one.name: one for one in chains}
        gone = (removal(one) for one in before if one.name not in wanted)
        self._run("".join((*map(replacement, wanted.values()), *gone)))

    def record(self) -> str:
        """Names the set in which the guard records uses; "" if there is none. Another remembers others."""
        return self._ask(lambda netfilter: listing.lineage(netfilter, "spent"))

    def find(self, name: str, key: bytes) -> MapElement | None:
        """That element of a map or set, None if it is not there. Raises GuardError."""
        return self._ask(lambda netfilter: elements.find(netfilter, TABLE, name, key))

    def counted(self, name: str) -> int:
        """The packets that a counter of the guard has counted. Raises GuardError."""
        return self._ask(lambda netfilter: listing.counted(name, netfilter))

    def _ask(self, ask: Callable[[Netfilter], Answer]) -> Answer:
        """What `ask`, which is quick, returns over the socket that stays open: to close one, the kernel waits
        for the transactions of others."""
        with self._asking:
            try:
                return ask(self._questions)
            except OSError as error:
                self._questions.close()  # an answer may come yet, and is not for the next question
                self._questions = Netfilter()
                raise _refusal(error) from error

    def _carry_over(self, before: Listing, ruleset: Ruleset) -> tuple[list[Held], list[Held]]:
        """The admissions to be added anew, because their sets are, and those that end."""
        wanted = {one.name for one in ruleset.living}
        lengths = ruleset.prefixes
        same = before.prefixes == lengths and not self._takes_over(before)
        if same and all(door_set(door, 4) in wanted for door in before.doors):
            return [], []
        carried, ended = [], []
        # Of sources that are one now, the longest admission comes last and stays.
        for held in sorted(self.admissions(before), key=lambda each: each.left):
            length = lengths.of(held.source.family)
            if admission_set(held.door, held.source) not in wanted or held.source.length < length:
                ended.append(held)
            elif held.source.port:
                ended += [] if same else [held]  # whether it came is forgotten: it must not come again
            elif not same:
                carried.append(Held(held.door, Source.of(held.source.packed, length), held.left))
        return carried, ended

    def _takes_over(self, before: Listing) -> bool:
        """Whether the table has to be recreated to get an owner: one cannot be given to it later."""
        return self.own and not before.owned

    def present(self, ruleset: Ruleset) -> bool:
        """Whether the guard in the kernel is, by its comment, the one that `ruleset` describes."""
        return (now := self._ask(listing.read)) is not None and now.comment == ruleset.comment

    def text(self) -> str | None:
        """The table as nft text, without the elements of sets with timeouts; None if there is none."""
        if not self.there():
            return None
        with self._turn:
            return saved.text(self._nft, self._run)

    def restore(self, text: str, held: Iterable[Held], sessions: Iterable[Session] = ()) -> None:
        """Put back a table as `text` gave it, in one transaction, with these admissions and sessions."""
        lines = [f"delete table {FAMILY} {TABLE}"] if self.there() else []
        lines.append(saved.again(text, own=self.own))
        lines += timed_parts((admission_set(one.door, one.source), one.source, one.left) for one in held)
        lines += continuing_lines(sessions)
        self._run("\n".join(lines))

    def remove(self) -> bool:
        """Take the guard away, which opens the doors. False if there was none."""
        if not self.there():
            return False
        self._run(f"delete table {FAMILY} {TABLE}")
        return True

    def admissions(self, known: Listing | None = None) -> list[Held]:
        """Every admission in the kernel, with the time it has left to the millisecond."""
        return list(self.each_admission(known))

    def each_admission(self, known: Listing | None = None) -> Iterator[Held]:
        """The same one by one, as the kernel gives them: however many there are, few are held at once."""
        known = known or self.listing()
        if known is None:
            return
        lengths = known.prefixes or WHOLE
        for door, family in product(known.doors, (4, 6)):
            for one in elements.each(TABLE, door_set(door, family)):
                since = max(0, one.timeout - one.left)
                yield Held(door, lengths.source(one.key), one.left * _MILLISECOND, since * _MILLISECOND)
        for door, source, left in connections.admitted(known):
            yield Held(door, source, left * _MILLISECOND)

    def tried(self, door: str) -> list[Source]:
        """From where the door was dialled in vain in the last minute, by addresses with a connection."""
        known = self.listing()
        return [] if known is None else _asked(lambda: list(connections.tried(known, door)))

    def admit(self, grants: Iterable[Grant], *, new: bool = False, came: bool = False) -> None:
        """Let each source through its door for its stay from now, whatever it had left before.

        `new`: as far as is known, none of them has anything left. That is quicker. `came`: the guard let them
        in, and of single connections it knows which came already: those come no second time.
        """
        self._start(self._timed(grants), new=new, came=came)

    def put_back(self, grants: Sequence[Grant]) -> None:
        """Let each in again for its stay; who was let in meanwhile keeps what he has."""
        try:
            self._change(membership.started(self._timed(grants), new=True, came=False))
        except Already:
            for one in grants if len(grants) > 1 else ():
                self.put_back([one])

    def _timed(self, grants: Iterable[Grant]) -> list[Entry]:
        """The sets that admissions are in, each for its time."""
        return entries(grants, self._stays)

    def dismiss(self, gone: Iterable[tuple[str, Source]]) -> None:
        """End admissions. One that is not there is no error."""
        self.dismissals += 1
        self._end(places(gone, self._stays))

    def hold_back(self, door: str, family: int, ns: int) -> None:
        """Have the packet path let nobody in through the door over that address family (4 or 6), for so long.
        It does not where the daemon decides."""
        if door in self._stays:
            self._change(membership.held_back(over_set(door), family, ns))

    def refuse(self, sources: Iterable[Source]) -> None:
        """From now on every packet of theirs to a door needs an admission, until none came for a day."""
        self._start([(dismissed_set(one.family), one, DISMISSED_FOR * SECOND) for one in sources])

    def refuse_no_more(self, sources: Iterable[Source]) -> None:
        """Flows of theirs that are under way may outlive an admission again."""
        self._end([(dismissed_set(one.family), one) for one in sources])

    def refused(self, known: Listing | None = None) -> set[Source]:
        """Those of whom every packet needs an admission."""
        known = known or self.listing()
        if known is None:
            return set()
        lengths = known.prefixes or WHOLE
        return {
            lengths.source(one.key)
            for family in (4, 6)
            if dismissed_set(family) in known.sets
            for one in elements.read(TABLE, dismissed_set(family))
        }

    def shun(self, source: Source, ns: int) -> None:
        """Report the source's knocks no more, for so long."""
        self._start([(f"shunned_{source.family}", source, ns)])

    def unshun(self, source: Source) -> None:
        """Report the source's knocks again."""
        self._end([(f"shunned_{source.family}", source)])

    def _start(
        self, entries: list[tuple[str, Source, int]], *, new: bool = False, came: bool = False
    ) -> None:
        """Have sources in sets for so many ns from now."""
        with self._turn:  # another guard may be loaded first, which counts sources otherwise
            wide = [(name, self._widths.counted(one), ns) for name, one, ns in entries]
            try:
                self._change(membership.started(wide, new=new, came=came))
            except Already:
                self._start(wide, came=came)

    def _end(self, entries: Iterable[tuple[str, Source]]) -> None:
        """Have sources in sets no more."""
        with self._turn:
            try:
                wide = ((name, self._widths.counted(one)) for name, one in entries)
                self._change(membership.ended(wide))
            except GuardError:
                if self.there():  # where there is no guard, nobody is in a set
                    raise

    def renew_hours(self, ranges: dict[str, tuple[str, ...]]) -> None:
        """Have the guard know when its doors are open, in one transaction."""
        if ranges:
            self._run(hours.renewal(ranges))

    def change_opening(self, gone: Iterable[int], come: Iterable[int]) -> None:
        """Replace first knocks in one transaction. `gone` must be there, `come` must not."""
        self._change(membership.opening(gone, come))

    def keep_callers(self, kept: Iterable[tuple[bytes, int]]) -> None:
        """Have these callers only (address, ns until the kernel forgets it), in one transaction."""
        self._change(membership.callers(kept))

    def found_no_room(self) -> int:
        """How many first knocks were not reported because callers was full, since the guard was loaded."""
        return self.counted(FULL)


def _apart(ask: Callable[[Netfilter], Answer]) -> Answer:
    """What `ask` returns over a socket of its own. Raises GuardError for its OSError."""
    with Netfilter() as netfilter:
        return _asked(lambda: ask(netfilter))


def _asked(ask: Callable[[], Answer]) -> Answer:
    """What `ask` returns. Raises GuardError for its OSError."""
    try:
        return ask()
    except OSError as error:
        raise _refusal(error) from error


def _refusal(error: OSError) -> GuardError:
    """The kernel's refusal in one line."""
    if error.errno == errno.EEXIST:
        return Already("the guard cannot be changed: it already exists")
    if error.errno == errno.ENFILE:
        return NoRoom("the guard cannot be changed: the set is full")
    return GuardError(in_a_line(os.strerror(error.errno or 0)))
