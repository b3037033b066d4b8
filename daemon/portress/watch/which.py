"""Which watcher a configuration asks for. Each is imported only where it is wanted."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from portress.config.model import Config
from portress.knock import SECOND
from portress.watch import Watcher


def watcher(
    config: Config, clock: Callable[[], int], wall: Callable[[], int], state: Path | None = None
) -> Watcher:
    """The watcher that `config` asks for, not opened yet.

    `clock` and `wall` give ns: monotonic, and the kernel's wall clock. `state` is the directory for what it
    remembers.
    """
    if config.watch == "counter":
        from portress.watch.counter import CounterWatcher

        return CounterWatcher(config.counter_interval / SECOND, clock)
    if config.watch == "journal":
        from portress.watch.journal import JournalWatcher

        return JournalWatcher(
            config.journal_prefix,
            clock,
            cursor=None if state is None else state / "journal.cursor",
            widths=config.widths,
            oldest=config.longest_gap,
        )
    from portress.watch.packet import PacketWatcher

    if config.decide == "kernel":
        from portress.watch.reports import ReportWatcher

        kind: type[PacketWatcher] = ReportWatcher
    else:
        kind = PacketWatcher
    made = kind(config.group, clock, wall=wall, widths=config.widths)
    if any(door.by_connection for door in config.doors.values()):
        made.keep_origins()
    return made
