"""What waits to be said to a fleet: sent once it can be, and never when it is over."""

from __future__ import annotations

import asyncio
from typing import Any, cast

from portress.fleet.outbox import Outbox
from portress.fleet.store import MANY, Store

NOW = 1_800_000_000.0


class Taking:
    """A store that takes everything, and notes it."""

    def __init__(self) -> None:
        self.sent: list[bytes] = []

    async def grant(self, _seconds: int) -> int:
        return 1

    async def put_unless_changed(self, changes: list[tuple[bytes, bytes, int]], _revision: int) -> int:
        self.sent += [key for key, _, _ in changes]
        return 0


def test_what_is_over_is_not_sent_and_holds_up_nothing() -> None:
    store, ignored = Taking(), cast(Any, lambda _: None)
    outbox = Outbox(cast(Store, store), lambda: NOW, ignored, lambda: 7)

    async def work() -> None:
        outbox.put(b"over", b"1", NOW - 1, None)
        await outbox.empty()
        assert store.sent == [] and len(outbox) == 0
        for number in range(MANY + 5):
            outbox.put(b"over %d" % number, b"1", NOW - 1, None)
        outbox.put(b"there", b"1", NOW + 60, None)
        await outbox.empty()
        assert store.sent == [b"there"] and len(outbox) == 0

    asyncio.run(work())
