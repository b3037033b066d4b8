"""The note that guard removed by hand: as long as it is there, no daemon puts the guard back.

Root and the daemon's user each have a place of their own for it, for root must not write where that user
could plant a link: root beside the control socket's directory (/run/portress-unguarded for /run/portress),
the daemon in it. Both are gone after a boot.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import Final

NAME: Final = "unguarded"


class Away:
    """The note of the daemon with this control socket, whoever wrote it."""

    def __init__(self, socket: Path) -> None:
        self._roots = socket.parent.with_name(f"{socket.parent.name}-{NAME}")
        self._daemons = socket.parent / NAME

    def noted(self) -> bool:
        """Whether guard removed by hand and is to stay away."""
        return any(os.path.lexists(one) for one in (self._roots, self._daemons))

    def note(self) -> None:
        """Write it down, as far as that can be done."""
        mine = self._roots if os.geteuid() == 0 else self._daemons
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        with contextlib.suppress(OSError):
            os.close(os.open(mine, flags, 0o600))

    def clear(self) -> None:
        """The guard may be put in force again. To unlink follows no link: root may remove either note."""
        for one in (self._roots, self._daemons):
            with contextlib.suppress(OSError):
                one.unlink()
