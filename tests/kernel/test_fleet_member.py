"""Gateways of a fleet at a real etcd: each hears what the others do, and goes on alone without the store."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Coroutine, Iterable, Iterator
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from attrs import evolve

from lab.etcd import Etcd, etcd
from portress.fleet.member import ALIVE, Member, Outcome
from portress.fleet.memory import Memory
from portress.fleet.records import Admitted, Codec, Holder, Spent
from portress.fleet.seal import Seals
from portress.fleet.store import Access, Store
from portress.fleet.wire import Change, StoreError, StoreFull
from portress.knock import Source

SECRET = bytes(range(32))
ANA = Source.parse("192.0.2.7")
BO = Source.parse("2001:db8:1::/64")
CODEC = Codec("edge", Seals.of(SECRET, "edge"))


def at(door: str, source: Source) -> bytes:
    """Where an admission stands in the store."""
    return CODEC.at(Admitted(door, source, 0.0, "", 0))


class Daemon:
    """What the fleet asks of a daemon, noted."""

    def __init__(self) -> None:
        self.inside: dict[tuple[str, Source], Admitted] = {}
        self.ended: list[Admitted] = []
        self.used: set[tuple[str, str, int]] = set()
        self.holders: tuple[Holder, ...] = ()
        self.collisions: list[tuple[Spent, Spent | None]] = []
        self.said: list[str] = []
        self.own: list[Admitted] = []
        self.struck: list[Spent] = []

    def admit(self, admissions: list[Admitted]) -> None:
        for one in admissions:
            known = self.inside.get((one.door, one.source))
            if known is None or known.until < one.until:
                self.inside[one.door, one.source] = one

    def dismiss(self, record: Admitted) -> None:
        self.ended.append(record)
        self.inside.pop((record.door, record.source), None)

    def use(self, spent: Spent) -> None:
        self.used.add((spent.owner, spent.door, spent.step))

    def know(self, holders: tuple[Holder, ...]) -> None:
        self.holders = holders

    def collide(self, mine: Spent, first: Spent | None) -> None:
        self.collisions.append((mine, first))

    def current(self) -> Iterable[Admitted]:
        return self.own

    def paper(self) -> Iterable[Spent]:
        return self.struck

    def tell(self, text: str, trouble: bool) -> None:
        self.said.append(text)


class Gateway:
    """A member with its daemon. `ahead`: seconds that its clock is ahead."""

    def __init__(self, member: Member, daemon: Daemon, store: Store) -> None:
        self.member, self.daemon, self.store = member, daemon, store


@asynccontextmanager
async def gateway(
    base: Etcd,
    name: str,
    folder: Path,
    *,
    ahead: float = 0.0,
    own: Iterable[Admitted] = (),
    access: Access | None = None,
    deadline: float = 1.0,
) -> AsyncIterator[Gateway]:
    access = access or Access(base.urls, **base.files)

    def unix() -> float:
        return time.time() + ahead

    async with Store(access, deadline=deadline, unix=unix) as store:
        daemon = Daemon()
        daemon.own = [*own]
        memory = Memory(folder / f"{name}.sqlite")
        member = Member(name, CODEC, store, memory, daemon, unix)
        daemon.holders = member.recall()
        await member.start()
        try:
            yield Gateway(member, daemon, store)
        finally:
            await member.stop()


async def until(true: Callable[[], object], seconds: float = 30.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not come true in time"
        await asyncio.sleep(0.005)


def together(base: Etcd, folder: Path, work: Callable[..., Coroutine[Any, Any, None]], *names: str) -> None:
    async def run() -> None:
        async with AsyncExitStack() as stack:
            await work(*[await stack.enter_async_context(gateway(base, name, folder)) for name in names])

    asyncio.run(asyncio.wait_for(run(), 90))


@pytest.fixture
def base(tmp_path: Path) -> Iterator[Etcd]:
    folder = tmp_path / "etcd"
    folder.mkdir()
    with etcd(folder) as store:
        yield store


def test_who_knocks_at_one_is_in_at_all_and_out_at_all(base: Etcd, tmp_path: Path) -> None:
    async def work(one: Gateway, two: Gateway, three: Gateway) -> None:
        end = time.time() + 300
        one.member.admitted("ssh", ANA, end, "ana")
        for other in (two, three):
            await until(lambda other=other: ("ssh", ANA) in other.daemon.inside)
            known = other.daemon.inside["ssh", ANA]
            assert abs(known.until - end) < 0.01 and (known.keyholder, known.gateway) == ("ana", "one")
        three.member.dismissed("ssh", ANA, end, "dismissed")
        for other in (one, two):
            await until(lambda other=other: other.daemon.ended)
            assert ("ssh", ANA) not in other.daemon.inside
        assert three.daemon.ended == []

    together(base, tmp_path, work, "one", "two", "three")


def test_a_gateway_that_starts_reads_everything_first(base: Etcd, tmp_path: Path) -> None:
    async def run() -> None:
        async with gateway(base, "one", tmp_path) as one:
            one.member.admitted("ssh", ANA, time.time() + 300, None)
            one.member.admitted("ssh", BO, time.time() + 300, None)
            one.member.dismissed("ssh", BO, time.time() + 300, "dismissed")
            await one.member.publish(Holder("ana", 0, ("ssh",), "s" * 20))
            await until(lambda: len(one.member.outbox) == 0)
            assert (await one.member.claim(Spent("h", "ssh", 7, "", ANA, 0.0, 0)))[0] is Outcome.FIRST
            async with gateway(base, "two", tmp_path) as two:  # `start` has returned: it is right by now
                assert [*two.daemon.inside] == [("ssh", ANA)]
                assert [one.name for one in two.daemon.holders] == ["ana"]
                assert two.daemon.used == {("h", "ssh", 7)}
                assert not two.member.away

    asyncio.run(asyncio.wait_for(run(), 60))


def test_a_start_reads_again_what_the_store_compacts_meanwhile(
    base: Etcd, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sources = [Source.parse(f"192.0.2.{number}") for number in range(200)]

    async def run() -> None:
        async with gateway(base, "one", tmp_path) as one:
            for source in sources:
                one.member.admitted("ssh", source, time.time() + 300, None)
            await until(lambda: len(one.member.outbox) == 0)
        monkeypatch.setattr("portress.fleet.reading.PAGE", 5)
        compacted = list[int]()
        admit = Daemon.admit

        def compacting(daemon: Daemon, admissions: list[Admitted]) -> None:
            if not compacted:
                base.ctl("put", "/portress/elsewhere", "x", user="")
                compacted.append(base.revision())
                base.ctl("compaction", str(compacted[0]), user="")
            admit(daemon, admissions)

        monkeypatch.setattr(Daemon, "admit", compacting)
        async with gateway(base, "two", tmp_path) as two:
            assert compacted and two.member.seen >= compacted[0]
            assert {source for _, source in two.daemon.inside} == {*sources}
            assert not two.member.away and not two.daemon.said

    asyncio.run(asyncio.wait_for(run(), 60))


def test_a_sequence_is_claimed_by_exactly_one_of_many_at_once(base: Etcd, tmp_path: Path) -> None:
    async def work(*gateways: Gateway) -> None:
        for step in range(100):
            spent = Spent("owner", "vpn", step, "", ANA, 0.0, 0)
            tried = await asyncio.gather(*(one.member.claim(spent) for one in gateways * 4))
            first = {id(spent) for outcome, spent in tried if outcome is Outcome.FIRST}
            winners = [number % 3 for number, (outcome, _) in enumerate(tried) if outcome is Outcome.FIRST]
            assert first and len(set(winners)) == 1
            taken = [spent for outcome, spent in tried if outcome is Outcome.TAKEN]
            assert all(one is not None and one.gateway == gateways[winners[0]].member.name for one in taken)
        for one in gateways:
            await until(lambda one=one: ("owner", "vpn", 99) in one.daemon.used)

    together(base, tmp_path, work, "one", "two", "three")


def test_a_gateway_whose_clock_is_off_does_the_others_no_harm(base: Etcd, tmp_path: Path) -> None:
    async def run() -> None:
        async with (
            gateway(base, "right", tmp_path) as right,
            gateway(base, "fast", tmp_path, ahead=60.0) as fast,
        ):
            end = time.time() + 100
            fast.member.admitted("ssh", ANA, end + 60.0, None)  # 100 s, by its own clock
            await until(lambda: ("ssh", ANA) in right.daemon.inside)
            assert abs(right.daemon.inside["ssh", ANA].until - end) < 1.5
            right.member.admitted("ssh", BO, end, None)
            await until(lambda: ("ssh", BO) in fast.daemon.inside)
            assert abs(fast.daemon.inside["ssh", BO].until - (end + 60.0)) < 1.5
            right.member.dismissed("ssh", ANA, end, "dismissed")
            await until(lambda: fast.daemon.ended)

    asyncio.run(asyncio.wait_for(run(), 60))


async def unasked(*_: object) -> None:
    raise AssertionError("a store that is away is asked")


def test_what_was_missed_while_the_store_was_away_is_caught_up(base: Etcd, tmp_path: Path) -> None:
    async def work(one: Gateway, two: Gateway) -> None:
        base.kill(0)
        await until(lambda: one.member.away and two.member.away)
        assert [text for text in one.daemon.said if "works alone" in text]
        one.member.admitted("ssh", ANA, time.time() + 300, None)
        spent = Spent("owner", "vpn", 5, "", ANA, 0.0, 0)
        one.member._claim_at, real = unasked, one.member._claim_at  # type: ignore[method-assign]
        assert (await one.member.claim(spent))[0] is Outcome.AWAY  # nobody waits for the store
        one.member._claim_at = real  # type: ignore[method-assign]
        base.start(0)
        await until(lambda: ("ssh", ANA) in two.daemon.inside)
        await until(lambda: ("owner", "vpn", 5) in two.daemon.used)
        await until(lambda: not one.member.away and one.member.trouble == "")  # once it takes something, too
        assert [text for text in one.daemon.said if "answers again" in text]
        assert one.daemon.collisions == []

    together(base, tmp_path, work, "one", "two")


def test_a_use_at_two_gateways_that_were_alone_is_found_afterwards(base: Etcd, tmp_path: Path) -> None:
    async def work(one: Gateway, two: Gateway) -> None:
        base.kill(0)
        await until(lambda: one.member.away and two.member.away)
        spent = Spent("owner", "vpn", 5, "", ANA, 0.0, 0)
        for who, source in ((one, ANA), (two, BO)):
            assert (await who.member.claim(evolve(spent, source=source)))[0] is Outcome.AWAY
        base.start(0)
        await until(lambda: one.daemon.collisions or two.daemon.collisions)
        (late,) = [who for who in (one, two) if who.daemon.collisions]
        ((mine, first),) = late.daemon.collisions
        assert first is not None and {mine.source, first.source} == {ANA, BO}
        assert mine.gateway == late.member.name and first.gateway != mine.gateway

    together(base, tmp_path, work, "one", "two")


def test_so_are_those_of_while_the_first_ones_are_told(
    base: Etcd, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until the store was told of all that was used without it, what is used is used without it."""

    async def work(one: Gateway, two: Gateway) -> None:
        uses = [Spent("h", "ssh", step, "", ANA, 0.0, 0) for step in range(7, 12)]
        for use in uses:
            assert (await two.member.claim(evolve(use, source=BO)))[0] is Outcome.FIRST
        later = iter(uses)
        at_the_store = one.member._claim_at

        async def told(key: bytes, value: bytes, lasting: bool = False) -> object:
            if use := next(later, None):  # at the same time somebody knocks again
                assert (await one.member.claim(use))[0] is Outcome.AWAY
            return await at_the_store(key, value, lasting)

        one.member.away = True
        assert (await one.member.claim(next(later)))[0] is Outcome.AWAY
        monkeypatch.setattr(one.member, "_claim_at", told)
        await one.member._back()
        assert not one.member.away
        assert {mine.step for mine, _ in one.daemon.collisions} == {7, 8, 9, 10, 11}
        assert all(first is not None and first.source == BO for _, first in one.daemon.collisions)

    together(base, tmp_path, work, "one", "two")


def test_and_those_of_while_it_is_asked_whether_it_is_full_still(
    base: Etcd, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def work(one: Gateway, two: Gateway) -> None:
        use = Spent("h", "ssh", 7, "", ANA, 0.0, 0)
        assert (await two.member.claim(evolve(use, source=BO)))[0] is Outcome.FIRST
        at_the_store, grant, asked = one.member._claim_at, one.store.grant, list[int]()

        async def refused(*_: object) -> object:
            raise StoreFull("no space left")

        async def granted(seconds: int) -> int:
            if not asked:
                asked.append(seconds)
                monkeypatch.setattr(one.member, "_claim_at", refused)
                assert (await one.member.claim(use))[0] is Outcome.AWAY
                monkeypatch.setattr(one.member, "_claim_at", at_the_store)
            return await grant(seconds)

        one.member.trouble = "no space left"
        monkeypatch.setattr(one.store, "grant", granted)
        await one.member._back()
        assert asked and (one.member.trouble, one.member.away) == ("", False)
        assert [mine.step for mine, _ in one.daemon.collisions] == [7]

    together(base, tmp_path, work, "one", "two")


def test_after_a_compaction_everything_is_read_again(base: Etcd, tmp_path: Path) -> None:
    async def work(one: Gateway, two: Gateway) -> None:
        base.freeze(0)
        await until(lambda: two.member.away)
        base.thaw(0)
        await until(lambda: not two.member.away)
        one.member.admitted("ssh", ANA, time.time() + 300, None)
        await until(lambda: len(one.member.outbox) == 0)
        base.ctl("compaction", str(base.revision()), user="")
        await until(lambda: two.daemon.inside)
        two.daemon.inside.clear()
        two.member.seen = 1  # as one that was cut off for long
        assert two.member._watching is not None
        two.member._watching.cancel()
        await until(lambda: ("ssh", ANA) in two.daemon.inside)
        assert [text for text in two.daemon.said if "reading everything again" in text], two.daemon.said

    together(base, tmp_path, work, "one", "two")


def test_what_is_written_into_the_store_by_others_opens_no_door(base: Etcd, tmp_path: Path) -> None:
    async def work(one: Gateway, two: Gateway) -> None:
        stranger = Codec("edge", Seals.of(bytes(32), "edge"))
        forged = Admitted("ssh", BO, time.time() + 300, "one", 1 << 60)
        await one.store.put([(*stranger.written(forged), None)])
        await until(lambda: two.member.counts.refused == 1)
        one.member.admitted("ssh", ANA, time.time() + 300, None)
        await until(lambda: ("ssh", ANA) in two.daemon.inside)
        there = await one.store.get(at("ssh", ANA))
        assert there is not None
        # Put elsewhere, as an admission of another source and door.
        await one.store.put([(at("vpn", ANA), there.value, None)])
        await until(lambda: two.member.counts.refused == 2)
        # Put back after the dismissal.
        two.member.dismissed("ssh", ANA, time.time() + 300, "dismissed")
        await until(lambda: one.daemon.ended)
        await one.store.put([(there.key, there.value, None)])
        await until(lambda: one.member.counts.refused == 3 and two.member.counts.refused == 3)
        assert one.daemon.inside == {} or ("ssh", ANA) not in one.daemon.inside
        assert ("ssh", BO) not in two.daemon.inside and ("vpn", ANA) not in two.daemon.inside
        assert [text for text in one.daemon.said if "an old value" in text]

    together(base, tmp_path, work, "one", "two")


def test_a_keyholder_that_was_removed_cannot_be_put_back_by_others(base: Etcd, tmp_path: Path) -> None:
    holder = Holder("ana", 0, ("ssh",), "s" * 20)

    async def run() -> None:
        async with gateway(base, "one", tmp_path) as one:
            await one.member.publish(holder)
            await until(lambda: one.daemon.holders)
            there = await one.store.get(CODEC.key("k", "ana"))
            assert there is not None
            await one.member.publish(evolve(holder, gone=True))
            await until(lambda: not one.daemon.holders)
        async with gateway(base, "one", tmp_path) as one:  # started again: it remembers
            await one.store.put([(there.key, there.value, None)])
            await until(lambda: one.member.counts.refused)
            assert one.daemon.holders == ()

    asyncio.run(asyncio.wait_for(run(), 60))


def test_a_start_without_the_store_knows_the_keyholders_of_before(base: Etcd, tmp_path: Path) -> None:
    async def run() -> None:
        async with gateway(base, "one", tmp_path) as one:
            await one.member.publish(Holder("ana", 0, ("ssh",), "s" * 20))
            await until(lambda: one.daemon.holders)
        base.kill(0)
        async with gateway(base, "one", tmp_path) as one:
            assert [one.name for one in one.daemon.holders] == ["ana"]
            assert one.daemon.holders[0].entry == "s" * 20 and one.member.away
        assert b"ssssssss" not in (tmp_path / "one.sqlite").read_bytes()

    asyncio.run(asyncio.wait_for(run(), 60))


def test_a_store_that_was_made_anew_is_told_what_is_in_force(base: Etcd, tmp_path: Path) -> None:
    async def run() -> None:
        own = Admitted("ssh", ANA, time.time() + 300, "one", 0)
        async with (
            gateway(base, "one", tmp_path, own=[own]),
            gateway(base, "two", tmp_path) as two,
        ):
            await until(lambda: ("ssh", ANA) in two.daemon.inside)
            two.daemon.inside.clear()
            base.kill(0)
            await until(lambda: two.member.away)
            (base.folder / "n0").rename(base.folder / "lost")
            base.start(0)
            await until(lambda: ("ssh", ANA) in two.daemon.inside, 30)

    asyncio.run(asyncio.wait_for(run(), 90))


def test_so_it_is_where_the_new_one_grants_the_lease_that_the_one_before_was_asked_for(
    base: Etcd, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers, grant = asyncio.Event(), Store.grant

    async def granted(store: Store, seconds: int) -> int:
        await answers.wait()
        return await grant(store, seconds)

    async def run() -> None:
        async with gateway(base, "one", tmp_path) as one:
            await one.member.publish(Holder("ana", 0, ("ssh",), "s" * 20))
            await until(lambda: one.daemon.holders)
            base.kill(0)
            await until(lambda: one.member.away)
            (base.folder / "n0").rename(base.folder / "lost")
            base.start(0)
            await asyncio.to_thread(base.wait)
            answers.set()
            look, end = ("get", "--prefix", "/portress/edge/k/"), time.monotonic() + 30
            while "ana" not in await asyncio.to_thread(base.ctl, *look, user="", check=False):
                assert time.monotonic() < end, (one.member.seen, one.daemon.said)
                await asyncio.sleep(0.1)

    monkeypatch.setattr(Store, "grant", granted)
    asyncio.run(asyncio.wait_for(run(), 90))


def test_so_it_is_by_a_gateway_that_had_no_lease_in_the_one_before(
    base: Etcd, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lease that the store does not know shows that it is another one; its revision need not be lower."""
    late, grant = [True], Store.grant

    async def granted(store: Store, seconds: int) -> int:
        if late and seconds == ALIVE:
            raise StoreError("no answer")
        return await grant(store, seconds)

    async def run() -> None:
        own = Admitted("ssh", ANA, time.time() + 300, "one", 0)
        async with gateway(base, "one", tmp_path, own=[own]) as one:
            look = ("get", "--prefix", "--keys-only", "/portress/edge/a/")
            await until(lambda: base.ctl(*look, user="").strip())
            await until(lambda: one.member.away)
            base.kill(0)
            (base.folder / "n0").rename(base.folder / "lost")
            base.start(0)
            await asyncio.to_thread(base.wait)
            for number in range(one.member.seen + 5):
                await asyncio.to_thread(base.ctl, "put", "/elsewhere", str(number), user="")
            late.clear()
            end = time.monotonic() + 30
            while not (await asyncio.to_thread(base.ctl, *look, user="")).strip():
                assert time.monotonic() < end, (one.member.seen, one.daemon.said)
                await asyncio.sleep(0.1)

    monkeypatch.setattr(Store, "grant", granted)
    asyncio.run(asyncio.wait_for(run(), 90))


def test_what_is_heard_of_a_store_made_anew_is_not_taken_for_all_there_is(base: Etcd, tmp_path: Path) -> None:
    """Between the moment that a gateway learns it and the reading, the watch hears changes."""

    async def work(one: Gateway) -> None:
        real = one.store.watch

        async def heard(prefix: bytes, revision: int) -> AsyncIterator[tuple[int, list[Change]]]:
            async for at, changes in real(prefix, revision):
                if changes:
                    one.member.seen = 0  # as _beat does
                yield at, changes

        one.store.watch = heard  # type: ignore[method-assign]
        await one.store.put([(b"/portress/edge/x/before", b"1", None)])
        one.member._watching.cancel()  # type: ignore[union-attr]
        await asyncio.sleep(0.2)
        read = one.member._catch_up
        again: list[int] = []

        async def counted() -> None:
            again.append(one.member.seen)
            await read()

        one.member._catch_up = counted  # type: ignore[method-assign]
        await one.store.put([(b"/portress/edge/x/meanwhile", b"1", None)])
        await until(lambda: again)
        assert again[0] == 0

    together(base, tmp_path, work, "one")


def test_a_change_heard_while_the_store_is_asked_for_its_revision_is_no_backup(
    base: Etcd, tmp_path: Path
) -> None:
    async def work(one: Gateway, two: Gateway) -> None:
        real, asked, read = one.store.now, list[int](), list[int]()

        async def now(key: bytes) -> int:
            asked.append(await real(key))
            two.member.admitted("ssh", ANA, time.time() + 300 + len(asked), None)
            await until(lambda: one.member.seen > asked[-1])
            return asked[-1]

        async def reading() -> None:
            read.append(one.member.seen)

        one.store.now = now  # type: ignore[method-assign]
        one.member._catch_up = reading  # type: ignore[method-assign]
        await until(lambda: len(asked) > 2)
        assert read == [] and one.member.seen > 0

    together(base, tmp_path, work, "one", "two")


def test_gateways_are_alive_as_long_as_they_say_so(base: Etcd, tmp_path: Path) -> None:
    async def run() -> None:
        async with gateway(base, "one", tmp_path) as one:
            async with gateway(base, "two", tmp_path):
                await until(lambda: {*one.member.gateways} == {"one", "two"})
            await until(lambda: {*one.member.gateways} == {"one"})
            assert one.member.lag < 5

    asyncio.run(asyncio.wait_for(run(), 60))


def test_few_leases_end_many_admissions(base: Etcd, tmp_path: Path) -> None:
    async def work(one: Gateway) -> None:
        end = time.time() + 300
        for number in range(500):
            one.member.admitted("ssh", Source.parse(f"198.51.100.{number % 250}"), end + number % 5, None)
        await until(lambda: len(one.member.outbox) == 0)
        leases = base.ctl("lease", "list", user="").split("\n")
        assert 2 <= len([line for line in leases if line and "found" not in line]) <= 4

    together(base, tmp_path, work, "one")
