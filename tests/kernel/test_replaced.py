"""While another guard is loaded, in which other parts of addresses count as a source, people come and go: who
was let in is in the guard that comes, and who was dismissed is not.
"""

from __future__ import annotations

import json
import threading
import time
from ipaddress import ip_network

import pytest

from lab import World, crowd, sender, until, world
from lab.portress import Daemon, daemon

KNOCKS = ("udp/2953", "tcp/6381")


def config(decide: str, width: int) -> str:
    return f"""
decide: {decide}
source_prefix: {{ipv4: 32, ipv6: {width}}}
doors:
  ssh: {{services: [tcp/22], stay: 1h, fixed: {{knocks: [{", ".join(KNOCKS)}], gap: 10s}}}}
"""


def in_the_guard(w: World) -> set[str]:
    listed = json.loads(w.host.run(["nft", "-j", "list", "set", "inet", "portress", "ssh_6"]).stdout)
    (found,) = [one["set"] for one in listed["nftables"] if "set" in one]
    return {str(one["elem"]["val"]) for one in found.get("elem", [])}


def masked(address: str, width: int) -> str:
    return str(ip_network(f"{address}/{width}", strict=False).network_address)


def known(d: Daemon) -> set[str]:
    return {str(ip_network(one["source"]).network_address) for one in d.status()["admissions"]}


@pytest.mark.parametrize(
    ("before", "after", "decide"),
    [
        (128, 64, "kernel"),
        (64, 128, "daemon"),
        pytest.param(64, 128, "kernel", marks=pytest.mark.wide),
        pytest.param(128, 64, "daemon", marks=pytest.mark.wide),
    ],
)
def test_who_comes_and_goes_meanwhile_is_in_or_out_in_the_guard_that_comes(
    before: int, after: int, decide: str
) -> None:
    sources = crowd(900, 6)
    first, late, dismissed = sources[:600], sources[600:], sources[:40]
    with world() as w, daemon(w.host, config(decide, before)) as d, sender(w.stranger) as send:
        for one in first:
            send.knocks(one, w.host6, KNOCKS)
        until(lambda: len(known(d)) == len(first))

        def come() -> None:
            for one in late:
                send.knocks(one, w.host6, KNOCKS)
                time.sleep(0.001)

        def go() -> None:
            for one in dismissed:
                d.verb("dismiss", one, check=False)  # it may have ended with the guard before

        others = [threading.Thread(target=come), threading.Thread(target=go)]
        since = len(d.lines)
        for one in others:
            one.start()
        d.configure(config(decide, after))
        d.reload()
        for one in others:
            one.join()
        d.wait_for("reloaded", since=since)
        until(lambda: in_the_guard(w) == known(d))
        there = in_the_guard(w)
        assert not there & {masked(one, after) for one in dismissed}
        if after < before:
            assert there >= {masked(one, after) for one in first} - {masked(one, after) for one in dismissed}
            missing = {one for one in late if masked(one, after) not in there}
            assert len(missing) <= 30  # their knocks came in the moment of the change
            told = "\n".join(d.lines)
            assert not {one for one in missing if f"{one} admitted" in told or masked(one, after) in told}
