"""A door has room for so many sources and no more, also where the kernel has lost count of them: a renewal at
a full door counts twice for a moment, and from then on whoever finishes a sequence finds room."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import time
from collections.abc import Iterator

from lab import Daemon, Namespace, World, daemon, sender, tcp_state, until, world
from lab.portress import REPOSITORY, owned
from portress.admissions import Grant
from portress.guard import elements
from portress.guard.table import NoRoom, Table
from portress.knock import SECOND, Source

KNOCKS = ["tcp/4617", "udp/2953", "tcp/6381"]
FORGED = "2001:db8:c"
ROOM = 100
MORE = 2 * ROOM + 64  # that many are never in at once where nothing is wrong
CONFIG = f"""\
decide: kernel
admissions: {ROOM}
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {{knocks: [{", ".join(KNOCKS)}], gap: 5s}}
"""


def admitted(host: Namespace) -> int:
    """How many IPv6 sources the guard in the kernel lets in."""
    with host.enter():
        return len(elements.read("portress", "ssh_6"))


def refused(host: Namespace) -> int:
    """How many sources found no room, as the kernel counts it."""
    with host.enter():
        return Table().counted("admissions_full")


@contextlib.contextmanager
def flooded() -> Iterator[tuple[World, Daemon]]:
    """A door that is full, one of those in it admitted by command, and ever new sources that knock right:
    some 3,000 a second, for there are other tests."""
    with world() as w, daemon(w.host, CONFIG) as d:
        d.verb("admit", w.another6, "ssh")
        script = str(REPOSITORY / "tests/lab/forge.py")
        words = [sys.executable, "-P", script, "120/0.02", w.host6, FORGED, *KNOCKS]
        with w.stranger.popen(words, stdout=subprocess.DEVNULL) as flood:
            try:
                until(lambda: admitted(w.host) >= ROOM, 30)
                yield w, d
            finally:
                flood.terminate()


def lose_count(w: World) -> None:
    """Renew an admission until many more are in, for what the kernel adds and ends is counted at its end."""
    grants = [Grant("ssh", Source.parse(w.another6), 3600 * SECOND)]

    def renewed() -> bool:
        with w.host.enter():
            table = Table()
            for _ in range(10):
                with contextlib.suppress(NoRoom):
                    table.admit(grants)
        return admitted(w.host) > MORE

    until(renewed, 60)


def grows(w: World) -> bool:
    """Whether more are let in while two thousand find no room, which so is shown."""
    before, turned_away = admitted(w.host), refused(w.host)
    until(lambda: refused(w.host) > turned_away + 2000, 60)
    return admitted(w.host) > before


def test_a_door_that_more_are_in_than_it_has_room_for_lets_nobody_else_in() -> None:
    with flooded() as (w, d):
        mine = owned(w.host)  # then it is changed by nobody else
        if mine:
            d.kill()
        lose_count(w)
        if mine:
            d.start()
        until(lambda: len(d.status()["admissions"]) > MORE)
        until(lambda: not grows(w))
        d.wait_for("admissions is full")
        time.sleep(11)  # the guard is told anew
        assert not grows(w)
        with sender(w.stranger) as send:  # over IPv4 there is room
            send.knocks(w.stranger4, w.host4, KNOCKS)
            until(lambda: tcp_state(w.stranger, w.host4, 22) == "closed")


def test_nobody_is_let_in_for_as_long_as_the_daemon_says_and_no_longer() -> None:
    """Of the one address family; so there is room soon after so many are gone, whatever becomes of it."""
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        told = not owned(w.host)
        if not told:
            d.kill()  # a table with an owner is changed by nobody else
        w.host.nft("add element inet portress ssh.over { ipv6 timeout 5s }")
        send.knocks(w.stranger6, w.host6, KNOCKS)
        send.knocks(w.stranger4, w.host4, KNOCKS)
        if told:
            d.wait_for("1 admission refused: admissions is full")
            d.wait_for(f"{w.stranger4} admitted to ssh")
            assert [one["source"] for one in d.status()["admissions"]] == [w.stranger4]
        else:
            until(lambda: tcp_state(w.stranger, w.host4, 22) == "closed")
        assert tcp_state(w.stranger, w.host6, 22) == "filtered"
        time.sleep(5)
        send.knocks(w.stranger6, w.host6, KNOCKS)
        if told:
            d.wait_for("2001:db8", "admitted to ssh")
        else:
            until(lambda: tcp_state(w.stranger, w.host6, 22) == "closed")
        assert tcp_state(w.stranger, w.host6, 22) == "closed"


def test_a_daemon_that_starts_beside_such_a_flood_ends_it() -> None:
    with flooded() as (w, d):
        d.kill()
        lose_count(w)
        d.start()
        until(lambda: not grows(w))
        assert w.another6.rpartition(":")[0] in str([one["source"] for one in d.status()["admissions"]])
