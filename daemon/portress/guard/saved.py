"""The guard's rules as nft text, to be put back as they were.

In: a way to ask libnftables. Out: the table's text, without the elements of sets with timeouts.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final

from portress.guard.language import FAMILY, OWNED, TABLE

_HEAD: Final = re.compile(rf"^(table {FAMILY} {TABLE} \{{).*\n(?:\tflags .*\n)?")
_TIMED: Final = re.compile(
    r"(flags [a-z,]*timeout\b(?:(?!\n\t\}).)*?)\n\t\telements = \{.*?\}(?=\n)", re.DOTALL
)


def text(run: Callable[[str], str]) -> str:
    """The table in the kernel, which must be there; `run` has libnftables do what a text says."""
    # A set with timeouts is listed with what it holds now: that is not part of the rules.
    return _TIMED.sub(r"\1", run(f"list table {FAMILY} {TABLE}"))


def again(saved: str, *, own: bool) -> str:
    """What adds the table of `text` anew; `own`: with this process as its owner."""
    flags = f"\t{OWNED}\n" if own else ""
    return _HEAD.sub(rf"\1\n{flags}", saved)
