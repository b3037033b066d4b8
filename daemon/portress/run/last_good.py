"""What a daemon that cannot use its files starts with: the configuration that was last in force.

A slip in a file must not keep everybody out after the next reboot, so the service (`portress run
--last-good`) keeps a copy of every configuration it takes. Mistakes are told all the same.

In: the files' paths. Out: a Config and Keyholders to start with. Without `--last-good` mistakes are raised.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Final

from portress import files
from portress.config import load as configuration
from portress.config.model import Config
from portress.errors import Mistake
from portress.events import Events
from portress.keyholders import file as keyholding
from portress.keyholders.keyholder import Keyholder
from portress.paths import Paths

COPY: Final = "last-good.yaml"  # in the state directory
MARK: Final = "last-good"  # beside the control socket, while a copy, or no keyholder, has to do


class LastGood:
    """`wanted`: go on with what was last good; else the first mistake ends the start."""

    def __init__(self, paths: Paths, events: Events, wanted: bool) -> None:
        self.in_use = paths.config  # the file that the present configuration comes from
        self.no_keyholders = False  # they could not be read, so nobody knows who they are
        self._paths = paths
        self._events = events
        self.wanted = wanted
        self._copy = paths.state / COPY
        self._kept: str | None = None

    def config(self, hear: Callable[[Config], None]) -> Config:
        """The configuration to start with. Raises Mistake if there is none, or the copy is not wanted.

        `hear` raises Mistake if nothing can be heard as a configuration wants it.
        """
        config = None
        try:
            config = configuration.load(self._paths.config, here=True)
            if self.wanted:
                hear(config)
            return config
        except Mistake as mistake:
            ears = None if config is None else config.ears
            config = self._last() if self.wanted else None
            if config is None or config.ears == ears:
                raise
            self._tell(mistake, f"running the last good configuration, {self._copy}")
            self.in_use = self._copy
            return config

    def before(self) -> Config | None:
        """The configuration that was in force last; None if that is not known."""
        return self._last() if self.wanted else None

    def _last(self) -> Config | None:
        try:
            return configuration.load(self._copy)
        except Mistake:  # none was kept, or it is of a version that allowed other things
            return None

    def keyholders(self, config: Config) -> tuple[Keyholder, ...]:
        """The keyholders to start with, nobody if they cannot be read. Raises Mistake if not `wanted`."""
        try:
            return keyholding.load(keyholding.locate(self._paths.config), config.doors)
        except Mistake as mistake:
            if not self.wanted:
                raise
            self._tell(mistake, "running without keyholders: only fixed sequences open doors")
            self.no_keyholders = True
            return ()

    def _tell(self, mistake: Mistake, consequence: str) -> None:
        for line in mistake.lines:
            self._events.tell("refused", line)
        self._events.tell("refused", f"{consequence}; fix the file, then: systemctl reload portress")

    @property
    def falling_back(self) -> bool:
        """Whether something else than the files is in force."""
        return self.no_keyholders or self.in_use != self._paths.config

    def mark(self) -> None:
        """Leave word beside the control socket if something else than the files is in force."""
        mark = self._paths.socket.parent / MARK
        with contextlib.suppress(OSError):
            if self.falling_back:
                mark.touch(mode=0o600)
            else:
                mark.unlink(missing_ok=True)

    def taken(self, config: Config) -> None:
        """The files are in force from now on; the configuration is kept for another time."""
        self.in_use, self.no_keyholders = self._paths.config, False
        self.mark()
        self.keep(config)

    def keep(self, config: Config) -> None:
        """Keep a copy of a configuration that came from its file; where that cannot be, there is none."""
        if not self.wanted or self.falling_back or not config.text or config.text == self._kept:
            return
        try:
            files.replace(self._copy, config.text)
        except OSError as error:
            self._events.tell(
                "warning", f"{self._copy}: cannot be saved for the next start: {error.strerror}"
            )
        else:
            self._kept = config.text
