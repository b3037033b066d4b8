"""Whether the host was booted since a daemon last started here: a note in the state directory says when.

In: the kernel's number of this boot. Out: yes or no; from now on no.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

BOOT: Final = Path("/proc/sys/kernel/random/boot_id")
BOOT_ID: Final = "PORTRESS_BOOT_ID"  # the same by portress.service, whose sandbox hides or mistakes that file


def rebooted(state: Path) -> bool:
    """Whether the host was booted since a daemon last started here; from now on it was not."""
    mark = state / "boot"
    try:
        now = os.environ.get(BOOT_ID) or BOOT.read_text().strip()
        before = mark.read_text().strip() if mark.exists() else ""
        if now != before:
            mark.write_text(f"{now}\n")
    except OSError:
        return False
    return before not in ("", now)
