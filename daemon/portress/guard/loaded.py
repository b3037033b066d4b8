"""What of the guard in the kernel stays when it is loaded again: sets and maps with their elements, and
chains that are as this process has loaded them.

To give a chain a rule that asks a map, the kernel looks at each of the map's elements: where a thousand
keyholders have rotating sequences, 20 ms for each such rule. In: rulesets that are loaded, and the rules in
the kernel. Out: what need not be loaded again.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from typing import Final

from attrs import define, field

from portress.guard import listing
from portress.guard.language import FAMILY, TABLE
from portress.guard.listing import Listing
from portress.guard.ruleset import Ruleset
from portress.netlink import Netfilter

_ASKED: Final = re.compile(r"@([\w.]+)")


@define(eq=False)
class Loaded:
    """Chains that were loaded, and what tells their rules in the kernel from all others."""

    _texts: Mapping[str, tuple[str, ...]] = field(factory=dict, init=False)
    _rules: Mapping[str, bytes] = field(factory=dict, init=False)

    def unchanged(self, ruleset: Ruleset, kept: Collection[str], netfilter: Netfilter) -> frozenset[str]:
        """The chains in the kernel that are already as `ruleset` has them; no base chain is among them, nor
        any that asks a set that is not `kept`. Raises OSError."""
        now = listing.rules(netfilter) if self._rules else {}
        return frozenset(
            one.name
            for one in ruleset.chains
            if not one.head
            and one.name in now
            and now[one.name] == self._rules.get(one.name)
            and one.rules == self._texts.get(one.name)
            and {*_ASKED.findall("\n".join(one.rules))} <= {*kept}
        )

    def note(self, ruleset: Ruleset, generation: int, netfilter: Netfilter) -> None:
        """`ruleset` was loaded, after which the kernel's rules were of this generation. If they are not when
        they have been read, somebody else has changed some, perhaps these: they are not taken for what was
        loaded. Raises OSError."""
        found = listing.rules(netfilter)
        if listing.generation(netfilter) == generation:
            self._texts, self._rules = {one.name: one.rules for one in ruleset.chains}, found


def kept(before: Listing, ruleset: Ruleset) -> set[str]:
    """The living sets and maps that stay as they are."""
    same_prefixes = before.prefixes == ruleset.prefixes
    living = {one.name: one.size for one in ruleset.living}
    return {
        name
        for name, size in (*before.maps.items(), *before.sets.items())
        if living.get(name) == size and (same_prefixes or not name.endswith(("_4", "_6")))
    }


def clearing(
    before: Listing, ruleset: Ruleset, kept: Collection[str], unchanged: Collection[str]
) -> list[str]:
    """What is taken away before `ruleset` is added, in the same transaction: all but sets and maps that are
    `kept` and chains that are `unchanged`."""
    stay = {one.name for one in (*ruleset.chains, ruleset.twin)}
    return [
        *(f"flush chain {FAMILY} {TABLE} {name}" for name in sorted(before.chains - {*unchanged})),
        *(f"delete map {FAMILY} {TABLE} {name}" for name in before.maps if name not in kept),
        *(f"delete set {FAMILY} {TABLE} {name}" for name in before.sets if name not in kept),
        *(f"delete chain {FAMILY} {TABLE} {name}" for name in sorted(before.chains - stay)),
    ]
