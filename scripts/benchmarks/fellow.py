"""A gateway's part in a fleet, alone in a process, for `fleet.py`: it says admissions, or waits until it has
heard them.

    python -m benchmarks.fellow say|hear URLS FOLDER COUNT

URLS in JSON; FOLDER has the certificates. Prints `ready`; then, on a line of its own, the CPU seconds that
saying took, or the moment (unix s) when the last was heard.
"""

from __future__ import annotations

import asyncio
import json
import resource
import sys
import time
from collections.abc import Iterable
from pathlib import Path

from lab.fleets import SECRET
from portress.fleet.heard import Doors
from portress.fleet.member import Member
from portress.fleet.memory import Memory
from portress.fleet.records import Admitted, Codec, Holder, Spent
from portress.fleet.seal import Seals
from portress.fleet.store import Access, Store
from portress.knock import Source


class _Counting(Doors):
    def __init__(self) -> None:
        self.count = 0

    def admit(self, admissions: list[Admitted]) -> None:
        self.count += len(admissions)

    def dismiss(self, record: Admitted) -> None: ...
    def use(self, spent: Spent) -> None: ...
    def know(self, holders: tuple[Holder, ...]) -> None: ...
    def collide(self, mine: Spent, first: Spent | None) -> None: ...
    def tell(self, text: str, trouble: bool) -> None: ...
    def paper(self) -> Iterable[Spent]:
        return ()

    def current(self) -> Iterable[Admitted]:
        return ()


async def _run(what: str, urls: tuple[str, ...], folder: Path, count: int) -> None:
    files = {"ca": folder / "ca.pem", "cert": folder / "gateway.pem", "key": folder / "gateway.key"}
    doors = _Counting()
    async with Store(Access(urls, **files), deadline=30.0) as store:
        codec = Codec("edge", Seals.of(SECRET, "edge"))
        member = Member(what, codec, store, Memory(folder / f"{what}.sqlite"), doors)
        await member.start()
        print("ready", flush=True)
        if what == "say":
            before = resource.getrusage(resource.RUSAGE_SELF)
            for number in range(count):
                source = Source.parse(f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}")
                member.admitted("ssh", source, time.time() + 3600, None)
            while len(member.outbox):
                await asyncio.sleep(0.01)
            after = resource.getrusage(resource.RUSAGE_SELF)
            print(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, flush=True)
        else:
            while doors.count < count:
                await asyncio.sleep(0.001)
            print(time.time(), flush=True)
        await member.stop()


if __name__ == "__main__":
    asyncio.run(_run(sys.argv[1], tuple(json.loads(sys.argv[2])), Path(sys.argv[3]), int(sys.argv[4])))
