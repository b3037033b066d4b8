"""The guard's rules as nft text, to be put back as they were.

In: what nft lists. Out: the table's text, without the elements of sets with timeouts.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final

from portress.guard.language import FAMILY, OWNED, TABLE
from portress.guard.libnftables import Nft

_HEAD: Final = re.compile(rf"^(table {FAMILY} {TABLE} \{{).*\n(?:\tflags .*\n)?")
_SET: Final = re.compile(r"^\t(set|map) (\S+) \{\n(?:\t\t.*\n)*?\t\}\n", re.MULTILINE)
_TIMED: Final = re.compile(r"^\t\tflags [a-z,]*timeout", re.MULTILINE)


def text(nft: Nft, run: Callable[[str], str]) -> str | None:
    """The table in the kernel, None if there is none; `run` has `nft` do what a text says.

    A set with timeouts has what happens to be in it: that is no part of the rules, and is not asked for. It
    may be much, and a listing of what changes meanwhile begins again and again.
    """

    def filled(found: re.Match[str]) -> str:
        if _TIMED.search(found[0]):
            return found[0]
        whole = _SET.search(run(f"list {found[1]} {FAMILY} {TABLE} {found[2]}"))
        return found[0] if whole is None else whole[0]

    bare = nft.bare(TABLE)
    return None if bare is None else _SET.sub(filled, bare)


def again(saved: str, *, own: bool) -> str:
    """What adds the table of `text` anew; `own`: with this process as its owner."""
    flags = f"\t{OWNED}\n" if own else ""
    return _HEAD.sub(rf"\1\n{flags}", saved)
