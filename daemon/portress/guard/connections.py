"""Admitted connections in the kernel: sources with the one port that they may come from.

In: what of the table is in the kernel. Out: which are admitted, and from which ports a door was tried.
Raises OSError as `elements` does.
"""

from __future__ import annotations

from collections.abc import Iterator

from portress.guard import elements
from portress.guard.language import TABLE
from portress.guard.listing import Listing
from portress.guard.one_connection import one_set, tried_set
from portress.knock import Source


def _source(key: bytes) -> Source:
    """What an element is: the address, and the port filled up to four bytes."""
    return Source(key[:-4], len(key) * 8 - 32, int.from_bytes(key[-4:-2], "big"))


def admitted(known: Listing) -> Iterator[tuple[str, Source, int]]:
    """Door, source with its port, and the ms left, of every connection that may still come."""
    for door in known.doors:
        for family in (4, 6):
            if one_set(door, family) in known.sets:
                for one in elements.read(TABLE, one_set(door, family)):
                    yield door, _source(one.key), one.left


def tried(known: Listing, door: str) -> Iterator[Source]:
    """Addresses with an admitted connection, and a port from which each dialled the door in vain in the last
    minute."""
    for family in (4, 6):
        if tried_set(door, family) in known.sets:
            yield from (_source(one.key) for one in elements.read(TABLE, tried_set(door, family)))
