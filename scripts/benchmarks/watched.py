"""The daemon, with every turn of its loop timed: `python watched.py LOG run …`.

In: a file to write to, and the words of `portress`. Out: a line for each turn that took the loop's thread a
millisecond or more: when it was over (s, CLOCK_MONOTONIC), how long it took and how much of it was work (ms).
The work does not depend on what else this machine is doing.
"""

from __future__ import annotations

import sys
import time
from asyncio import events
from pathlib import Path

from portress.commands import main

log = Path(sys.argv.pop(1)).open("a", buffering=1)  # noqa: SIM115 — until the end
plain = events.Handle._run


def timed(handle: events.Handle) -> None:
    began, worked = time.monotonic(), time.thread_time()
    try:
        plain(handle)
    finally:
        work = time.thread_time() - worked
        if work >= 0.001:
            now = time.monotonic()
            log.write(f"{now:.4f} {(now - began) * 1000:.2f} {work * 1000:.2f}\n")


events.Handle._run = timed  # type: ignore[method-assign]
sys.argv[0] = "portress"
sys.exit(main())
