"""Paper in a fleet: a sheet is good at every gateway, each line once anywhere, none without the store."""

from __future__ import annotations

import json
import time

import pytest

from kernel.test_fleet import WAYS, inside, true
from kernel.test_rotating import holders
from lab import sender, tcp_state
from lab.fleets import Fleet, Gateway, cut_off, fleet

CONFIG = """\
decide: DECIDE
doors:
  ssh:
    services: [tcp/22]
    stay: 300s
    rotating: {}
    paper: {sequences: 5}
"""


def sheet(gateway: Gateway) -> list[list[str]]:
    """ana's sheet, as `enrol --paper` prints it at that gateway."""
    words = ("enrol", "ana", "--door", "ssh", "--paper", "--host", "gate.example", "--json")
    lines: list[list[str]] = json.loads(gateway.daemon.verb(*words).stdout)["paper"][0]["sequences"]
    return lines


def dial(f: Fleet, gateway: Gateway, line: list[str], *, thief: bool = False) -> None:
    source = f.other4 if thief else f.client4
    with sender(f.other if thief else f.client) as send:
        send.knocks(source, gateway.address, line, 0.03)


def left(gateway: Gateway) -> int:
    shown = json.loads(gateway.daemon.verb("keyholders", "--json").stdout)
    rows = shown["keyholders"] if isinstance(shown, dict) else shown
    return int(rows[0]["paper"]["ssh"]["left"])


def known(gateway: Gateway) -> bool:
    return bool(gateway.daemon.status()["keyholders"])


def lease(f: Fleet, key: str) -> int:
    """The lease that a key of the store ends with; 0: it stays."""
    told = json.loads(f.store.ctl("get", key, "--write-out=json", user=""))
    return int(told["kvs"][0].get("lease", 0))


@pytest.mark.parametrize("decide", WAYS)
def test_paper_enrolled_at_one_gateway_opens_all_doors_and_each_line_works_once_anywhere(decide: str) -> None:
    with fleet(CONFIG.replace("DECIDE", decide)) as f:
        first, second = f.gateways
        lines = sheet(first)
        true(lambda: known(first) and known(second))
        dial(f, second, lines[0])
        second.daemon.wait_for(f"{f.client4} admitted to ssh", "paper 1 of 5")
        first.daemon.wait_for(f"{f.client4} admitted to ssh", "at edge-2")
        true(lambda: left(first) == left(second) == 4)
        for one in f.gateways:  # whoever saw the line dials it where it was used, and elsewhere
            dial(f, one, lines[0], thief=True)
            one.daemon.wait_for(f"{f.other4} refused at ssh: replay of keyholder ana")
        assert inside(first) == inside(second) == {(f.client4, "ssh")}
        dial(f, first, lines[3], thief=True)  # another line, by somebody who was given it
        first.daemon.wait_for(f"{f.other4} admitted to ssh", "paper 4 of 5")


@pytest.mark.parametrize("alone", ["local", "refuse"])
def test_without_the_store_no_paper_opens_and_the_line_is_not_used_up(alone: str) -> None:
    with fleet(CONFIG.replace("DECIDE", "kernel"), more=f", alone: {alone}") as f:
        first, second = f.gateways
        lines = sheet(first)
        true(lambda: known(first) and known(second))
        cut_off(f, first)
        true(lambda: first.daemon.status()["fleet"]["away"])
        dial(f, first, lines[1])
        first.daemon.wait_for(f"{f.client4} refused at ssh: sequences on paper are refused while the fleet")
        assert inside(first) == set()
        dial(f, second, lines[1])  # it still works where the store can be asked
        second.daemon.wait_for(f"{f.client4} admitted to ssh", "paper 2 of 5")
        dial(f, first, lines[1], thief=True)
        first.daemon.wait_for(f"{f.other4} refused at ssh: sequences on paper are refused while the fleet")
        cut_off(f, first, off=False)
        first.daemon.wait_for(f"{f.client4} admitted to ssh", "at edge-2")
        dial(f, first, lines[1], thief=True)
        first.daemon.wait_for(f"{f.other4} refused at ssh: replay of keyholder ana")
        assert inside(first) == {(f.client4, "ssh")}


def test_a_store_that_lost_what_it_had_is_given_the_uses_again() -> None:
    with fleet(CONFIG.replace("DECIDE", "kernel")) as f:
        first, second = f.gateways
        lines = sheet(first)
        true(lambda: known(first) and known(second))
        dial(f, first, lines[0])
        second.daemon.wait_for(f"{f.client4} admitted to ssh", "at edge-1")
        uses = ["get", "/portress/edge/u/", "--prefix", "--keys-only"]
        before = f.store.ctl(*uses, user="").split()
        assert len(before) == 1
        assert lease(f, before[0]) == 0  # one that ends would make the line good again
        take_out = ["del", "/portress/edge/u/", "--prefix"]
        first.daemon.terminate()
        f.store.ctl(*take_out, user="")
        true(lambda: f.store.ctl(*uses, user="").split() == before)  # the second one puts it back
        assert lease(f, before[0]) == 0
        second.daemon.terminate()
        f.store.ctl(*take_out, user="")
        assert f.store.ctl(*uses, user="").split() == []
        second.daemon.start()  # it was not used there, and is known there all the same
        true(lambda: f.store.ctl(*uses, user="").split() == before)
        dial(f, second, lines[0], thief=True)
        second.daemon.wait_for(f"{f.other4} refused at ssh: replay of keyholder ana")
        assert tcp_state(f.other, second.address, 22) == "filtered"


def test_two_who_dial_the_same_line_at_the_same_instant_are_one() -> None:
    with fleet(CONFIG.replace("DECIDE", "kernel")) as f:
        first, second = f.gateways
        lines = sheet(second)
        true(lambda: known(first) and known(second))
        with sender(f.client) as one, sender(f.other) as two:
            for knock in lines[2]:
                one.knock(f.client4, first.address, knock)
                two.knock(f.other4, second.address, knock)
                time.sleep(0.03)
        true(lambda: len(inside(first)) == 1 and inside(first) == inside(second))
        time.sleep(1)
        assert len(inside(first)) == 1 and inside(first) == inside(second)


def test_paper_that_was_not_printed_for_the_fleet_is_void_in_it() -> None:
    before = holders(["ana"], "ssh").replace(
        "}", ", paper: {ssh: {first: 1, sequences: 5, era: '00112233445566aa'}}}"
    )
    with fleet(CONFIG.replace("DECIDE", "daemon"), gateways=1, keyholders=before) as f:
        (only,) = f.gateways
        only.daemon.wait_for("paper printed before is void, it was not printed for this fleet", "ana (ssh)")
        assert "void" in only.daemon.verb("keyholders").stdout
        assert [one["void"] for one in only.daemon.status()["paper"]] == [True]
