"""Leaving in a fleet: out at one gateway is out at all; the sequence works once, and ends nothing newer."""

from __future__ import annotations

import json
import time

import pytest

from kernel.test_fleet import RULE, STEP, WAYS, inside, sequence, true
from kernel.test_rotating import SECRETS, holders, settled
from lab import sender, tcp_state
from lab.fleets import Fleet, Gateway, cut_off, fleet
from portress.sequence.rotating import leaving

CONFIG = """\
decide: DECIDE
doors:
  vpn:
    services: [tcp/22]
    stay: 300s
    leaving: true
    rotating: {pool: 20000-29999, protocols: [tcp, udp], length: 4, gap: 5s}
"""


def leaves(away: int = 0) -> list[str]:
    step = int(time.time() // STEP) + away
    return [str(one) for one in leaving(SECRETS["ana"], "vpn", RULE, step, "edge").knocks]


def knock(f: Fleet, gateway: Gateway, knocks: list[str], *, other: bool = False) -> None:
    with sender(f.other if other else f.client) as send:
        send.knocks(f.other4 if other else f.client4, gateway.address, knocks, 0.02)


def endings(gateway: Gateway) -> list[str]:
    return [
        one["ending"] for one in json.loads(gateway.daemon.verb("history", "--json").stdout)["admissions"]
    ]


@pytest.mark.parametrize("decide", WAYS)
def test_who_leaves_at_one_gateway_is_out_at_all_and_the_sequence_is_used_up_there(decide: str) -> None:
    settled(15)
    with fleet(CONFIG.replace("DECIDE", decide), keyholders=holders(["ana"])) as f:
        first, second = f.gateways
        knock(f, first, sequence())
        for one in f.gateways:
            true(lambda one=one: inside(one) == {(f.client4, "vpn")})
        heard = leaves()
        knock(f, second, heard)  # not where he came in
        for one in f.gateways:
            true(lambda one=one: inside(one) == set())
            assert tcp_state(f.client, one.address, 22) == "filtered"
        true(lambda: endings(second) == ["left"])
        true(lambda: endings(first) == ["left at another gateway"])
        # In again; what was overheard ends nothing, wherever it is sent, as the holder or as another.
        knock(f, first, sequence(1))
        for one in f.gateways:
            true(lambda one=one: inside(one) == {(f.client4, "vpn")})
        knock(f, first, heard, other=True)
        first.daemon.wait_for("refused at vpn", f.other4, "leaving sequence")
        knock(f, first, heard)
        knock(f, second, heard)
        time.sleep(1)
        for one in f.gateways:
            assert inside(one) == {(f.client4, "vpn")}


@pytest.mark.parametrize("claim", ["later", "first"])
def test_a_leaving_sequence_used_at_two_gateways_while_the_store_was_away_ends_nothing_newer(
    claim: str,
) -> None:
    settled(20)
    config = CONFIG.replace("DECIDE", "kernel") + f"    claim: {claim}\n"
    with fleet(config, keyholders=holders(["ana"])) as f:
        first, second = f.gateways
        knock(f, first, sequence())
        for one in f.gateways:
            true(lambda one=one: inside(one) == {(f.client4, "vpn")})
        heard = leaves()
        cut_off(f, second)
        true(lambda: second.daemon.status()["fleet"]["away"])
        knock(f, first, heard)
        true(lambda: inside(first) == set())
        knock(f, first, sequence(1))
        true(lambda: inside(first) == {(f.client4, "vpn")})
        knock(f, second, heard, other=True)  # a thief, who forges nothing: not admitted, so nothing ends
        cut_off(f, second, off=False)
        true(lambda: not second.daemon.status()["fleet"]["away"], 30)
        for one in f.gateways:
            true(lambda one=one: inside(one) == {(f.client4, "vpn")})
        time.sleep(1)
        for one in f.gateways:
            assert inside(one) == {(f.client4, "vpn")}
            assert "used_twice" not in one.daemon.log and "both admissions" not in one.daemon.log
