"""Gateways of a fleet, each a real daemon with a real guard, over a real etcd: one knock, in everywhere."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import re
import time
from collections.abc import Callable
from typing import Any

import pytest
from attrs import evolve

from kernel.test_rotating import SECRETS, STEP, holders, settled
from lab import punctual, sender, service, tcp_state
from lab.fleets import SECRET, Fleet, Gateway, cut_off, fleet
from portress.config.model import Rotating
from portress.fleet.records import Admitted, Codec
from portress.fleet.seal import Seals
from portress.fleet.store import Access, Store
from portress.keyholders.secret import to_base32
from portress.knock import SECOND, TCP, UDP, Source
from portress.sequence.rotating import derive

FIXED = """\
doors:
  ssh:
    services: [tcp/22]
    stay: 300s
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 5s}
"""
ROTATING = """\
decide: DECIDE
doors:
  vpn:
    services: [tcp/22]
    stay: 300s
    rotating: {pool: 20000-29999, protocols: [tcp, udp], length: 4, gap: 5s}
"""
KNOCKS = ("tcp/4617", "udp/2953", "tcp/6381")
RULE = Rotating((20000, 29999), (TCP, UDP), 4, 5 * SECOND, 1)
WAYS = ["daemon", "kernel"]


def inside(gateway: Gateway) -> set[tuple[str, str]]:
    return {(one["source"], one["door"]) for one in gateway.daemon.status()["admissions"]}


def true(check: Callable[[], object], seconds: float = 50) -> None:
    end = time.monotonic() + seconds
    while not check():
        assert time.monotonic() < end, "it did not come true in time"
        time.sleep(0.05)


def sequence(away: int = 0) -> list[str]:
    """The knocks of ana's step in this fleet, whose name is the site."""
    return [
        str(one)
        for one in derive(SECRETS["ana"], "vpn", RULE, int(time.time() // STEP) + away, "edge").knocks
    ]


def test_one_knock_is_in_everywhere_and_a_dismissal_out_everywhere() -> None:
    with fleet(FIXED, gateways=3) as f, contextlib.ExitStack() as stack:
        for one in f.gateways:
            stack.enter_context(service(one.ns, "tcp/22"))
        first, second, third = f.gateways
        with sender(f.client) as send:
            send.knocks(f.client4, first.address, KNOCKS, 0.02)
        for one in f.gateways:
            true(lambda one=one: tcp_state(f.client, one.address, 22) == "open")
            assert tcp_state(f.other, one.address, 22) == "filtered"
        second.daemon.wait_for(f"{f.client4} admitted to ssh", "at edge-1")
        assert second.daemon.status()["fleet"]["gateways"] == ["edge-1", "edge-2", "edge-3"]
        third.daemon.verb("dismiss", f.client4)
        for one in f.gateways:
            true(lambda one=one: inside(one) == set())
            true(lambda one=one: tcp_state(f.client, one.address, 22) == "filtered")


@pytest.mark.parametrize("decide", WAYS)
def test_a_used_sequence_is_refused_at_the_others(decide: str) -> None:
    settled(12)
    with fleet(ROTATING.replace("DECIDE", decide), keyholders=holders(["ana"])) as f:
        first, second = f.gateways
        knocks = sequence()
        with sender(f.client) as send:
            send.knocks(f.client4, first.address, knocks, 0.03)
        first.daemon.wait_for(f"{f.client4} admitted to vpn")
        second.daemon.wait_for(f"{f.client4} admitted to vpn")
        with sender(f.other) as send:
            send.knocks(f.other4, second.address, knocks, 0.03)
            time.sleep(1)
        assert inside(second) == {(f.client4, "vpn")}


@pytest.mark.parametrize("decide", WAYS)
@pytest.mark.parametrize("claim", ["later", "first"])
def test_of_two_at_the_same_instant_one_stays_in(decide: str, claim: str) -> None:
    settled(12)
    config = ROTATING.replace("DECIDE", decide) + f"    claim: {claim}\n"
    with fleet(config, keyholders=holders(["ana"])) as f:
        first, second = f.gateways
        knocks = sequence()
        with sender(f.client) as one, sender(f.other) as two:
            for knock in knocks:
                one.knock(f.client4, first.address, knock)
                two.knock(f.other4, second.address, knock)
                time.sleep(0.03)
        true(lambda: len(inside(first)) == 1 and inside(first) == inside(second))
        time.sleep(1)
        assert len(inside(first)) == 1 and inside(first) == inside(second)
        (winner,) = inside(first)
        loser = {f.client4, f.other4} - {winner[0]}
        for gateway in f.gateways:
            listed = gateway.ns.run(["nft", "list", "set", "inet", "portress", "vpn_4"]).stdout
            assert winner[0] in listed and not any(source in listed for source in loser)


def test_an_admission_of_one_connection_stays_at_its_gateway_and_its_sequence_is_used_up_at_all() -> None:
    settled(14)
    config = ROTATING.replace("DECIDE", "daemon").replace("gap: 5s}", "gap: 5s, admits: connection}")
    rule = Rotating((20000, 29999), (TCP, UDP), 4, 5 * SECOND, 1, TCP, "connection")
    knocks = [
        str(one) for one in derive(SECRETS["ana"], "vpn", rule, int(time.time() // STEP), "edge").knocks
    ]
    with fleet(config, keyholders=holders(["ana"])) as f:
        first, second = f.gateways
        with sender(f.client) as send:
            send.knocks(f.client4, first.address, knocks, 0.03)
        first.daemon.wait_for("admitted to vpn")
        true(lambda: first.daemon.status()["fleet"]["claims"] == 1)
        with sender(f.other) as send:
            send.knocks(f.other4, second.address, knocks, 0.03)
        # Refused at once, or let in until the store has said that another gateway was first.
        true(lambda: sum(second.daemon.status()["knocks"].get(one, 0) for one in ("completed", "replayed")))
        true(lambda: inside(second) == set())
        assert second.daemon.status()["fleet"]["refused"] == 0, second.daemon.log


TWENTY = 12  # rounds, each with a sequence of its own keyholder


def test_of_twenty_clients_at_three_gateways_at_the_same_instant_one_stays_in() -> None:
    names = [f"holder{number}" for number in range(TWENTY)]
    settled(25)
    listed = "".join(
        f"- {{name: {name}, doors: [vpn], secret: {to_base32(_secret(name))}, style: derived}}\n"
        for name in names
    )
    with fleet(ROTATING.replace("DECIDE", "kernel"), gateways=3, keyholders=listed) as f:
        net = [f"{net}.{number}" for net in ("192.0.2", "203.0.113") for number in range(1, 121)]
        crowds = {name: net[20 * number : 20 * number + 20] for number, name in enumerate(names)}
        settled(22)
        step = int(time.time() // STEP)
        quick = []  # who was not held up by a busy machine for as long as a state may live in the guard
        with sender(f.client) as send, punctual():
            for name in names:
                knocks = [str(one) for one in derive(_secret(name), "vpn", RULE, step, "edge").knocks]
                begun = time.monotonic()
                for knock in knocks:
                    for number, client in enumerate(crowds[name]):
                        send.knock(client, f.gateways[number % 3].address, knock)
                    time.sleep(0.02)
                quick += [name] if time.monotonic() - begun < 0.9 else []
        assert int(time.time() // STEP) - step <= 1
        assert len(quick) > TWENTY / 2

        def inside_at(gateway: Gateway) -> set[tuple[str, str]]:
            admissions = gateway.daemon.status()["admissions"]
            return {(one["keyholder"], one["source"]) for one in admissions if one["keyholder"] in quick}

        def one_each() -> bool:
            told = [inside_at(gateway) for gateway in f.gateways]
            winners = sorted(name for name, _ in told[0])
            # Of two at gateways that a busy machine had cut off from each other, neither was first.
            log = "".join(gateway.daemon.log for gateway in f.gateways)
            ended = set(re.findall(r"error: a sequence for vpn was used at edge-\d by (\S+) and", log))
            assert not ended or "the store is unreachable" in log, log
            none = {name for name in names if ended & set(crowds[name])}
            return told[0] == told[1] == told[2] and winners == sorted(set(quick) - none)

        def held() -> str:
            said = [f"{sorted(inside_at(one))}\n{one.daemon.log[-4000:]}" for one in f.gateways]
            return "\n".join([f"quick: {quick}", *said])

        time.sleep(1)
        try:
            true(one_each)
        except AssertionError as error:
            raise AssertionError(f"{error}\n{held()}") from None
        time.sleep(2)
        assert one_each(), held()


def _secret(name: str) -> bytes:
    return hashlib.sha256(name.encode()).digest()[:20]


def test_a_gateway_that_was_cut_off_catches_up_without_a_restart() -> None:
    with fleet(FIXED) as f:
        first, second = f.gateways
        cut_off(f, second)
        true(lambda: second.daemon.status()["fleet"]["away"])
        with sender(f.client) as send, sender(f.other) as more:
            send.knocks(f.client4, first.address, KNOCKS, 0.02)
            more.knocks(f.other4, second.address, KNOCKS, 0.02)
        first.daemon.wait_for(f"{f.client4} admitted to ssh")
        second.daemon.wait_for(f"{f.other4} admitted to ssh")  # fixed sequences open as ever
        assert inside(second) == {(f.other4, "ssh")}
        cut_off(f, second, off=False)
        both = {(f.client4, "ssh"), (f.other4, "ssh")}
        true(lambda: inside(second) == both and inside(first) == both, 30)
        second.daemon.wait_for("the store answers again")


@pytest.mark.parametrize("alone", ["local", "refuse"])
def test_alone_rotating_sequences_do_what_the_configuration_says(alone: str) -> None:
    settled(14)
    config = ROTATING.replace("DECIDE", "kernel")
    with fleet(config, keyholders=holders(["ana"]), more=f", alone: {alone}") as f:
        first, second = f.gateways
        f.store.kill(0)
        true(lambda: first.daemon.status()["fleet"]["away"] and second.daemon.status()["fleet"]["away"])
        knocks = sequence()
        with sender(f.client) as send:
            send.knocks(f.client4, first.address, knocks, 0.03)
        if alone == "refuse":
            first.daemon.wait_for(f"{f.client4} refused at vpn", "the store is away")
            assert inside(first) == set()
            return
        first.daemon.wait_for(f"{f.client4} admitted to vpn")
        with sender(f.other) as send:  # whoever listened uses it at the other one
            send.knocks(f.other4, second.address, knocks, 0.03)
        second.daemon.wait_for(f"{f.other4} admitted to vpn")
        f.store.start(0)
        true(lambda: inside(first) == set() and inside(second) == set(), 30)
        told = first.daemon.log + second.daemon.log
        assert "a sequence for vpn was used at edge-" in told and "both admissions end" in told


def test_a_gateway_that_starts_is_right_before_it_is_ready() -> None:
    with fleet(FIXED) as f:
        first, second = f.gateways
        second.daemon.terminate()
        with sender(f.client) as send:
            send.knocks(f.client4, first.address, KNOCKS, 0.02)
        first.daemon.wait_for("admitted to ssh")
        true(lambda: first.daemon.status()["fleet"]["queue"] == 0)
        second.daemon.start()
        ready = next(
            number
            for number, line in enumerate(second.daemon.lines)
            if "ready, watching" in line and number > 1
        )
        assert inside(second) == {(f.client4, "ssh")}
        assert any("admitted to ssh" in line for line in second.daemon.lines[: ready + 1 + 50])


def test_of_very_many_in_the_store_a_start_lets_in_those_that_gateways_wrote() -> None:
    right, wrong = (Codec("edge", Seals.of(secret, "edge")) for secret in (SECRET, bytes(32)))
    end = time.time() + 600
    everybody = [Source.parse(f"2001:db8::{n:x}") for n in range(1, 1201)]
    records = [Admitted("ssh", one, end, "edge-9", 5) for one in everybody]
    values = [(wrong if n % 100 == 7 else right).written(one) for n, one in enumerate(records)]
    values[300] = right.written(evolve(records[300], ended="dismissed"))
    values[301] = right.written(evolve(records[301], until=end - 1200))
    values[302] = (values[302][0], values[303][1])
    expected = {str(one) for n, one in enumerate(everybody) if n % 100 != 7 and n not in (300, 301, 302)}

    async def fill(f: Fleet) -> None:
        async with Store(Access(f.store.urls, **f.store.files)) as store:
            for begin in range(0, len(values), 100):
                await store.put([(*one, None) for one in values[begin : begin + 100]])

    with fleet(FIXED, gateways=1, start=False) as f:
        with f.store_namespace.enter():
            asyncio.run(fill(f))
        f.gateways[0].daemon.start()
        assert {source for source, _ in inside(f.gateways[0])} == expected
        assert f.gateways[0].daemon.status()["fleet"]["refused"] == 13
        listed = f.gateways[0].ns.run(["nft", "-j", "list", "set", "inet", "portress", "ssh_6"]).stdout
        assert {one["elem"]["val"] for one in json.loads(listed)["nftables"][1]["set"]["elem"]} == expected
        true(lambda: len(history(f.gateways[0])) == len(expected))


def history(gateway: Gateway) -> list[Any]:
    told = json.loads(gateway.daemon.verb("history", "--json", "--limit", "0", check=False).stdout)
    return list(told["admissions"])


def test_what_others_write_into_the_store_opens_no_door() -> None:
    with fleet(FIXED, gateways=1) as f:
        (only,) = f.gateways
        f.store.ctl("put", "/portress/edge/a/ssh/198.51.100.102", "eHg= {}", user="")
        only.daemon.wait_for("a value in the store is refused", "a/ssh/198.51.100.102")
        assert inside(only) == set()


def test_keyholders_enrolled_at_one_gateway_open_doors_at_all() -> None:
    settled(14)
    with fleet(ROTATING.replace("DECIDE", "kernel")) as f:
        first, second = f.gateways
        first.daemon.verb("enrol", "ben", "--door", "vpn", "--host", first.address)
        second.daemon.wait_for("1 keyholder now")
        assert "ben" in second.daemon.verb("keyholders").stdout
        assert not (first.daemon.folder / "keyholders.yaml").exists()
        second.daemon.verb("unenrol", "ben")
        first.daemon.wait_for("0 keyholders now")


@pytest.mark.parametrize("alone", ["local", "refuse"])
def test_a_secret_that_cannot_be_read_keeps_no_service_from_starting(alone: str) -> None:
    settled(14)
    config = ROTATING.replace("DECIDE", "daemon")
    with fleet(config, gateways=1, keyholders=holders(["ana"]), more=f", alone: {alone}") as f:
        (only,) = f.gateways
        only.daemon.terminate()
        (f.folder / "secret").unlink()
        only.daemon.start("--last-good")
        only.daemon.wait_for("running without the fleet")
        told = only.daemon.status()["fleet"]
        assert told["away"] and "secret: No such file" in told["trouble"]
        settled(8)
        with sender(f.client) as send:
            send.knocks(f.client4, only.address, sequence(), 0.03)
            time.sleep(1)
        assert inside(only) == ({(f.client4, "vpn")} if alone == "local" else set())
