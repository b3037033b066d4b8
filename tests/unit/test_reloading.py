"""While a reload loads the guard in a thread: what is heard waits, and what is removed by hand is gone."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from portress.guard.table import GuardError
from portress.run.changes import Reloading
from portress.run.ears import Hearing


def loaded(
    *, removed: bool = False, error: GuardError | None = None, guarding: bool = True
) -> tuple[list[str], Any]:
    """What happened, in order, and what is in force afterwards."""
    log: list[str] = []
    in_force = SimpleNamespace(loading=asyncio.Lock())
    sentinel = SimpleNamespace(guarding=guarding)

    def load(*_: object, in_parts: bool) -> list[str]:
        assert in_parts
        log.append(f"load, alone {in_force.loading.locked()}")
        sentinel.guarding = not removed
        if error is not None:
            raise error
        return ["ended"]

    reloading: Any = Reloading.__new__(Reloading)
    reloading.in_force = in_force
    reloading.sentinel = sentinel
    reloading.table = SimpleNamespace(load=load, remove=lambda: log.append("remove"))
    reloading.listener = SimpleNamespace(listen=lambda: log.append("listen"))

    @contextlib.contextmanager
    def paused() -> Iterator[None]:
        log.append("pause")
        try:
            yield
        finally:
            log.append("go on")

    reloading.ears = SimpleNamespace(paused=paused)

    async def begin(config: str, ended: list[str]) -> None:
        log.append(f"count by {config}, alone {in_force.loading.locked()}, {ended}")

    recounting: Any = SimpleNamespace(begin=begin)
    with contextlib.suppress(GuardError):
        asyncio.run(reloading._load("config", "rules", [], recounting))
    return log, in_force


COUNTED = "count by config, alone True, "


def test_what_was_reported_is_heard_before_and_what_is_reported_meanwhile_after() -> None:
    log, in_force = loaded()
    assert log == ["listen", "pause", "load, alone True", f"{COUNTED}['ended']", "go on"]
    assert not in_force.loading.locked()


def test_a_guard_removed_by_hand_meanwhile_does_not_come_back() -> None:
    log, _ = loaded(removed=True)
    assert log == ["listen", "pause", "load, alone True", "remove", f"{COUNTED}['ended']", "go on"]


def test_where_there_is_to_be_no_guard_none_is_loaded() -> None:
    log, _ = loaded(guarding=False)
    assert log == ["listen", "pause", f"{COUNTED}[]", "go on"]


def test_where_it_cannot_be_loaded_all_goes_on_as_before() -> None:
    log, in_force = loaded(error=GuardError("no room"))
    assert log == ["listen", "pause", "load, alone True", "go on"] and not in_force.loading.locked()


@pytest.mark.parametrize("interval", [None, 0.001])
def test_who_pauses_hears_nothing_until_he_goes_on(interval: float | None, tmp_path: Any) -> None:
    """A watcher with a descriptor is left alone; one that is asked now and then is asked."""

    ours, theirs = socket.socketpair()
    heard: list[str] = []

    def listen() -> None:
        heard.append("heard")
        if interval is None:
            ours.recv(100)

    hearer: Any = SimpleNamespace(turn_to=lambda watching: None, listen=listen)
    watching: Any = SimpleNamespace(interval=interval, fileno=ours.fileno)

    async def see() -> None:
        hearing = Hearing(lambda: 0, lambda: 0, tmp_path)
        hearing.turn(hearer, watching)
        with hearing.paused():
            theirs.send(b"knock")
            await asyncio.sleep(0.02)
            assert bool(heard) == (interval is not None)
        while not heard:
            await asyncio.sleep(0.001)
        hearing.close()
        with hearing.paused():  # nobody hears anything any more
            pass
        theirs.send(b"knock")
        count = len(heard)
        await asyncio.sleep(0.02)
        assert len(heard) == count

    with ours, theirs:
        asyncio.run(asyncio.wait_for(see(), 20))
