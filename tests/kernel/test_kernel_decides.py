"""The guard that decides by itself, against the tracker: random streams of real packets, the same admissions.

The tracker is the specification, and so is the rulebook (tests/rulebook.py). A stream's packets are sent
when a plan says so, over a real link; the judges are given the moments of sending. What was sent so near to a
gap's end that the link or the tick of the kernel may decide otherwise is left out of the comparison.
"""

from __future__ import annotations

import contextlib
import random
import time
from collections.abc import Iterator

from attrs import evolve

from kernel import deciding
from lab import Sender, World, crowd, punctual, sender, until, world
from lab.packets import knock as packet
from portress.config.model import Authenticator, Config, Door, Rotating
from portress.knock import SECOND, TCP, Expected, Knock, Sequence, Service, Source
from portress.sequence.fixed import expected as fixed_sequences
from portress.sequence.trie import Trie
from portress.tracker import Tracker
from portress.verdict import Completed, Left
from rulebook import Model, Way

ALPHABET = [Knock.parse(text) for text in ("tcp/4617", "udp/2953", "tcp/6381", "udp/6002", "tcp/6001")]
OTHERS = [Knock.parse(text) for text in ("udp/4617", "tcp/2953", "tcp/4618")]
A, B, C, D, E = ALPHABET
PATIENT = 60 * SECOND  # a gap that nobody exceeds: who is first to use a sequence up is no question of time
COARSE = 6  # CLOCK_MONOTONIC_COARSE (linux/time.h): its resolution is the kernel's tick


def door(name: str, port: int, gap: int = SECOND, knocks: tuple[Knock, ...] = ()) -> Door:
    return Door(
        name,
        (Service(TCP, port, port),),
        3600 * SECOND,
        fixed=Sequence(knocks, gap) if knocks else None,
        rotating=None if knocks else Rotating((10100, 32767), (6, 17), 3, gap, 1),
    )


def code_door(name: str, port: int, gap: int = SECOND) -> Door:
    return Door(name, (Service(TCP, port, port),), 3600 * SECOND, authenticator=Authenticator(21000, gap, 1))


def doors(*all_doors: Door) -> dict[str, Door]:
    return {one.name: one for one in all_doors}


def fixed(config: Config) -> list[Expected]:
    return [Expected(one.fixed, one.name) for one in config.doors.values() if one.fixed is not None]


# Shared beginnings, three gaps, a sequence that goes on where another ends.
MIXED = Config(
    doors(
        door("ssh", 22, SECOND, (A, B, C)),
        door("web", 8443, 2 * SECOND, (A, B, D, E)),
        door("desk", 5900, 3 * SECOND, (B, A)),
        door("wiki", 8000, 3 * SECOND, (A, B, C, D)),
        door("mail", 25, SECOND, (A, C, E)),
    )
)


@contextlib.contextmanager
def alone(config: Config, expected: list[Expected]) -> Iterator[tuple[World, Sender]]:
    with world() as w, sender(w.stranger) as send:
        w.host.nft(deciding.text(config, deciding.numbered(config, expected)))
        yield w, send


def play(w: World, send: Sender, plan: list[tuple[float, str, Knock]]) -> list[tuple[int, str, Knock]]:
    """Send each packet at its second; what was sent, with the moments in ns."""
    sent = []
    ready = [
        (when, source, knock, packet(source, w.host6 if ":" in source else w.host4, str(knock)))
        for when, source, knock in sorted(plan)
    ]
    with punctual():
        began = time.monotonic()
        for number, (when, source, knock, data) in enumerate(ready):
            pause = began + when - time.monotonic()
            if pause > 0 or number % 50 == 0:  # behind time, the other end of the link still gets its turn
                time.sleep(max(0.001, pause))
            send.send(w.host6 if ":" in source else w.host4, data)
            sent.append((time.monotonic_ns(), source, knock))
    until(lambda: deciding.counted(w.host, "came") == len(sent))
    return sent


def judged(
    judge: Tracker | Model, config: Config, sent: list[tuple[int, str, Knock]]
) -> set[tuple[str, str]]:
    """(source, door) of all that the tracker, or the rulebook, lets in."""
    found = set()
    for when, address, knock in sent:
        one = Source.parse(address)
        source = config.source(one.packed)
        verdict = judge.hear(source.packed, knock, when)
        if isinstance(verdict, Completed):
            found |= {(str(source).partition("/")[0], opening.door) for opening in verdict.openings}
        elif isinstance(verdict, Left):
            found |= {(str(source).partition("/")[0], f"left.{one.door}") for one in verdict.openings}
    return found


def by_kernel(w: World, config: Config) -> set[tuple[str, str]]:
    return {
        (source, name)
        for door in config.doors.values()
        for name, held in ((door.name, door.name), (f"left.{door.name}", f"{door.name}.left"))
        if held == door.name or door.leaving or door.leaving_fixed
        for family in (4, 6)
        for source in deciding.held(w.host, f"{held}_{family}")
    }


def near(sent: list[tuple[int, str, Knock]], gaps: set[int], slack: int) -> set[str]:
    """Sources with two packets of which the time between them is within `slack` of a gap."""
    times: dict[str, list[int]] = {}
    for when, source, _ in sent:
        times.setdefault(source, []).append(when)
    return {
        source
        for source, moments in times.items()
        if any(abs(later - one - gap) < slack for one in moments for later in moments for gap in gaps)
    }


def streams(
    sources: list[str], seed: int, expected: list[Expected], length: int = 3, *, pauses: bool = True
) -> list[tuple[float, str, Knock]]:
    """A random stream of each source: pieces of the sequences, disturbed, now and then slower than a gap.

    Without `pauses` none is: what one source uses up is then the same in any judgement of times.
    """
    rng = random.Random(seed)
    letters = sorted({knock for one in expected for knock in one.sequence.knocks})
    plan = []
    for source in sources:
        when = rng.uniform(0, 4)
        knocks: list[Knock] = []
        for _ in range(rng.randint(1, length)):
            whole = rng.choice(expected).sequence.knocks
            knocks += whole if rng.random() < 0.6 else whole[: rng.randint(1, len(whole))]
        for _ in range(rng.choice((0, 0, 1, 2))):
            other = rng.choice(letters) if rng.random() < 0.7 else rng.choice(OTHERS)
            knocks.insert(rng.randint(0, len(knocks)), other)
        slow = pauses and rng.random() < 0.5
        for knock in knocks:
            plan.append((when, source, knock))
            if rng.random() < 0.1:
                plan.append((when + 0.001, source, knock))
            when += rng.choice((0.6, 0.9, 1.1, 1.5, 2.2)) if slow and rng.random() < 0.4 else 0.01
    return plan


def alike(config: Config, expected: list[Expected], plan: list[tuple[float, str, Knock]], least: int) -> None:
    """Kernel and tracker agree on who is let in, and at least so many are at every door."""
    with alone(config, expected) as (w, send):
        sent = play(w, send, plan)
        kernel = by_kernel(w, config)
    tracker = judged(Tracker(Trie(expected)), config, sent)
    assert tracker == judged(Model(1 << 20, None, [Way(one) for one in expected]), config, sent)
    left_out = {masked(config, one) for one in near(sent, {one.sequence.gap for one in expected}, 20_000_000)}
    sources = {masked(config, source) for _, source, _ in sent}
    assert len(left_out) < len(sources) // 3
    differing = {one for one in kernel ^ tracker if one[0] not in left_out}
    story = {
        one: [
            (round((when - sent[0][0]) / 1e9, 3), source, str(knock))
            for when, source, knock in sent
            if masked(config, source) == one
        ]
        for one, _ in sorted(differing)[:3]
    }
    assert not differing, (len(differing), sorted(kernel - tracker), sorted(tracker - kernel), story)
    leaving = {f"left.{one.door}" for one in expected if one.leaves}
    for name in {*config.doors, *leaving}:
        assert sum(opened == name for _, opened in kernel) >= least, name


def masked(config: Config, address: str) -> str:
    one = Source.parse(address)
    return str(config.source(one.packed)).partition("/")[0]


def test_kernel_and_tracker_let_the_same_sources_in() -> None:
    alike(MIXED, fixed(MIXED), streams(crowd(500) + crowd(500, 6), 3, fixed(MIXED)), 20)


def test_with_one_gap_for_all_doors_too() -> None:
    config = Config(
        doors(
            door("ssh", 22, SECOND, (A, B, C)),
            door("web", 8443, SECOND, (A, B, D, E)),
            door("desk", 5900, SECOND, (B, A)),
        )
    )
    alike(config, fixed(config), streams(crowd(500) + crowd(500, 6), 4, fixed(config)), 20)


def test_a_prefix_that_counts_as_one_source_has_one_state() -> None:
    """Sources of one prefix knock for each other, and disturb each other."""
    config = Config(MIXED.doors, prefix_4=29, prefix_6=61)
    sixes = [f"2001:db8:c:{number:x}::{number:x}" for number in range(1, 500)]
    alike(config, fixed(config), streams(crowd(500) + sixes, 5, fixed(config), 1), 5)


def test_a_rotating_sequence_admits_once() -> None:
    """Whoever completes it first is in. That no step is older than the last one used is the daemon's to see
    to: here every keyholder has one step."""
    config = Config(doors(door("vpn", 1194, PATIENT), door("wiki", 8000, PATIENT, (A, B, C, D))))
    rng = random.Random(9)
    ways = list({tuple(rng.sample([*ALPHABET, *OTHERS], 3)) for _ in range(150)})
    expected = fixed(config) + [
        Expected(Sequence(knocks, PATIENT), "vpn", f"k{number}", 1, str(number).encode())
        for number, knocks in enumerate(ways)
    ]
    alike(
        config,
        expected,
        streams(crowd(500) + crowd(500, 6), 6, expected + fixed(config) * 40, 2, pauses=False),
        20,
    )


def leaving_door(one: Door, knocks: tuple[Knock, ...] = (), gap: int = SECOND) -> Door:
    return evolve(one, leaving=not knocks, leaving_fixed=Sequence(knocks, gap) if knocks else None)


def test_the_same_sources_leave() -> None:
    """Leaving sequences that share their beginnings with sequences that open, have gaps of their own, are the
    beginning of another one, or go on where one ends."""
    config = Config(
        doors(
            leaving_door(door("ssh", 22, SECOND, (A, B, C)), (A, B, E), 3 * SECOND),
            leaving_door(door("web", 8443, 2 * SECOND, (A, B, D, E)), (D, C), SECOND),
            leaving_door(door("desk", 5900, 3 * SECOND, (B, A)), (D, C, A, B), 2 * SECOND),
            door("wiki", 8000, 3 * SECOND, (A, B, C, D)),
        )
    )
    expected = fixed_sequences(config)
    assert sum(one.leaves for one in expected) == 3
    alike(config, expected, streams(crowd(500) + crowd(500, 6), 13, expected), 20)


def test_a_rotating_sequence_leaves_once() -> None:
    config = Config(
        doors(
            leaving_door(door("vpn", 1194, PATIENT)),
            leaving_door(door("wiki", 8000, PATIENT, (A, B, C, D)), (D, E), PATIENT),
        )
    )
    rng = random.Random(10)
    ways = list({tuple(rng.sample([*ALPHABET, *OTHERS], 3)) for _ in range(150)})
    expected = fixed_sequences(config) + [
        Expected(
            Sequence(knocks, PATIENT), "vpn", f"k{number}", 1, str(number).encode(), leaves=number % 2 == 0
        )
        for number, knocks in enumerate(ways)
    ]
    plan = streams(crowd(500) + crowd(500, 6), 8, expected + fixed_sequences(config) * 40, 2, pauses=False)
    alike(config, expected, plan, 20)


def test_one_code_opens_all_doors_of_its_base_and_no_door_twice() -> None:
    config = Config(
        doors(
            code_door("ssh", 22, PATIENT),
            code_door("web", 8443, PATIENT),
            door("desk", 5900, 2 * PATIENT, (A, B)),
        )
    )
    rng = random.Random(2)
    ways = list({tuple(rng.sample([*ALPHABET, *OTHERS], 4)) for _ in range(100)})
    expected = fixed(config) + [
        Expected(Sequence(knocks, PATIENT), name, f"k{number}", 1, b"%d" % number)
        for number, knocks in enumerate(ways)
        for name in ("ssh", "web")
        if number % 4 or name == "ssh"
    ]
    alike(config, expected, streams(crowd(500) + crowd(500, 6), 7, expected, 2, pauses=False), 20)


def test_at_the_edge_of_a_gap_kernel_and_tracker_differ_by_two_ticks_at_most() -> None:
    """Sequences with one pause of the gap, give or take some ticks of the kernel's clock (jiffies)."""
    config = Config(doors(door("ssh", 22, SECOND, (A, B, C))), prefix_6=128)
    tick = round(time.clock_getres(COARSE) * SECOND)
    sources = crowd(400, 6)
    rng = random.Random(11)
    sent: dict[str, list[tuple[int, int]]] = {source: [] for source in sources}
    plan: list[tuple[float, str, Knock]] = []
    for number, source in enumerate(sources):
        begin, off = number * 0.01, rng.uniform(-10, 10) * tick / SECOND
        late = rng.choice((1, 2))  # which knock comes after the pause
        moments = [begin, begin + 0.03, begin + 0.06]
        for one in range(late, 3):
            moments[one] += 1 - 0.03 + off
        plan += [(moment, source, knock) for moment, knock in zip(moments, (A, B, C), strict=True)]
    with alone(config, fixed(config)) as (w, send):
        ready = [(when, one, packet(one, w.host6, str(knock))) for when, one, knock in sorted(plan)]
        with punctual():
            began = time.monotonic()
            for when, source, data in ready:
                time.sleep(max(0.0, began + when - time.monotonic()))
                before = time.monotonic_ns()
                send.send(w.host6, data)
                sent[source].append((before, time.monotonic_ns()))
        until(lambda: deciding.counted(w.host, "came") == len(ready))
        kernel = {source for source, _ in by_kernel(w, config)}

    def lets_in(source: str, off: int) -> bool:
        """Whether the tracker lets it in, if pauses are so much (ns) longer than between the sendings."""
        tracker, now = Tracker(Trie(fixed(config))), SECOND
        for number, knock in enumerate((A, B, C)):
            if number:
                (before, after), (then, later) = sent[source][number - 1 : number + 1]
                now += (later - before if off > 0 else then - after) + off
            verdict = tracker.hear(b"", knock, now)
        return isinstance(verdict, Completed)

    certain = {
        source: lets_in(source, 2 * tick)
        for source in sources
        if lets_in(source, 2 * tick) == lets_in(source, -2 * tick)
    }
    assert {source for source, is_in in certain.items() if is_in} == kernel & certain.keys()
    assert sum(certain.values()) > 50 and len(certain) - sum(certain.values()) > 50
