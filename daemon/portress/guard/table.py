"""The guard in the kernel: load it, look at it, admit, dismiss, take it away.

Everything is written through one kept libnftables handle, in one transaction a call: where the kernel
and nft can do it, the table belongs to that handle and nobody else can change it.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterable, Mapping
from typing import Any, Final

import nftables
from attrs import frozen

from portress.errors import Mistake
from portress.guard import elements
from portress.guard.ruleset import FAMILY, FULL, TABLE, Json, Ruleset, door_set, element, knock_element
from portress.knock import SECOND, Source

_COMMENT: Final = re.compile(r"portress 1 prefix (\d+) (\d+) config [0-9a-f]+")
_KINDS: Final = ("chain", "set", "map", "counter")
_NAME: Final = {"family": FAMILY, "table": TABLE}


class GuardError(Mistake):
    """The kernel or libnftables refused what was asked of the guard."""


@frozen
class Held:
    """An admission as the kernel holds it: `left` is ns until it ends."""

    door: str
    source: Source
    left: int


@frozen
class Listing:
    """What of the table is in the kernel: names and bodies by kind, and the comment on its first rule."""

    found: Mapping[str, Mapping[str, Json]]
    comment: str | None
    owned: bool  # the table has an owner, or had one (flag persist)

    @property
    def prefixes(self) -> tuple[int, int] | None:
        """How many bits of an IPv4 and an IPv6 address counted as one source when it was loaded."""
        match = _COMMENT.fullmatch(self.comment or "")
        return (int(match[1]), int(match[2])) if match else None

    def masked(self, source: Source) -> Source:
        """The source that an address or a prefix named by hand counts as. Raises Mistake if too wide."""
        length = (self.prefixes or (32, 128))[0 if source.family == 4 else 1]
        if source.length < length:
            raise Mistake(f"'{source}': a source is an address or a prefix of /{length} here (source_prefix)")
        return Source.of(source.packed, length)

    @property
    def doors(self) -> list[str]:
        """The doors that the table keeps, by the sets it has for them."""
        chains = self.found["chain"]
        return [
            name[:-2] for name in self.found["set"] if name.endswith("_4") and f"door_{name[:-2]}" in chains
        ]


def _seconds(ns: int) -> int:
    """Whole seconds, rounded up: what nft's JSON takes for a timeout."""
    return max(1, -(-ns // SECOND))


def _timed(entries: Iterable[tuple[str, Source, int]], *, new: bool = False) -> tuple[Json, ...]:
    """Transaction parts that (re)start elements: add, delete, add; for sets that are `new`, add alone.

    Before kernel 6.12 a plain add leaves the old timeout in place, after it it does not; the first add
    is for the delete to find something.
    """
    timed: dict[str, dict[str, Any]] = {}
    for name, source, ns in entries:
        address = str(source).partition("/")[0]
        timed.setdefault(name, {})[address] = {"elem": {"val": address, "timeout": _seconds(ns)}}
    parts: list[Json] = []
    for name, by_address in timed.items():
        full = element(name, list(by_address.values()))
        parts.append({"add": full})
        if not new:
            parts += [{"delete": element(name, list(by_address))}, {"add": full}]
    return tuple(parts)


class Table:
    """The guard's table as this process sees it, in the network namespace it was made in.

    Every method raises GuardError when the kernel refuses; then nothing was changed. Threads take turns.
    """

    def __init__(self, *, own: bool = False) -> None:
        """`own`: take ownership of the table where kernel and nft know `owner` and `persist`."""
        self._nft = nftables.Nftables()
        self._nft.set_json_output(True)
        self._nft.set_stateless_output(True)
        self._nft.set_numeric_prio_output(True)
        self._turn = threading.RLock()
        self.loads = 0  # how often this process has loaded the guard
        self.own = own

    def _run(self, commands: Iterable[Json]) -> Any:
        text = json.dumps({"nftables": list(commands)})
        with self._turn:
            code, output, error = self._nft.cmd(text)
        if code != 0:
            raise GuardError(_told(error))
        return json.loads(output) if output else None

    def listing(self) -> Listing | None:
        """What of the table is in the kernel now, or None. Elements are not read."""
        with self._turn:
            self._nft.set_terse_output(True)
            try:
                found = self._run([{"list": {"table": {"family": FAMILY, "name": TABLE}}}])
            except GuardError as error:
                if "No such file or directory" in str(error):
                    return None
                raise
            finally:
                self._nft.set_terse_output(False)
        bodies: dict[str, dict[str, Json]] = {kind: {} for kind in _KINDS}
        comment, owned = None, False
        for one in found["nftables"]:
            ((kind, body),) = one.items()
            if kind in bodies:
                bodies[kind][body["name"]] = body
            elif kind == "rule" and comment is None:
                comment = body.get("comment")
            elif kind == "table":
                owned = "persist" in body.get("flags", [])
        return Listing(bodies, comment, owned)

    def load(self, ruleset: Ruleset, admit: Iterable[tuple[str, Source, int]] = ()) -> list[Held]:
        """Put the guard in force in one transaction: every packet meets the old one or the new one whole.

        Admissions in the kernel stay as they are; `admit` (door, source, ns) are added to them. Returns
        the admissions that had to end: those of doors that are gone, and those of sources too wide now.
        """
        before = self.listing()
        carried, ended = ([], []) if before is None else self._carry_over(before, ruleset)
        commands: list[Json] = [{"add": {"table": self._table()}}]
        kept: set[str] = set()
        if before is not None:
            cleared, kept = self._clear(before, ruleset)
            commands += cleared
        living = [one for one in ruleset.living if next(iter(one.values()))["name"] not in kept]
        new = (*living, *ruleset.mirrors, *ruleset.chains, *ruleset.rules, *ruleset.elements)
        commands += [{"add": one} for one in new]
        entries = [(door_set(held.door, held.source.family), held.source, held.left) for held in carried]
        entries += [(door_set(door, source.family), source, ns) for door, source, ns in admit]
        commands += _timed(entries, new=before is None)
        self._run(commands)
        self.loads += 1
        return ended

    def _table(self) -> Json:
        return {"family": FAMILY, "name": TABLE, **({"flags": ["owner", "persist"]} if self.own else {})}

    def _carry_over(self, before: Listing, ruleset: Ruleset) -> tuple[list[Held], list[Held]]:
        """The admissions to be added anew, because their sets are, and those that end."""
        wanted = {one["set"]["name"] for one in ruleset.living if "set" in one}
        lengths = ruleset.prefixes
        same = before.prefixes == lengths and not self._takes_over(before)
        if same and all(door_set(door, 4) in wanted for door in before.doors):
            return [], []
        carried, ended = [], []
        for held in self.admissions(before):
            length = lengths[0] if held.source.family == 4 else lengths[1]
            if door_set(held.door, 4) not in wanted or held.source.length < length:
                ended.append(held)
            elif not same:
                carried.append(Held(held.door, Source.of(held.source.packed, length), held.left))
        return carried, ended

    def _takes_over(self, before: Listing) -> bool:
        """Whether the table has to be made anew to get an owner: one cannot be given to it later."""
        return self.own and not before.owned

    def _clear(self, before: Listing, ruleset: Ruleset) -> tuple[list[Json], set[str]]:
        """What goes before the new guard is added, in the same transaction, and what stays of the living."""
        if self._takes_over(before):
            table = {"family": FAMILY, "name": TABLE}
            return [{"delete": {"table": table}}, {"add": {"table": self._table()}}], set()
        same_prefixes = before.prefixes == ruleset.prefixes
        living = {body["name"]: body for one in ruleset.living for body in one.values()}
        chains = {one["chain"]["name"] for one in ruleset.chains}
        commands: list[Json] = [{"flush": {"table": {"family": FAMILY, "name": TABLE}}}]
        kept = set(before.found["counter"])
        for kind in ("map", "set"):
            for name, body in before.found[kind].items():
                wanted = living.get(name)
                if wanted is not None and same_prefixes and wanted.get("size") == body.get("size"):
                    kept.add(name)
                else:
                    commands.append({"delete": {kind: {**_NAME, "name": name}}})
        gone = [name for name in before.found["chain"] if name not in chains]
        return commands + [{"delete": {"chain": {**_NAME, "name": name}}} for name in gone], kept

    def present(self, ruleset: Ruleset) -> bool:
        """Whether the guard in the kernel is, by its comment, the one that `ruleset` describes."""
        now = self.listing()
        return now is not None and now.comment == ruleset.comment

    def text(self) -> str | None:
        """The table as nft text, without the elements of sets with timeouts; None if there is none."""
        if self.listing() is None:
            return None
        with self._turn:
            self._nft.set_json_output(False)
            try:
                code, output, error = self._nft.cmd(f"list table {FAMILY} {TABLE}")
            finally:
                self._nft.set_json_output(True)
        if code != 0:
            raise GuardError(_told(error))
        # A set with timeouts is listed with what it holds now: that is not part of the rules.
        return re.sub(
            r"(flags [a-z,]*timeout\b(?:(?!\n\t\}).)*?)\n\t\telements = \{.*?\}(?=\n)",
            r"\1",
            output,
            flags=re.S,
        )

    def restore(self, text: str, held: Iterable[Held]) -> None:
        """Put back a table as `text` gave it, in one transaction, with these admissions."""
        lines = [f"add table {FAMILY} {TABLE}", f"delete table {FAMILY} {TABLE}", text]
        for one in held:
            name, address = door_set(one.door, one.source.family), str(one.source).partition("/")[0]
            timeout = f"{{ {address} timeout {_seconds(one.left)}s }}"
            lines += [
                f"{verb} element {FAMILY} {TABLE} {name} {end}"
                for verb, end in (("add", timeout), ("delete", f"{{ {address} }}"), ("add", timeout))
            ]
        with self._turn:
            self._nft.set_json_output(False)
            try:
                code, _, error = self._nft.cmd("\n".join(lines))
            finally:
                self._nft.set_json_output(True)
        if code != 0:
            raise GuardError(_told(error))

    def remove(self) -> bool:
        """Take the guard away, which opens the doors. False if there was none."""
        if self.listing() is None:
            return False
        self._run([{"delete": {"table": {"family": FAMILY, "name": TABLE}}}])
        return True

    def admissions(self, listing: Listing | None = None) -> list[Held]:
        """Every admission in the kernel, with the time it has left to the millisecond."""
        listing = listing or self.listing()
        if listing is None:
            return []
        lengths = listing.prefixes or (32, 128)
        return [
            Held(door, Source.of(one.key, lengths[0] if family == 4 else lengths[1]), one.left * 1_000_000)
            for door in listing.doors
            for family in (4, 6)
            for one in elements.read(TABLE, door_set(door, family))
        ]

    def admit(self, entries: Iterable[tuple[str, Source, int]]) -> None:
        """Let each source through its door for so many ns from now, whatever it had left before."""
        self._run(_timed((door_set(door, source.family), source, ns) for door, source, ns in entries))

    def dismiss(self, entries: Iterable[tuple[str, Source]]) -> None:
        """End admissions. One that is not there is no error."""
        self._end((door_set(door, source.family), source) for door, source in entries)

    def shun(self, source: Source, ns: int) -> None:
        """Report the source's knocks no more, for so long."""
        self._run(_timed([(f"shunned_{source.family}", source, ns)]))

    def unshun(self, source: Source) -> None:
        """Report the source's knocks again."""
        self._end([(f"shunned_{source.family}", source)])

    def _end(self, entries: Iterable[tuple[str, Source]]) -> None:
        parts: list[Json] = []
        for name, source in entries:
            address = str(source).partition("/")[0]
            parts += [
                {"add": element(name, [{"elem": {"val": address, "timeout": 1}}])},
                {"delete": element(name, [address])},
            ]
        if parts:
            self._run(parts)

    def change_opening(self, gone: Iterable[int], come: Iterable[int]) -> None:
        """Replace first knocks in one transaction. `gone` must be there, `come` must not."""
        going, coming = [knock_element(one) for one in gone], [knock_element(one) for one in come]
        parts = [{"delete": element("opening", going)}] if going else []
        if coming:
            parts.append({"add": element("opening", coming)})
        if parts:
            self._run(parts)

    def found_no_room(self) -> int:
        """How many first knocks were not reported because callers was full, since the guard was loaded."""
        with self._turn:
            self._nft.set_stateless_output(False)
            try:
                found = self._run([{"list": {"counter": {**_NAME, "name": FULL}}}])
            finally:
                self._nft.set_stateless_output(True)
        return next((int(one["counter"]["packets"]) for one in found["nftables"] if "counter" in one), 0)


def _told(error: str) -> str:
    """libnftables' complaint in one line."""
    told = [line.removeprefix("internal:0:0-0: ").removeprefix("Error: ") for line in error.splitlines()]
    first = next((line for line in told if line.strip(" ^~")), "libnftables gave no reason")
    if "Operation not permitted" in first:
        return "the kernel does not let this process change the guard: run it as root, or through the daemon"
    return f"the guard cannot be changed: {first}"
