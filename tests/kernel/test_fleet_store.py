"""The store's client at a real etcd of the distribution: claims, leases, watches, roles, faults."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path
from typing import Any

import pytest

from lab.etcd import PASSWORD, Etcd, etcd
from portress.fleet import reading
from portress.fleet.reading import AHEAD
from portress.fleet.store import Access, Store
from portress.fleet.wire import Compacted, NoLease, Refused, StoreError, StoreFull

pytestmark = pytest.mark.xdist_group("fleet_store")  # one store for all of them


def access(store: Etcd, user: str | None = None) -> Access:
    return Access(store.urls, **store.files, user=user, password=PASSWORD if user else None)


def using(store: Etcd, work: Callable[[Store], Coroutine[Any, Any, None]], user: str | None = None) -> None:
    async def run() -> None:
        async with Store(access(store, user), deadline=15.0) as client:  # the machine is busy, not the store
            await work(client)

    asyncio.run(asyncio.wait_for(run(), 60))


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Etcd]:
    with etcd(tmp_path_factory.mktemp("etcd")) as store:
        yield store


def test_of_simultaneous_claims_exactly_one_wins(one: Etcd) -> None:
    async def work(client: Store) -> None:
        for number in range(100):
            key = b"/claims/%d" % number
            tried = await asyncio.gather(*(client.claim(key, b"%d" % who) for who in range(6)))
            winners = [who for who, there in enumerate(tried) if there is None]
            assert len(winners) == 1
            losers = {there.value for there in tried if there is not None}
            assert losers == {b"%d" % winners[0]}

    using(one, work)


def test_a_claim_whose_answer_was_lost_may_be_made_again(one: Etcd) -> None:
    async def work(client: Store) -> None:
        assert await client.claim(b"/again", b"mine") is None
        assert await client.claim(b"/again", b"mine") is None
        there = await client.claim(b"/again", b"yours")
        assert there is not None and there.value == b"mine"

    using(one, work)


def test_a_watch_from_a_revision_misses_nothing(one: Etcd) -> None:
    async def work(client: Store) -> None:
        first = await client.put([(b"/w/0", b"0", None)])
        await client.put([(b"/other", b"x", None)])
        await client.put([(b"/w/1", b"1", None), (b"/w/2", b"2", None)])
        await client.delete([b"/w/0"])
        heard: list[tuple[bytes, bytes | None]] = []
        async for _, changes in client.watch(b"/w/", first):
            heard += [(change.key, change.value) for change in changes]
            if len(heard) == 4:
                break
        assert sorted(heard[:3]) == [(b"/w/0", b"0"), (b"/w/1", b"1"), (b"/w/2", b"2")]
        assert heard[3] == (b"/w/0", None)

    using(one, work)


def test_everything_is_read_in_pages_at_one_revision(one: Etcd, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("portress.fleet.reading.PAGE", 7)

    async def work(client: Store) -> None:
        for number in range(20):
            await client.put([(b"/page/%02d" % number, b"%d" % number, None)])
        found = []
        revisions = set()
        async for revision, entries in client.read(b"/page/"):
            revisions.add(revision)
            found += [entry.key for entry in entries]
            await client.put([(b"/page/99", b"later", None)])
        assert found == [b"/page/%02d" % number for number in range(20)]
        assert len(revisions) == 1

    using(one, work)


CUTS = [b"/cut/%02d" % number for number in range(10, 100, 10)]


async def filled(client: Store, prefix: bytes = b"/cut/") -> list[bytes]:
    """200 keys, twenty for each of CUTS; no others."""
    await client.delete([prefix + b"55/new"])
    keys = [prefix + b"%02d/%d" % (number // 2, number % 2) for number in range(200)]
    for begin in (0, 100):
        await client.put([(key, b"first", None) for key in keys[begin : begin + 100]])
    return keys


def test_what_is_read_in_parts_is_whole_in_order_and_of_one_revision(
    one: Etcd, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("portress.fleet.reading.PAGE", 7)

    async def work(client: Store) -> None:
        keys = await filled(client)
        found, revisions = list[bytes](), set[int]()
        async for revision, entries in client.read(b"/cut/", CUTS):
            if not found:  # what changes meanwhile is for the watch
                await client.put(
                    [(keys[0], b"x", None), (keys[99], b"x", None), (b"/cut/55/new", b"x", None)]
                )
                await client.delete([keys[150]])
            revisions.add(revision)
            assert 0 < len(entries) <= 7
            assert {entry.value for entry in entries} == {b"first"}
            found += [entry.key for entry in entries]
        assert found == keys
        assert len(revisions) == 1

    using(one, work)


def test_of_what_is_read_few_parts_wait_to_be_worked_on(one: Etcd, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("portress.fleet.reading.PAGE", 5)
    asked = 0

    async def work(client: Store) -> None:
        part = reading._part

        async def counted(*words: Any) -> Any:
            nonlocal asked
            asked += 1
            return await part(*words)

        monkeypatch.setattr(reading, "_part", counted)
        await filled(client)
        ahead, given = list[int](), 0
        async for _ in client.read(b"/cut/", CUTS):
            given += 1
            await asyncio.sleep(0.02)  # who works on it is slow
            ahead.append(asked - given)
        assert given >= 40
        assert max(ahead) == AHEAD, "more was read into memory, or less ahead, than is meant"

    using(one, work)


def test_of_little_that_is_there_no_part_is_read_apart(one: Etcd, monkeypatch: pytest.MonkeyPatch) -> None:
    async def work(client: Store) -> None:
        keys = await filled(client)
        parts = [len(entries) async for _, entries in client.read(b"/cut/", CUTS)]
        assert sum(parts) == len(keys)
        assert len(parts) <= AHEAD + 1

    using(one, work)


def test_what_is_compacted_while_it_is_read_is_no_whole(one: Etcd, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("portress.fleet.reading.PAGE", 5)

    async def work(client: Store) -> None:
        await filled(client)
        parts = 0
        with pytest.raises(Compacted):
            async for _ in client.read(b"/cut/", CUTS):
                if not parts:
                    revision = await client.put([(b"/cut/00/0", b"later", None)])
                    one.ctl("compaction", str(revision), user="")
                parts += 1
        assert 0 < parts < 40

    using(one, work)


@pytest.mark.parametrize("trouble", ["kill", "freeze"])
def test_a_member_that_fails_while_it_is_read_is_no_loss(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, trouble: str
) -> None:
    """Killed, or cut off from the others: it takes what is asked, and never answers."""
    monkeypatch.setattr("portress.fleet.reading.PAGE", 5)
    with etcd(tmp_path, members=3) as store:

        async def work(client: Store) -> None:
            keys = await filled(client)
            found, revisions, begun = list[bytes](), set[int](), time.monotonic()
            async for revision, entries in client.read(b"/cut/", CUTS):
                if not found:
                    getattr(store, trouble)(client.endpoint)
                revisions.add(revision)
                found += [entry.key for entry in entries]
            assert found == keys and len(revisions) == 1
            assert time.monotonic() - begun < 20, "a part is given 10 s, over all endpoints"

        using(store, work)
        if trouble == "freeze":
            for number in range(3):
                store.thaw(number)


def test_a_read_of_a_store_that_has_lost_its_majority_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("portress.fleet.reading.PAGE", 5)
    with etcd(tmp_path, members=3) as store:

        async def work(client: Store) -> None:
            await filled(client)
            begun = time.monotonic()
            with pytest.raises(StoreError):
                async for _ in client.read(b"/cut/", CUTS):
                    for number in range(3):
                        if number != client.endpoint and number in store._processes:
                            store.kill(number)
            assert time.monotonic() - begun < 30

        using(store, work)


def test_what_was_put_under_a_lease_ends_with_it(one: Etcd) -> None:
    async def work(client: Store) -> None:
        lease = await client.grant(60)
        await client.put([(b"/leased", b"x", lease)])
        assert await client.keep(lease)
        assert await client.get(b"/leased") is not None
        await client.revoke(lease)
        assert await client.get(b"/leased") is None
        assert not await client.keep(lease)
        ask, asked = client._once, []

        async def once(*words: Any) -> Any:
            asked.append(words)
            return await ask(*words)

        client._once = once  # type: ignore[method-assign]
        with pytest.raises(NoLease, match="lease not found"):
            await client.put([(b"/leased", b"x", lease)])
        assert len(asked) == 1  # the answer is the store's: nobody is asked again

    using(one, work)


def test_a_revision_that_was_compacted_is_named(one: Etcd) -> None:
    async def work(client: Store) -> None:
        for number in range(3):
            revision = await client.put([(b"/c", b"%d" % number, None)])
        one.ctl("compaction", str(revision), user="")
        with pytest.raises(Compacted):
            async for _ in client.watch(b"/c", 1):
                pass

    using(one, work)


def test_the_clocks_differ_by_what_the_answers_say(one: Etcd) -> None:
    async def work(client: Store) -> None:
        for _ in range(30):
            await client.get(b"/x")
            await asyncio.sleep(0.05)
        assert client.clock.low <= 0 <= client.clock.high
        assert client.clock.high - client.clock.low < 0.5

    using(one, work)


def test_a_certificate_of_another_authority_is_refused(one: Etcd, tmp_path: Path) -> None:
    from lab.etcd import certificates

    certificates(tmp_path, "gateway")

    async def run(ca: Path, cert: Path, key: Path) -> str:
        with pytest.raises(StoreError) as caught:
            async with Store(Access(one.urls, ca, cert, key), deadline=1.0) as client:
                await client.get(b"/x")
        return str(caught.value)

    mine, theirs = one.files, {"cert": tmp_path / "gateway.pem", "key": tmp_path / "gateway.key"}
    assert "certificate" in asyncio.run(run(tmp_path / "ca.pem", mine["cert"], mine["key"]))
    assert asyncio.run(run(mine["ca"], theirs["cert"], theirs["key"])) != ""


def test_a_gateway_is_confined_to_its_fleet(tmp_path: Path) -> None:
    with etcd(tmp_path) as store:
        store.confine("edge", "edge-1")

        async def work(client: Store) -> None:
            await client.put([(b"/portress/edge/x", b"1", None)])
            with pytest.raises(Refused, match="permission denied"):
                await client.put([(b"/portress/other/x", b"1", None)])
            with pytest.raises(StoreError, match="permission denied"):
                async for _ in client.watch(b"/portress/other/", 1):
                    pass

        using(store, work, "edge-1")
        with pytest.raises(StoreError, match="check the user"):
            using(store, lambda client: _touch(client))


async def _touch(client: Store) -> None:
    await client.put([(b"/portress/edge/x", b"1", None)])


def test_a_full_store_is_named(tmp_path: Path) -> None:
    with etcd(tmp_path, options=["--quota-backend-bytes", str(1 << 20)]) as store:

        async def work(client: Store) -> None:
            with pytest.raises(StoreFull, match="NOSPACE"):
                for number in range(40):
                    await client.put([(b"/big/%d" % number, b"x" * 100_000, None)])
            assert await client.get(b"/big/0") is not None

        using(store, work)


def test_with_a_member_killed_or_frozen_the_next_one_answers(tmp_path: Path) -> None:
    with etcd(tmp_path, members=3) as store:

        async def work(client: Store) -> None:
            await client.put([(b"/x", b"1", None)])
            store.kill(client.endpoint)
            await asyncio.sleep(2.5)  # an election, if it was the leader: 1 s by etcd's default
            await client.put([(b"/x", b"2", None)])
            store.start(0)
            await asyncio.to_thread(store.wait)
            store.freeze(client.endpoint)
            try:
                found, end = None, time.monotonic() + 10
                while found is None and time.monotonic() < end:
                    try:
                        found = await client.get(b"/x")
                    except StoreError:
                        await asyncio.sleep(0.2)
                assert found is not None and found.value == b"2"
            finally:
                for number in range(3):
                    store.thaw(number)

        using(store, work)


def test_a_store_that_is_not_there_is_told_within_the_deadline() -> None:
    async def run() -> float:
        begun = time.monotonic()
        async with Store(Access(("http://127.0.0.1:9",)), deadline=0.5) as client:
            with pytest.raises(StoreError, match=r"127\.0\.0\.1:9: "):
                await client.get(b"/x")
        return time.monotonic() - begun

    assert 0.3 < asyncio.run(run()) < 3
