"""The fleet's keyholders, for the verbs: listed, added, taken out, at the store itself.

In: the configuration. Out: the store changed, or a Mistake in one line. Every gateway hears of it within
milliseconds; the verbs need no daemon for it.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Coroutine, Iterable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Final, TypeVar

from attrs import evolve, frozen

from portress.config.model import Fleet
from portress.errors import Mistake
from portress.fleet.records import KEYHOLDERS, Codec, Holder
from portress.fleet.seal import Forged, Seals, read_secret
from portress.fleet.store import Access, Store
from portress.fleet.wire import StoreError
from portress.keyholders.edit import unknown
from portress.keyholders.file import entry_text, parse
from portress.keyholders.keyholder import Keyholder

DEADLINE: Final = 5.0  # seconds that a verb waits for the store

Result = TypeVar("Result")


def access(fleet: Fleet) -> Access:
    """How the store is reached. Raises Mistake where the password cannot be read."""
    password = None
    if fleet.password is not None:
        password = _word(fleet.password)
    return Access(fleet.store, fleet.ca, fleet.cert, fleet.key, fleet.user, password)


def codec(fleet: Fleet) -> Codec:
    """What reads and writes the fleet's records. Raises Mistake where the secret cannot be read."""
    return Codec(fleet.name, Seals.of(read_secret(fleet.secret), fleet.name))


def holder(keyholder: Keyholder) -> Holder:
    """A keyholder for the store."""
    return Holder(keyholder.name, 0, keyholder.doors, entry_text(keyholder))


def keyholders(holders: Iterable[Holder], doors: Iterable[str] | None = None) -> tuple[Keyholder, ...]:
    """The keyholders that the store's records stand for, by name; with `doors`, for those doors alone.

    Raises Mistake for an entry that this version cannot read.
    """
    text = "".join(f"{one.entry}\n" for one in sorted(holders, key=lambda one: one.name) if not one.gone)
    found = parse(text, "the fleet's store", None) if text else ()
    if doors is None:
        return found
    known = set(doors)
    return tuple(
        evolve(one, doors=tuple(door for door in one.doors if door in known))
        for one in found
        if known.intersection(one.doors)
    )


@frozen
class Roster:
    """The keyholders in the store."""

    _codec: Codec
    _store: Store

    async def read(self) -> tuple[Holder, ...]:
        """All of them. Raises Mistake for one that no gateway of this fleet wrote."""
        found = []
        async for _, entries in self._store.read(self._codec.key(KEYHOLDERS) + b"/"):
            for entry in entries:
                record = self._read(entry.key, entry.value)
                if not record.gone:
                    found.append(record)
        return tuple(found)

    async def add(self, keyholder: Keyholder) -> None:
        """Put in one who is not there. Raises Mistake if the name is taken."""
        before = await self._find(keyholder.name)
        if before is not None and not before.gone:
            raise Mistake(
                f"{keyholder.name} is enrolled in the fleet already: portress unenrol {keyholder.name} "
                "first, or choose another name"
            )
        await self.put(keyholder, before)

    async def put(self, keyholder: Keyholder, before: Holder | None = None) -> None:
        """Put in a keyholder, or another entry of the same name."""
        before = before or await self._find(keyholder.name)
        await self._write(holder(keyholder), before)

    async def remove(self, name: str) -> Holder:
        """Take one out, and say who it was. Raises Mistake."""
        before = await self._find(name)
        if before is None or before.gone:
            raise Mistake(f"the fleet's store: {unknown(name, keyholders(await self.read()))}")
        await self._write(Holder(name, 0, gone=True), before)
        return before

    async def _find(self, name: str) -> Holder | None:
        key = self._codec.key(KEYHOLDERS, name)
        entry = await self._store.get(key)
        return None if entry is None else self._read(entry.key, entry.value)

    def _read(self, key: bytes, value: bytes) -> Holder:
        try:
            record = self._codec.read(key, value)
        except Forged as why:
            raise Mistake(f"the fleet's store: {key.decode(errors='backslashreplace')}: {why}") from None
        assert isinstance(record, Holder)
        return record

    async def _write(self, record: Holder, before: Holder | None) -> None:
        now = round((time.time() - self._store.clock.ahead) * 1000)
        version = max(now, 1 + (0 if before is None else before.version))
        key, value = self._codec.written(
            Holder(record.name, version, record.doors, record.entry, record.gone)
        )
        await self._store.put([(key, value, None)])


def era(fleet: Fleet) -> str:
    """The era of the fleet's paper. Raises Mistake where the secret cannot be read."""
    return codec(fleet).era


@asynccontextmanager
async def _roster(fleet: Fleet) -> AsyncIterator[Roster]:
    async with Store(access(fleet), deadline=DEADLINE) as store:
        yield Roster(codec(fleet), store)


def at_store(fleet: Fleet, work: Callable[[Roster], Coroutine[Any, Any, Result]]) -> Result:
    """Do `work` at the store, from a verb. Raises Mistake."""

    async def run() -> Result:
        async with _roster(fleet) as roster:
            return await work(roster)

    try:
        return asyncio.run(run())
    except StoreError as error:
        raise Mistake(f"the fleet's store: {error}") from None


def _word(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not text"
        raise Mistake(f"{path}: {reason}: it has to hold the password of the store's user") from None
