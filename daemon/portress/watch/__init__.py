"""What turns kernel events into knocks. Every watcher is a context manager that answers to `Watcher`."""

from __future__ import annotations

from collections.abc import Mapping
from types import TracebackType
from typing import Protocol, Self

Heard = tuple[
    bytes, int, int, int
]  # source (as much of it as counts), knock, time (ns), interface index or 0


class Watcher(Protocol):
    """What the daemon asks of a watcher.

    `lost` counts knocks the kernel reported and nobody heard, `overruns` how often a buffer was full,
    `odd` what was reported and is no knock. `interval` is None if `fileno` tells when to read, else the
    pause (s) between two reads. `lag` is how long (ns) after a knock `read` may tell of it, at the most
    while all is well: so long nothing should be taken for over.
    """

    interval: float | None
    overruns: int

    @property
    def lag(self) -> int: ...

    @property
    def lost(self) -> int: ...

    @property
    def odd(self) -> Mapping[str, int]: ...

    def fileno(self) -> int: ...

    def read(self, budget: int = 256) -> list[Heard]:
        """What was heard since, oldest first; never waits. The rest, beyond `budget`, at the next call.

        No time is earlier than one that was told before. UNSURE in place of a knock stands for knocks
        of that source of which the order is not known.
        """
        ...

    def came_from(self, source: bytes, knock: int, when: int) -> tuple[bytes, int] | None:
        """The whole address and the port that a knock of the last `read` came from; None if unknown."""
        ...

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...
