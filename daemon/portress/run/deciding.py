"""Where the kernel decides: the maps of the guard follow the sequences in force and what of them is used up.

In: the tree of a time step, what is used, what the maps hold. Out: `Plan`, what they are to hold, made in any
thread; and what of a plan has to change at once when a sequence was used.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, Final

from attrs import astuple, define, field, frozen

from portress import hours
from portress.clock import STEP
from portress.errors import Mistake
from portress.guard import decide, judging, upkeep
from portress.guard.contents import Contents, contents, edge_of, led_to, node_key, node_of
from portress.guard.elements import ElementChanges
from portress.guard.language import TABLE
from portress.guard.maps import Maps
from portress.knock import SECOND, Expected
from portress.sequence import edges
from portress.sequence.edges import MILLISECOND, USED, Edges, Numbering, Terms
from portress.sequence.in_force import SequencesInForce
from portress.sequence.trie import Node, Trie
from portress.verdict import Use

_ROUNDED: Final = 0.01  # s: hours change with a time step, and it is that step then
_SET: Final = 1500  # ms: a clock that moved more was set
_SECOND_MS: Final = SECOND // MILLISECOND


@frozen(eq=False)
class Plan:
    """What the maps are to hold for a tree; `ends` are the end nodes of each claim."""

    trie: Trie
    edges: Edges
    contents: Contents
    ends: Mapping[bytes, tuple[int, ...]]
    floor: int  # steps up to it are refused
    ahead: int  # ms that the monotonic clock was ahead of the wall clock
    changes: ElementChanges | None = None  # made ahead of time

    def crumble(self) -> None:
        """Free it piece by piece, when nobody needs it any more."""
        whole: list[Any] = [*self.contents.values()]
        whole += [one for one in astuple(self.edges, recurse=False) if isinstance(one, dict)]
        for each in whole:
            while each:
                each.popitem()

    def place_of(self, number: int | None) -> tuple[tuple[int, ...], int] | None:
        """The path and the floor of a node."""
        node = None if number is None else self.edges.nodes.get(number)
        return None if node is None else (node.path, node.floor)


@define(eq=False)
class Deciding:
    """Plans for the guard's `maps`. `unix` gives unix seconds, `clock` ns."""

    maps: Maps
    unix: Callable[[], float]
    clock: Callable[[], int]
    numbering: Numbering = field(factory=Numbering)

    def plan_for(
        self,
        sequences: SequencesInForce,
        trie: Trie,
        used: Mapping[bytes, Use],
        floor: int,
        ahead: float | None = None,
    ) -> Plan:
        """The plan for `trie`; its sequences up to step `floor`, and those of `used`, are used up.

        `ahead`: the changes are made now, for a moment so many seconds from now.
        """
        terms = self._terms(sequences, used, floor, ahead or 0.0)
        fixed = Trie(one for one in trie.root.beyond() if one.step is None)
        edges.build(fixed, fixed.opening, terms, self.numbering, self.clock())  # these have the first numbers
        built = edges.build(trie, trie.opening, terms, self.numbering, self.clock())
        holding = self.maps.target
        holds = contents(built, holding)
        ends: dict[bytes, tuple[int, ...]] = {}
        for number in built.ends:
            for claim in {one.claim for one in built.nodes[number].endings if one.step is not None}:
                ends[claim] = (*ends.get(claim, ()), number)
        changes = None
        if ahead is not None and holding is not None:
            moment = self.maps.clock() + round(ahead * _SECOND_MS)
            changes = upkeep.change(TABLE, holding, holds, moment)
        return Plan(trie, built, holds, ends, floor, self.ahead(), changes)

    def ahead(self) -> int:
        """How many ms the monotonic clock is ahead of the wall clock."""
        return self.clock() // MILLISECOND - round(self.unix() * _SECOND_MS)

    def stale(self, plan: Plan | None, floor: int) -> bool:
        """Whether the clock was set since the plan was made, or other steps are refused now."""
        return plan is not None and (plan.floor != floor or abs(plan.ahead - self.ahead()) > _SET)

    def _terms(
        self, sequences: SequencesInForce, used: Mapping[bytes, Use], floor: int, later: float
    ) -> Terms:
        config, skews, until = sequences.config, sequences.skews(), sequences.until
        ahead, moment = self.ahead(), self.unix() + later + _ROUNDED

        def ends(one: Expected) -> int | None:
            if one.step is None:
                return None
            if one.paper is not None:
                end = until.get(one.keyholder or "")
                return None if end is None else round(end * _SECOND_MS) + ahead
            over = (one.step + skews.get((one.keyholder, one.door), 0) + 1) * STEP
            return round(min(over, until.get(one.keyholder or "", over)) * _SECOND_MS) + ahead

        def over(one: Expected) -> int | None:
            closes = hours.closes(sequences.own_hours(one), moment)
            ends = [end for end in (closes, until.get(one.keyholder or "")) if end is not None]
            return round(min(ends) * _SECOND_MS) + ahead if ends else None

        return Terms(
            until=ends,
            used=lambda one: used_up(one, used, floor),
            chains=frozenset(one.chain for one in decide.openers(config)),
            plain=judging.plain(config),
            spent_for=decide.spent_for(config),
            barred=lambda one: not hours.is_open(sequences.own_hours(one), moment),
            over=over,
        )

    def place(self, plan: Plan | None, packed: bytes) -> tuple[tuple[int, ...], int] | None:
        """The path and the floor of the node where the guard has a source now."""
        try:
            return None if plan is None else plan.place_of(self.maps.stands_at(packed))
        except Mistake:
            return None

    def withdraw(self, plan: Plan, claims: Iterable[bytes], used: Mapping[bytes, Use], floor: int) -> None:
        """Have the guard refuse at once what was used, and older steps. Raises GuardError."""
        gone: list[tuple[bytes, bytes]] = []
        for number in {number for claim in claims for number in plan.ends.get(claim, ())}:
            how, chain = plan.edges.ends[number]
            endings = plan.edges.nodes[number].endings
            over = plan.edges.over.get(number)
            if over is not None and over < self.maps.clock() + _SECOND_MS:
                continue  # it is out of the guard by itself, now or in a moment
            if chain != USED and all(used_up(one, used, floor) for one in endings):
                plan.edges.ends[number] = (how, USED)
                gone.append((node_key(number), f"{how} {USED}".encode()))
        if gone:
            self.maps.withdraw(gone)

    def adopt(self, trie: Trie, now: int) -> None:
        """The nodes of `trie` that the guard in the kernel knows keep the numbers they have there.

        Raises GuardError.
        """
        held = upkeep.read(TABLE, self.maps.clock)
        edged = {edge_of(key): led_to(item[0]) for key, item in held["next"].items()}
        following = {edge: node for edge, node in edged.items() if node is not None}
        slower = {node_of(key): node_of(item[0]) for key, item in held["slower"].items()}
        todo: list[tuple[Node, int]] = [(trie.root, 0)]
        while todo:
            node, number = todo.pop()
            for knock, child in node.children.items():
                there = following.get((number, knock))
                one: Node | None = child
                while one is not None and there is not None:
                    self.numbering.adopt(edges.key_of(one), there, now)
                    todo.append((one, there))
                    one, there = one.slower, slower.get(there)
        self.numbering.avoid({*following.values(), *slower.values(), *self.maps.spent()})
        self.maps.holding = held

    def spent(self, trie: Trie, plan: Plan | None = None) -> list[Expected]:
        """The sequences of `trie` that the guard has seen used, by its own record. Raises GuardError.

        `plan`: the one in force; with that of `trie`, only those nodes are looked at.
        """
        numbers = self.maps.spent()
        if plan is not None and plan.trie is trie:
            claiming = {node for node, claim in plan.edges.claims.items() if claim in numbers}
            known = map(plan.edges.nodes.get, numbers | claiming)
            nodes: Iterable[Node] = [node for node in known if node is not None]
        else:
            nodes = _all_of(trie)
        return [
            one
            for node in nodes
            for one in node.endings
            if one.step is not None
            and self.numbering.claimed(one.claim, one.step, edges.key_of(node)) in numbers
        ]


def _all_of(trie: Trie) -> Iterator[Node]:
    todo = [trie.root]
    while todo:
        node = todo.pop()
        yield node
        todo += node.children.values()
        if node.slower is not None:
            todo.append(node.slower)


def used_up(one: Expected, used: Mapping[bytes, Use], floor: int) -> bool:
    """Whether a sequence is used, older than the last one used, or not to be believed."""
    if one.step is None:
        return False
    last = used.get(one.claim)
    return one.step <= (floor if last is None else max(floor, last.step))
