"""A fleet whose store, or whose gateways, are in trouble: who is in stays in, and all is caught up with."""

from __future__ import annotations

import asyncio
import os
import shutil
import time
from collections.abc import Iterator
from contextlib import AsyncExitStack
from pathlib import Path

import pytest
from attrs import evolve

from kernel.test_fleet_member import ANA, BO, CODEC, Gateway, base, gateway, together, until
from lab.etcd import Etcd, certificates, etcd
from lab.slow import relay
from portress.fleet.member import Outcome
from portress.fleet.records import Admitted, Holder, Spent
from portress.fleet.store import Access
from portress.knock import Source

__all__ = ["base"]
SPENT = Spent("owner", "vpn", 5, "", ANA, 0.0, 0)


@pytest.fixture
def three(tmp_path: Path) -> Iterator[Etcd]:
    folder = tmp_path / "etcd"
    folder.mkdir()
    with etcd(folder, members=3) as store:
        yield store


def said(one: Gateway, text: str) -> bool:
    return any(text in line for line in one.daemon.said)


def sources(count: int) -> list[Source]:
    return [Source.parse(f"10.{n >> 16}.{n >> 8 & 255}.{n & 255}") for n in range(count)]


# What gateways say at the same time


def test_quick_changes_at_one_gateway_are_no_old_values(base: Etcd, tmp_path: Path) -> None:
    async def work(one: Gateway, two: Gateway) -> None:
        for number in range(60):
            end = time.time() + 300
            one.member.admitted("ssh", ANA, end + number, None)
            await asyncio.sleep(0.002 * (number % 3))
            one.member.dismissed("ssh", ANA, end, "dismissed")
            await asyncio.sleep(0.001 * (number % 4))
        one.member.admitted("ssh", ANA, time.time() + 500, None)
        await until(lambda: len(one.member.outbox) == 0 and ("ssh", ANA) in two.daemon.inside)
        await asyncio.sleep(0.1)
        assert ("ssh", ANA) in two.daemon.inside
        assert one.member.counts.refused == two.member.counts.refused == 0, one.daemon.said

    together(base, tmp_path, work, "one", "two")


def test_changes_at_several_gateways_end_alike_at_all_and_for_those_that_start(
    base: Etcd, tmp_path: Path
) -> None:
    async def work(one: Gateway, two: Gateway, three: Gateway) -> None:
        end = time.time() + 300
        for number in range(40):
            for place, who in enumerate((one, two, three)):
                who.member.admitted("ssh", ANA, end + number + place, None)
            await asyncio.sleep(0.001 * (number % 4))
        for who in (one, two, three):
            await until(lambda who=who: len(who.member.outbox) == 0)
        await asyncio.sleep(0.3)
        async with gateway(base, "four", tmp_path) as four:
            longest = four.daemon.inside["ssh", ANA].until
        assert abs(longest - (end + 41)) < 0.5
        for who in (one, two, three):
            assert who.member.counts.refused == 0, who.daemon.said

    together(base, tmp_path, work, "one", "two", "three")


def test_a_renewal_from_a_gateway_that_was_cut_off_shortens_nothing(base: Etcd, tmp_path: Path) -> None:
    async def run() -> None:
        port = int(base.urls[0].rpartition(":")[2])
        async with gateway(base, "one", tmp_path) as one, relay(port) as between:
            access = Access((f"https://127.0.0.1:{between.port}",), **base.files)
            async with gateway(base, "two", tmp_path, access=access) as two:
                end = time.time() + 100
                between.delay = 30.0
                await until(lambda: two.member.away)
                two.member.admitted("ssh", ANA, end, None)
                one.member.admitted("ssh", ANA, end + 200, None)
                two.member.admitted("ssh", BO, end, None)
                await until(lambda: len(one.member.outbox) == 0)
                one.member.dismissed("ssh", BO, end, "dismissed")  # later than its admission at two
                await until(lambda: len(one.member.outbox) == 0)
                between.delay = 0.0
                await until(lambda: not two.member.away and len(two.member.outbox) == 0)
                assert abs(two.daemon.inside["ssh", ANA].until - (end + 200)) < 1.5
            async with gateway(base, "late", tmp_path) as late:
                assert abs(late.daemon.inside["ssh", ANA].until - (end + 200)) < 1.5
                assert ("ssh", BO) not in late.daemon.inside
            assert one.member.counts.refused == 0, one.daemon.said

    asyncio.run(asyncio.wait_for(run(), 60))


def test_two_gateways_of_one_name_are_told_at_both(base: Etcd, tmp_path: Path) -> None:
    async def run() -> None:
        (tmp_path / "b").mkdir()
        async with gateway(base, "one", tmp_path) as first:
            await until(lambda: "one" in first.member.gateways)
            await asyncio.sleep(2.5)
            async with gateway(base, "one", tmp_path / "b") as second:
                await until(lambda: said(first, "another gateway is also called one"))
                await until(lambda: said(second, "another gateway is also called one"))
                end = time.time() + 300
                first.member.admitted("ssh", ANA, end, None)
                await until(lambda: ("ssh", ANA) in second.daemon.inside)
                second.member.dismissed("ssh", ANA, end, "dismissed")
                await until(lambda: ("ssh", ANA) not in first.daemon.inside)
        async with gateway(base, "one", tmp_path) as again:  # a restart is no second gateway
            await asyncio.sleep(2.5)
            assert not said(again, "another gateway")

    asyncio.run(asyncio.wait_for(run(), 60))


# The store in trouble


def test_a_slow_store_holds_nothing_up_and_is_caught_up_with(base: Etcd, tmp_path: Path) -> None:
    async def run() -> None:
        port = int(base.urls[0].rpartition(":")[2])
        async with gateway(base, "one", tmp_path) as one, relay(port) as between:
            access = Access((f"https://127.0.0.1:{between.port}",), **base.files)
            async with gateway(base, "two", tmp_path, access=access) as two:
                between.delay = 5.0
                begun = time.monotonic()
                assert (await two.member.claim(SPENT))[0] is Outcome.AWAY
                assert time.monotonic() - begun < 2 * between.delay
                longest, last = 0.0, time.monotonic()
                while time.monotonic() - begun < 5.0:
                    two.member.admitted("ssh", ANA, time.time() + 300, None)
                    await asyncio.sleep(0.01)
                    longest, last = max(longest, time.monotonic() - last), time.monotonic()
                assert longest < between.delay  # the loop went on meanwhile
                assert said(two, "works alone") and two.member.away
                one.member.admitted("ssh", BO, time.time() + 300, None)
                between.delay = 0.0
                await until(lambda: ("ssh", BO) in two.daemon.inside)
                await until(lambda: ("ssh", ANA) in one.daemon.inside)
                await until(lambda: ("owner", "vpn", 5) in one.daemon.used)
                await until(lambda: said(two, "answers again"))

    asyncio.run(asyncio.wait_for(run(), 60))


def fill(store: Etcd) -> None:
    for number in range(60):
        store.ctl("put", f"/rubbish/{number % 4}", "x" * 100_000, user="", check=False)


def empty(store: Etcd) -> None:
    store.ctl("del", "--prefix", "/rubbish", user="")
    store.ctl("compaction", str(store.revision()), user="")
    store.ctl("defrag", user="")
    store.ctl("alarm", "disarm", user="")


def test_a_full_store_is_told_and_caught_up_with_when_there_is_room(tmp_path: Path) -> None:
    folder = tmp_path / "etcd"
    folder.mkdir()

    async def work(full: Etcd, one: Gateway, two: Gateway) -> None:
        one.member.admitted("ssh", ANA, time.time() + 300, None)
        await until(lambda: ("ssh", ANA) in two.daemon.inside)
        await asyncio.to_thread(fill, full)
        one.member.admitted("ssh", BO, time.time() + 300, None)
        await until(lambda: said(one, "NOSPACE"))
        before = len(one.daemon.said)
        one.member.away = True  # as after an answer that came late
        await asyncio.sleep(3)
        # It reads, but it takes nothing.
        assert not [line for line in one.daemon.said[before:] if "answers again" in line]
        assert (await one.member.claim(SPENT))[0] is Outcome.AWAY
        assert ("ssh", ANA) in two.daemon.inside
        await asyncio.to_thread(empty, full)
        await until(lambda: ("ssh", BO) in two.daemon.inside)
        await until(lambda: ("owner", "vpn", 5) in two.daemon.used)
        await until(lambda: said(one, "answers again") and one.member.trouble == "")

    async def run(full: Etcd) -> None:
        # Only a full store is in trouble here, not one that a busy machine keeps waiting.
        async with (
            gateway(full, "one", tmp_path, deadline=10.0) as one,
            gateway(full, "two", tmp_path, deadline=10.0) as two,
        ):
            await work(full, one, two)

    with etcd(folder, options=("--quota-backend-bytes", str(3 << 20))) as full:
        asyncio.run(asyncio.wait_for(run(full), 120))


def test_a_member_killed_and_a_leader_gone_lose_nothing(three: Etcd, tmp_path: Path) -> None:
    async def work(one: Gateway, two: Gateway) -> None:
        for gone in (0, 1, 2):  # one after the other: the leader is among them
            three.kill(gone)
            source = sources(3)[gone]
            one.member.admitted("ssh", source, time.time() + 300, None)
            await until(lambda source=source: ("ssh", source) in two.daemon.inside, 30)
            outcome, _ = await one.member.claim(evolve(SPENT, step=gone))
            assert outcome in (Outcome.FIRST, Outcome.AWAY)
            try:
                await until(lambda gone=gone: ("owner", "vpn", gone) in two.daemon.used, 30)
            except AssertionError:
                print(outcome, one.member.__dict__, two.member.__dict__, one.daemon.said, two.daemon.said)
                raise
            three.start(gone)
            await until(lambda: not one.member.away and not two.member.away, 30)
            three.ctl("endpoint", "health", user="", check=False)
            await asyncio.sleep(2)
        assert one.daemon.collisions == two.daemon.collisions == []

    together(three, tmp_path, work, "one", "two")


def test_a_member_that_hangs_does_not_keep_changes_back(three: Etcd, tmp_path: Path) -> None:
    async def work(one: Gateway, two: Gateway) -> None:
        three.freeze(two.store.watched)
        one.member.admitted("ssh", ANA, time.time() + 300, None)
        await until(lambda: ("ssh", ANA) in two.daemon.inside, 30)
        three.thaw(0)

    together(three, tmp_path, work, "one", "two")


def test_wrong_certificates_are_told_and_right_ones_taken_without_a_restart(
    base: Etcd, tmp_path: Path
) -> None:
    async def run() -> None:
        mine = tmp_path / "mine"
        wrong = tmp_path / "wrong"
        mine.mkdir()
        wrong.mkdir()
        certificates(wrong, "gateway")
        for name in ("ca.pem", "gateway.pem", "gateway.key"):
            shutil.copy(base.folder / name, mine / name)
        for name in ("gateway.pem", "gateway.key"):
            shutil.copy(wrong / name, mine / name)
        files = {"ca": mine / "ca.pem", "cert": mine / "gateway.pem", "key": mine / "gateway.key"}
        async with gateway(base, "one", tmp_path, access=Access(base.urls, **files)) as one:
            assert one.member.away and said(one, "works alone"), one.daemon.said
            (mine / "gateway.pem").unlink()
            await until(lambda: "certificates: " in one.member.trouble)
            assert "gateway.pem" in one.member.trouble
            for name in ("gateway.pem", "gateway.key"):
                shutil.copy(base.folder / name, mine / f"{name}.new")
                os.replace(mine / f"{name}.new", mine / name)
            await until(lambda: not one.member.away and said(one, "answers again"))

    asyncio.run(asyncio.wait_for(run(), 60))


def test_a_clock_that_is_off_by_a_minute_is_told(base: Etcd, tmp_path: Path) -> None:
    async def run() -> None:
        async with gateway(base, "fast", tmp_path, ahead=60.0) as fast:
            await until(lambda: said(fast, "s ahead of the store's"))
            assert abs(fast.member.ahead - 60) < 1.5

    asyncio.run(asyncio.wait_for(run(), 60))


# What is remembered


async def until_written(one: Gateway, key: bytes, old: bytes) -> None:
    """Until the store has another value there than the old one."""
    end = time.monotonic() + 20
    while (there := await one.store.get(key)) is None or there.value == old:
        assert time.monotonic() < end, there
        await asyncio.sleep(0.02)


def test_a_keyholder_put_back_into_the_store_is_taken_out_there_again(base: Etcd, tmp_path: Path) -> None:
    """Else a gateway that starts without a memory would let them in."""

    async def work(one: Gateway, two: Gateway) -> None:
        await one.member.publish(Holder("ana", 0, ("ssh",), "s" * 20))
        await until(lambda: two.daemon.holders)
        there = await one.store.get(CODEC.key("k", "ana"))
        assert there is not None
        await one.member.publish(Holder("ana", 0, gone=True))
        await until(lambda: not two.daemon.holders)
        await one.store.put([(there.key, there.value, None)])
        await until(lambda: one.member.counts.refused)
        await until_written(one, there.key, there.value)
        async with gateway(base, "new", tmp_path) as new:
            assert new.daemon.holders == ()

    together(base, tmp_path, work, "one", "two")


def test_a_store_that_was_made_anew_has_the_keyholders_again(base: Etcd, tmp_path: Path) -> None:
    async def run() -> None:
        async with gateway(base, "one", tmp_path) as one:
            await one.member.publish(Holder("ana", 0, ("ssh",), "s" * 20))
            await until(lambda: one.daemon.holders)
            base.kill(0)
            await until(lambda: one.member.away)
            (base.folder / "n0").rename(base.folder / "lost")
            base.start(0)
            end = time.monotonic() + 40
            look = ("get", "--prefix", "/portress/edge/k/")
            while "ana" not in await asyncio.to_thread(base.ctl, *look, user="", check=False):
                log = (base.folder / "n0.log").read_text()[-2000:]
                assert time.monotonic() < end, (one.member.seen, one.daemon.said, log)
                await asyncio.sleep(0.1)
            async with gateway(base, "new", tmp_path) as new:
                assert [holder.name for holder in new.daemon.holders] == ["ana"]

    asyncio.run(asyncio.wait_for(run(), 60))


def test_forged_values_without_end_fill_neither_log_nor_memory(base: Etcd, tmp_path: Path) -> None:
    async def work(one: Gateway) -> None:
        for begin in range(0, 1000, 100):
            await one.store.put(
                [(CODEC.key("a", "ssh", f"x{n}"), b"eA== {}", None) for n in range(begin, begin + 100)]
            )
        await until(lambda: one.member.counts.refused == 1000)
        assert len([text for text in one.daemon.said if "refused" in text]) <= 101

    together(base, tmp_path, work, "one")


def test_versions_that_are_over_are_forgotten(base: Etcd, tmp_path: Path) -> None:
    async def run() -> None:
        async with gateway(base, "one", tmp_path) as one:
            one.member.admitted("ssh", ANA, time.time() + 1, None)
            await until(lambda: len(one.member.outbox) == 0)
            key = CODEC.at(Admitted("ssh", ANA, 0.0, "", 0))
            await until(lambda: key in one.member._memory.versions)
            one.member.heard._unix = lambda: time.time() + 4000
            one.member._tidied = 0.0
            await until(lambda: key not in one.member._memory.versions, 15)

    asyncio.run(asyncio.wait_for(run(), 60))


def test_what_is_over_before_the_store_answers_is_not_sent(base: Etcd, tmp_path: Path) -> None:
    async def work(one: Gateway, two: Gateway) -> None:
        base.kill(0)
        await until(lambda: one.member.away)
        for source in sources(500):
            one.member.admitted("ssh", source, time.time() - 100, None)
        one.member.admitted("ssh", ANA, time.time() + 300, None)
        base.start(0)
        await until(lambda: ("ssh", ANA) in two.daemon.inside and len(one.member.outbox) == 0)
        told = base.ctl("get", "--prefix", "--keys-only", "/portress/edge/a/", user="").split()
        assert len(told) == 1

    together(base, tmp_path, work, "one", "two")


def test_a_fault_in_one_part_is_told_and_ends_nothing(base: Etcd, tmp_path: Path) -> None:
    async def work(one: Gateway, two: Gateway) -> None:
        right, broken = two.daemon.admit, [True]

        def admit(admissions: list[Admitted]) -> None:
            if broken.pop() if broken else False:
                raise RuntimeError("a fault")
            right(admissions)

        two.daemon.admit = admit  # type: ignore[method-assign]
        one.member.admitted("ssh", ANA, time.time() + 300, None)
        await until(lambda: said(two, "an error in the fleet connection"))
        await until(lambda: ("ssh", ANA) in two.daemon.inside)

    together(base, tmp_path, work, "one", "two")


# Twenty clients at three gateways at the same instant


def test_of_twenty_claims_at_three_gateways_one_survives_each_time(three: Etcd, tmp_path: Path) -> None:
    """500 times: scripts/test wide."""
    twenty_claims(three, tmp_path, 100)


def twenty_claims(three: Etcd, folder: Path, rounds: int) -> None:
    async def work(*gateways: Gateway) -> None:
        for step in range(rounds):
            tries = [
                (
                    gateways[n % 3],
                    evolve(SPENT, step=step, source=Source.parse(f"192.0.2.{n + 1}"), at=float(n)),
                )
                for n in range(20)
            ]
            outcomes = await asyncio.gather(*(one.member.claim(spent) for one, spent in tries))
            won = [
                spent
                for (_, spent), (outcome, _) in zip(tries, outcomes, strict=True)
                if outcome is Outcome.FIRST
            ]
            assert len(won) == 1, (step, outcomes)
            firsts = {there.source for outcome, there in outcomes if outcome is Outcome.TAKEN and there}
            assert firsts == {won[0].source}

    async def run() -> None:
        async with AsyncExitStack() as stack:
            names = ("one", "two", "three")
            await work(
                *[
                    await stack.enter_async_context(gateway(three, name, folder, deadline=15.0))
                    for name in names
                ]
            )

    asyncio.run(asyncio.wait_for(run(), 240))
