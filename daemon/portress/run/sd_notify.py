"""What systemd is told (sd_notify(3)): ready, reloading, stopping, status and signs of life."""

from __future__ import annotations

import os

import systemd.daemon

from portress.shown import shown


class Notify:
    """Speaks to the service manager where there is one; elsewhere it says nothing."""

    def __init__(self) -> None:
        self._status = ""

    @property
    def watchdog(self) -> float | None:
        """Seconds within which a sign of life is expected (sd_watchdog_enabled(3)), or None."""
        asked = os.environ.get("WATCHDOG_USEC", "")
        mine = os.environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        return int(asked) / 1e6 if mine and asked.isdecimal() and int(asked) else None

    def ready(self) -> None:
        systemd.daemon.notify("READY=1")

    def reloading(self, now: int) -> None:
        """`now`: CLOCK_MONOTONIC in ns."""
        systemd.daemon.notify(f"RELOADING=1\nMONOTONIC_USEC={now // 1000}")

    def stopping(self) -> None:
        systemd.daemon.notify("STOPPING=1")

    def alive(self) -> None:
        systemd.daemon.notify("WATCHDOG=1")

    def status(self, text: str) -> None:
        """The one line that `systemctl status` shows; sent when it changes."""
        if text != self._status:
            self._status = text
            systemd.daemon.notify(f"STATUS={shown(text)}")
