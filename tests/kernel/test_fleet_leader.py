"""The member of the store that leads is asked: others hand a change on to it, and hear of it later."""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from lab.etcd import PASSWORD, Etcd, etcd
from portress.fleet.store import Access, Store
from portress.fleet.wire import StoreError

ROOT = f"root:{PASSWORD}"


def using(store: Etcd, work: Callable[[Store], Coroutine[Any, Any, None]], user: str | None = None) -> None:
    async def run() -> None:
        words = Access(store.urls, **store.files, user=user, password=PASSWORD if user else None)
        async with Store(words) as client:
            await work(client)

    asyncio.run(asyncio.wait_for(run(), 60))


def leader(store: Etcd, user: str = "") -> int:
    """The number of the member that leads, by etcd's own word."""
    told = [
        one["Status"] for one in json.loads(store.ctl("endpoint", "status", "--write-out=json", user=user))
    ]
    return next(n for n, one in enumerate(told) if one["header"]["member_id"] == one["leader"])


def test_the_member_that_leads_is_asked_whoever_that_is(tmp_path: Path) -> None:
    with etcd(tmp_path, members=3) as store:
        store.confine("edge", "edge-1")  # who may do nothing but that is told of the leader all the same

        async def work(client: Store) -> None:
            for _ in range(2):
                was = leader(store, ROOT)
                client.endpoint = (was + 1) % 3
                await client.get(b"/portress/edge/x")
                assert client.standing != client.settled
                await client.seek_leader()
                assert client.endpoint == was and client.standing == client.settled
                await client.put([(b"/portress/edge/x", b"1", None)])
                assert client.endpoint == was
                store.freeze(was)
                end = time.monotonic() + 15
                while client.standing == client.settled and time.monotonic() < end:
                    with contextlib.suppress(StoreError):
                        await client.get(b"/portress/edge/x")  # another one answers, in another term
                store.thaw(was)
                await asyncio.to_thread(store.wait)
                await client.get(b"/portress/edge/x")
                await client.seek_leader()
                assert client.endpoint == leader(store, ROOT)

        using(store, work, "edge-1")


def test_a_leader_that_does_not_answer_is_not_waited_for(tmp_path: Path) -> None:
    with etcd(tmp_path, members=3) as store:

        async def work(client: Store) -> None:
            was = leader(store)
            client.endpoint = (was + 1) % 3
            await client.get(b"/x")
            client.endpoint = (was + 1) % 3  # it may have asked another one on a busy machine
            store.freeze(was)
            begun = time.monotonic()
            await client.seek_leader()
            assert client.endpoint != was and time.monotonic() - begun < 12  # it never answers
            store.thaw(was)

        using(store, work)


def test_a_store_that_does_not_say_who_leads_is_used_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("portress.fleet.store.STATUS", "/v3/maintenance/unheard-of")
    with etcd(tmp_path) as store:

        async def work(client: Store) -> None:
            await client.get(b"/x")
            await client.seek_leader()
            assert client.endpoint == 0 and client.standing == client.settled

        using(store, work)
