"""The interfaces that are not guarded: which of those that are named are there, when one comes or goes.

What is not named is guarded, from its first packet on. A name that no interface has harms nobody, but whoever
wrote it should hear of it, and of an interface that comes under that name.
"""

from __future__ import annotations

import socket
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from portress.events import Events


def present() -> frozenset[str]:
    """The names of this network namespace's interfaces; empty if the kernel does not tell."""
    try:
        return frozenset(name for _, name in socket.if_nameindex())
    except OSError:
        return frozenset()


def absent(inside: Iterable[str]) -> list[str]:
    """Those of the named interfaces that are not there now."""
    there = present()
    return [name for name in inside if name not in there] if there else []


class Interfaces:
    """Tells of interfaces that are not guarded: not there, come and gone."""

    def __init__(self, events: Events) -> None:
        self._events = events
        self._missing: frozenset[str] = frozenset()
        self._named: frozenset[str] = frozenset()

    def look(self, inside: tuple[str, ...]) -> None:
        """Look again. `inside`: the names as configured now, without lo."""
        if not inside and not self._named:
            return
        missing = frozenset(absent(inside))
        for name in inside:
            if name in missing and name not in self._missing:
                text = f"{name} is not there; one that comes under that name is not guarded (inside)"
                self._events.tell("interface", text, interface=name, state="absent")
            elif name in self._missing and name not in missing:
                self._events.tell(
                    "interface",
                    f"{name} is there and, being inside, not guarded",
                    interface=name,
                    state="present",
                )
        self._missing, self._named = missing, frozenset(inside)
