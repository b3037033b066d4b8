"""The service's units, as far as others ask about them: whether systemd starts them at boot."""

from __future__ import annotations

import os
import subprocess
from typing import Final

DAEMON: Final = "portress.service"
GUARD: Final = "portress-guard.service"
AGAIN: Final = "portress-guard-again.service"
ENABLE: Final = "systemctl enable portress portress-guard portress-guard-again"


def enabled(unit: str) -> bool | None:
    """Whether systemd starts the unit at boot; None where that cannot be told, as without systemd."""
    if not os.path.isdir("/run/systemd/system"):
        return None
    words = ["systemctl", "is-enabled", unit]
    try:
        done = subprocess.run(words, capture_output=True, text=True, timeout=10, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return None
    state = done.stdout.strip()
    return state.startswith("enabled") if state not in ("", "not-found") else None
