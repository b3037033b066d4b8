"""The outside interfaces: which of those that are named are there, and when one comes or goes.

The guard names interfaces and so guards one that comes later from its first packet. But a name that no
interface has guards nothing, and whoever wrote it should hear of it.
"""

from __future__ import annotations

import socket
from collections.abc import Iterable

from portress.events import Events


def present() -> frozenset[str]:
    """The names of this network namespace's interfaces; empty if the kernel does not tell."""
    try:
        return frozenset(name for _, name in socket.if_nameindex())
    except OSError:
        return frozenset()


def absent(outside: Iterable[str]) -> list[str]:
    """Those of the named interfaces that are not there now."""
    there = present()
    return [name for name in outside if name not in there] if there else []


class Interfaces:
    """Tells of outside interfaces that are not there, come and go."""

    def __init__(self, events: Events) -> None:
        self._events = events
        self._missing: frozenset[str] = frozenset()
        self._named: frozenset[str] = frozenset()

    def look(self, outside: tuple[str, ...]) -> None:
        """Look again. `outside`: the names as configured now, none where every interface is outside."""
        if not outside and not self._named:
            return
        missing = frozenset(absent(outside))
        for name in outside:
            if name in missing and name not in self._missing:
                text = f"{name} is not there: nothing is guarded by that name until it comes"
                self._events.tell("interface", text, interface=name, state="absent")
            elif name in self._missing and name not in missing:
                self._events.tell(
                    "interface", f"{name} is there and guarded", interface=name, state="present"
                )
        self._missing, self._named = missing, frozenset(outside)
