"""The three watchers over a real kernel: the same knocks, the same outcomes, whoever does the hearing.

The journal watcher hears what a journald of its own (lab.journal) reads from this machine's kernel.
"""

from __future__ import annotations

import contextlib
import os
import random
import re
import time
from collections.abc import Iterator
from typing import NamedTuple

import pytest

from lab import Sender, World, crowd, daemon, one_processor, owned, punctual, sender, until, world
from lab.journal import Journal, journald, namespaces_may_log
from lab.portress import Daemon
from portress.watch.packet import PacketWatcher

WATCHERS = ("packet", "packet, where the daemon decides", "journal", "counter")
PREFIX = f"portress-test-{os.getpid()}: "
RIGHT = X, Y, Z = "tcp/4617", "udp/2953", "tcp/6381"


class Scene(NamedTuple):
    w: World
    d: Daemon
    send: Sender
    journal: Journal | None

    def admitted(self) -> set[str]:
        return {one["source"] for one in self.d.status()["admissions"]}

    def knock(self, source: str, text: str) -> None:
        self.send.knock(source, self.w.host6 if ":" in source else self.w.host4, text)

    def until_admitted(self, count: int, seconds: float = 10) -> set[str]:
        """Those admitted, once there are so many; or after so long those there are."""
        until = time.monotonic() + seconds
        while True:
            found = self.admitted()
            if len(found) >= count or time.monotonic() > until:
                return found
            time.sleep(0.1)


def config(watch: str, gap: str = "5s", top: str = "") -> str:
    watch, _, decider = watch.partition(",")
    top += "\ndecide: daemon" if decider else ""
    return (
        f'watch: {watch}\njournal: {{prefix: "{PREFIX}"}}\n{top}\ndoors:\n  ssh:\n    services: [tcp/22]\n'
        f"    stay: 1h\n    fixed: {{knocks: [{', '.join(RIGHT)}], gap: {gap}}}\n"
    )


@contextlib.contextmanager
def scene(watch: str, gap: str = "5s", top: str = "") -> Iterator[Scene]:
    with contextlib.ExitStack() as stack:
        journal = None
        if watch == "journal":
            stack.enter_context(namespaces_may_log())
            journal = stack.enter_context(journald())
        w = stack.enter_context(world())
        host = w.host if journal is None else journal.beside(w.host)
        d = stack.enter_context(daemon(host, config(watch, gap, top)))
        send = stack.enter_context(sender(w.stranger))
        stack.enter_context(one_processor())
        yield Scene(w, d, send, journal)


# Seconds and knocks, and what the log says of that source: "late" is expired or too late.
SCRIPTS: dict[str, tuple[list[tuple[float, str]], list[str]]] = {
    "right": ([(0, X), (0.05, Y), (0.1, Z)], ["admitted"]),
    "right, spread over several polls": ([(0, X), (0.3, Y), (0.7, Z)], ["admitted"]),
    "another order": ([(0, X), (0.05, Z), (0.1, Y)], ["missed"]),
    "backwards": ([(0, Z), (0.05, Y), (0.1, X)], ["late"]),
    "another protocol": ([(0, "udp/4617"), (0.05, Y), (0.1, Z)], []),
    "the second of another protocol": ([(0, X), (0.05, "tcp/2953"), (0.1, Z)], ["missed"]),
    "a wrong one in between": ([(0, X), (0.05, "tcp/9999"), (0.1, Y), (0.15, Z)], ["missed"]),
    "a wrong one before": ([(0, "tcp/9999"), (0.05, X), (0.1, Y), (0.15, Z)], ["admitted"]),
    "right after a miss": (
        [(0, X), (0.05, "tcp/9999"), (0.4, X), (0.45, Y), (0.5, Z)],
        ["missed", "admitted"],
    ),
    "each one twice": ([(0, X), (0.25, X), (0.5, Y), (0.75, Y), (1, Z)], ["admitted"]),
    "the first one again": ([(0, X), (0.3, Y), (0.6, X), (0.9, Z)], ["admitted"]),
    "a guarded port in between": ([(0, X), (0.05, "tcp/22"), (0.1, Y), (0.15, Z)], ["admitted"]),
    "too late": ([(0, X), (0.05, Y), (4.05, Z)], ["late"]),
    "slow, but in time": ([(0, X), (2, Y), (4, Z)], ["admitted"]),
    "started over after the gap": ([(0, X), (4, X), (4.05, Y), (4.1, Z)], ["late", "admitted"]),
    "nothing more": ([(0, X), (0.05, Y)], ["late"]),
}
OUTCOMES = re.compile(r"^(\S+) (admitted|missed|expired|too late) ")


def outcomes(d: Daemon) -> dict[str, list[str]]:
    """What the log says of each source, in order."""
    found: dict[str, list[str]] = {}
    for line in d.lines:
        match = OUTCOMES.match(line)
        if match:
            word = "late" if match[2] in ("expired", "too late") else match[2]
            found.setdefault(match[1], []).append(word)
    return found


@pytest.mark.parametrize("watch", WATCHERS)
def test_the_same_knocks_have_the_same_outcomes(watch: str) -> None:
    with scene(watch, gap="3s") as s:
        packets, expected = [], {}
        for family in (4, 6):
            for source, (knocks, said) in zip(crowd(len(SCRIPTS), family), SCRIPTS.values(), strict=True):
                packets += [(when, source, text) for when, text in knocks]
                expected[source] = said
        began = time.monotonic()
        with punctual():
            for when, source, text in sorted(packets):
                time.sleep(max(0, began + when - time.monotonic()))
                s.knock(source, text)
        right = {source for source, said in expected.items() if "admitted" in said}
        assert s.until_admitted(len(right)) == right
        due = {source: said for source, said in expected.items() if said}
        until(lambda: all(len(outcomes(s.d).get(source, [])) >= len(said) for source, said in due.items()))
        time.sleep(1)  # for what must not be said
        heard = outcomes(s.d)
        assert {source: heard.get(source, []) for source in expected} == expected
        assert heard.keys() <= expected.keys()
        assert s.d.status()["lost"] == 0


@pytest.mark.parametrize("watch", WATCHERS)
def test_two_hundred_sources_are_admitted_through_a_sweep_and_none_else(watch: str) -> None:
    """Fifty strangers sweep 240 ports meanwhile, the right ones among them in an order that leads nowhere."""
    with scene(watch) as s:
        honest = crowd(150) + crowd(50, 6)
        strangers = crowd(200)[160:] + crowd(60, 6)[50:]
        rng = random.Random(5)
        ports = [f"tcp/{port}" for port in (*range(7050, 7150), 6381)] + [
            f"udp/{9300 + n}" for n in range(100)
        ]
        for text in RIGHT:
            sweep = [(stranger, port) for stranger in strangers for port in rng.sample(ports, 80)]
            rng.shuffle(sweep)
            for number, (stranger, port) in enumerate(sweep):
                s.knock(stranger, port)
                if number % 20 == 0:
                    s.knock(honest[number // 20], text)
            time.sleep(0.03)
        assert s.until_admitted(len(honest)) == set(honest)
        time.sleep(0.5)
        assert s.admitted() == set(honest)
        assert s.d.status()["lost"] == 0


def right_order(texts: list[str]) -> bool:
    """Whether the sequence was sent, knocks that were right already aside: another judge than the tracker."""
    letters = "".join("XYZ-"[RIGHT.index(text) if text in RIGHT else 3] for text in texts)
    return re.search("X+Y[XY]*Z", letters) is not None


@pytest.mark.parametrize("watch", WATCHERS)
def test_knocks_back_to_back_admit_nobody_out_of_order(watch: str) -> None:
    """A thousand sources, each with a few knocks, often nearly right, and from none to 30 ms between them."""
    with scene(watch) as s:
        rng = random.Random(watch)
        sources = iter(crowd(400) + crowd(600, 6))
        sent: dict[str, list[str]] = {}
        slowly: set[str] = set()
        for _ in range(50):
            group = {next(sources): list(RIGHT) for _ in range(20)}
            for texts in group.values():
                for _ in range(rng.choice((0, 0, 1, 2, 4))):
                    texts.insert(rng.randrange(len(texts) + 1), rng.choice((*RIGHT, "tcp/4618", "udp/4617")))
                if rng.random() < 0.5:
                    rng.shuffle(texts)
            pause = rng.choice((0, 0, 0, 0.001, 0.003, 0.006, 0.03))
            for place in range(max(map(len, group.values()))):
                for source, texts in group.items():
                    if place < len(texts):
                        s.knock(source, texts[place])
                time.sleep(pause)
            sent |= group
            if pause == 0.03:
                slowly |= {source for source, texts in group.items() if len(set(texts)) == len(texts)}
        right = {source for source, texts in sent.items() if right_order(texts)}
        time.sleep(0.5)
        found = s.until_admitted(len(right), seconds=1)
        assert found <= right
        assert len(slowly & right) > 10
        assert slowly & right <= found
        if watch != "counter":
            assert found == right


@pytest.mark.parametrize("watch", WATCHERS)
def test_a_daemon_that_was_away_hears_on_and_admits_nobody_twice(watch: str) -> None:
    with scene(watch) as s:
        for source in (s.w.stranger4, s.w.stranger6):
            for text in RIGHT:
                s.knock(source, text)
                time.sleep(0.03)
        assert len(s.until_admitted(2)) == 2
        s.d.verb("dismiss", s.w.stranger4)
        s.d.restart()
        first, *others = crowd(3)
        for text in RIGHT:
            s.knock(first, text)
            time.sleep(0.03)
        assert s.until_admitted(2) == {first, s.w.stranger6}
        s.d.kill()
        s.d.start()
        time.sleep(0.5)
        for text in RIGHT:
            for source in others:
                s.knock(source, text)
            time.sleep(0.03)
        assert s.until_admitted(4) == {first, s.w.stranger6, *others}


@pytest.mark.parametrize("watch", WATCHERS)
def test_hearing_goes_on_when_the_configuration_or_the_guard_is_loaded_anew(watch: str) -> None:
    with scene(watch) as s:
        sources = iter(crowd(9))
        admitted = set()

        def knock() -> None:
            source = next(sources)
            for text in RIGHT:
                s.knock(source, text)
                time.sleep(0.03)
            admitted.add(source)
            assert s.until_admitted(len(admitted)) == admitted

        knock()
        s.d.reload()
        s.d.wait_for("reloaded")
        knock()
        s.w.host.run(["nft", "flush", "ruleset"])
        if not owned(s.w.host):
            s.d.wait_for("; restored")
        knock()
        for other in WATCHERS:
            if other != watch and (other != "journal" or s.journal is not None):
                s.d.configure(config(other))
                since = len(s.d.lines)
                s.d.reload()
                s.d.wait_for("reloaded", since=since)
                knock()


def test_a_watcher_that_cannot_be_had_leaves_the_old_one_hearing() -> None:
    with scene("counter") as s, contextlib.ExitStack() as stack:
        s.w.host.call(stack.enter_context, PacketWatcher(7507, time.monotonic_ns))
        s.d.configure(config("packet"))
        s.d.reload()
        s.d.wait_for("listening to packet log group 7507")
        for text in RIGHT:
            s.knock(s.w.stranger4, text)
            time.sleep(0.03)
        assert s.until_admitted(1) == {s.w.stranger4}
        assert s.d.status()["watch"] == "counter"
