"""The arithmetic of guessing: how many sequences there are, and how likely sweeps, scans and guesses are.

In: plain numbers. Out: exact integers and fractions where there is a closed form, floats where time is in it.
Pure; nothing here knows a configuration.

What is said of the tracker ("alone") holds for the one sequence asked about as if it were the only one in
force. With others in force beside it a stranger does no better: a knock that moves another sequence on is
at best a repeat of this one's, and at worst a miss.

Counting (Feller, An Introduction to Probability Theory and Its Applications, vol. 1, 3rd ed., chapter II;
waiting times: VI.8; cited from memory). Why one packet tests at most one sequence is told at `guesses`.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from fractions import Fraction
from functools import cache
from itertools import pairwise
from typing import Final, TypeVar

from attrs import frozen

from portress.knock import TCP, UDP

Number = TypeVar("Number", Fraction, float)

PORTS: Final = (1, 65535)
ALL_KNOCKS: Final = 2 * 65535
FRAME_BITS: Final = 84 * 8  # IEEE 802.3: preamble and delimiter 8, minimum frame 64, gap between frames 12
CODE_WORDS: Final = 2**31  # RFC 4226, 5.3: a truncated code is 31 bits
CODES: Final = 10**8
NO_CHANCE: Final = 1e-290  # of a guess: no number of guesses makes anything of it


def falling(n: int, k: int) -> int:
    """Ordered choices of `k` different things out of `n`: n (n-1) ... (n-k+1)."""
    return math.perm(n, k)


def bits(count: int) -> float:
    """How many bits it takes to name one of `count` (>= 1) equally likely things."""
    return math.log2(count)


def likeliest_code() -> Fraction:
    """The chance of the likeliest 8-digit code, a low one: 31-bit numbers modulo 10^8 (RFC 4226, 5.3)."""
    return Fraction(-(-CODE_WORDS // CODES), CODE_WORDS)


def frames(link: float) -> float:
    """Minimum-size Ethernet frames a second on a line of `link` bit/s: 1,488,095 at 1 Gbit/s (IEEE 802.3)."""
    return link / FRAME_BITS


@frozen
class Sweep:
    """A scan that dials every port once in order: of one protocol or of two, all of one after the other or
    both at each port in turn."""

    protocols: tuple[int, ...]
    upwards: bool = True
    alternating: bool = False
    ports: tuple[int, int] = PORTS

    @property
    def size(self) -> int:
        """Packets of one sweep."""
        return len(self.protocols) * self._width

    @property
    def _width(self) -> int:
        return self.ports[1] - self.ports[0] + 1

    def position(self, knock: int) -> int:
        """When the sweep comes to `knock`, from 0. The knock is one that it comes to."""
        port = knock & 0xFFFF
        index = port - self.ports[0] if self.upwards else self.ports[1] - port
        rank = self.protocols.index(knock >> 16)
        return index * len(self.protocols) + rank if self.alternating else rank * self._width + index

    def at(self, position: int) -> int:
        """The knock at `position`, 0 to size - 1."""
        count = len(self.protocols)
        index, rank = divmod(position, count) if self.alternating else divmod(position, self._width)[::-1]
        port = self.ports[0] + index if self.upwards else self.ports[1] - index
        return self.protocols[rank] << 16 | port

    def __iter__(self) -> Iterator[int]:
        """The knocks in the order they are dialled."""
        ports = range(self.ports[0], self.ports[1] + 1)[:: 1 if self.upwards else -1]
        heads = [protocol << 16 for protocol in self.protocols]
        if self.alternating:
            return (head | port for port in ports for head in heads)
        return (head | port for head in heads for port in ports)

    def covers(self, knock: int) -> bool:
        return knock >> 16 in self.protocols and self.ports[0] <= knock & 0xFFFF <= self.ports[1]

    def stride(self, knocks: tuple[int, ...], silent: Collection[int], *, again: bool = False) -> int | None:
        """The most packets from one knock of a sequence to its next if the sweep opens it, else None.

        Every port in between is a miss (rule 5), unless it is one of `silent`, the guarded and public ones,
        which are no knocks at all (rule 1). So the sequence must lie in the sweep without a break.
        `again`: the sweep is repeated without end, and the sequence may straddle its end.
        Exact, alone, if more ports are swept than the sequence and `silent` have together.
        """
        if not all(self.covers(knock) for knock in knocks):
            return None
        longest = 0
        for knock, following in pairwise(knocks):
            steps = self.position(following) - self.position(knock)
            if again:
                steps %= self.size
            if steps < 1 or any(
                self.at((self.position(knock) + step) % self.size) not in silent for step in range(1, steps)
            ):
                return None
            longest = max(longest, steps)
        return longest

    def windows(self, length: int, pool: Collection[int], silent: Collection[int]) -> int:
        """How many sequences of `length` knocks, all out of `pool`, one sweep opens."""
        found = run = 0
        for knock in self:
            if knock in silent:
                continue
            run = run + 1 if knock in pool else 0
            found += run >= length
        return found

    def __str__(self) -> str:
        names = {TCP: "tcp", UDP: "udp"}
        joint = " and " if self.alternating else " then "
        each = " at each port" if self.alternating else ""
        way = "upwards" if self.upwards else "downwards"
        return f"{joint.join(names[p] for p in self.protocols)}{each}, {way}"


_ORDERS: Final = (((TCP,), False), ((UDP,), False), ((TCP, UDP), False), ((UDP, TCP), False))
_IN_TURN: Final = (((TCP, UDP), True), ((UDP, TCP), True))


def sweeps(ports: tuple[int, int] = PORTS) -> tuple[Sweep, ...]:
    """Every linear sweep: over one or both protocols, one after the other or in turn, up and down."""
    return tuple(
        Sweep(protocols, upwards, alternating, ports)
        for protocols, alternating in (*_ORDERS, *_IN_TURN)
        for upwards in (True, False)
    )


def random_scan(n: int, k: int) -> Fraction:
    """The chance that a scan of `n` knocks in random order, each once, opens a given sequence of `k`.

    It does if the sequence stands in the order without a break: (n-k+1) places, (n-k)! orders of the rest,
    n! orders in all: (n-k+1)! / n!. Exact, alone, for n >= k. A longer gap between the scan's packets than
    the sequence's gap brings it to 0.
    """
    return Fraction(n - k + 1, falling(n, k)) if n >= k else Fraction(0)


def random_scans(n: int, k: int, count: int, number: type[Number]) -> Number:
    """The chance that `count` random-order scans one after the other, each in a fresh order, open a sequence.

    More than `count` single scans', for the sequence may straddle two of them, and at the start of a scan
    knocks already right may come again (rule 4). Exact, alone, for n > k: a chain over the stage at the end
    of each scan. `number` is Fraction, or float, which rounds at each step and is quick for many scans.
    """
    opened = number(0)
    stages = [number(1)] + [number(0)] * (k - 1)
    exact = [_one_scan(n, k, stage) for stage in range(k)]
    steps = [(number(opens), [number(chance) for chance in ends]) for opens, ends in exact]
    for _ in range(count):
        following = [number(0)] * k
        for weight, (opens, ends) in zip(stages, steps, strict=True):
            opened += weight * opens
            for stage, chance in enumerate(ends):
                following[stage] += weight * chance
        stages = following
    return opened


def _one_scan(n: int, k: int, start: int) -> tuple[Fraction, list[Fraction]]:
    """From stage `start`: the chance that a random-order scan opens, and of ending at each stage unopened.

    It opens at once if knocks start+1 ... k come first in order, with any of the `start` repeated among
    them; or later, after a miss, if the whole sequence stands without a break, but not at the very front.
    It ends at stage j if the last j packets are knocks 1 ... j (and it had not opened before).
    """

    def at_once(spare: int, after: int) -> Fraction:
        """That the scan opens at once, with repeats out of `spare` knocks, and `after` given packets last."""
        rest = k - start
        return sum(
            (
                Fraction(falling(spare, m) * math.comb(rest - 1 + m, m), falling(n, rest + m + after))
                for m in range(spare + 1)
            ),
            Fraction(0),
        )

    opens = at_once(start, 0) + Fraction(n - k, falling(n, k)) if start else random_scan(n, k)
    ends = [Fraction(0)]
    for stage in range(1, k):
        before = at_once(start - stage, stage) if start and stage <= start else Fraction(0)
        ends.append(Fraction(1, falling(n, stage)) - before)
    ends[0] = 1 - opens - sum(ends, Fraction(0))
    return opens, ends


def guesses(packets: int, length: int) -> int:
    """How many different sequences of `length` a stream of `packets` from one source tests at the very most.

    Take every sequence that a stranger has part-way after some packets. The next packet x leaves those that
    hold x already (rule 4), turns each other P into P followed by x, if it is to open, and begins only one
    anew: x itself. So what is part-way never grows by more than one a packet, and no packet can end more
    than have begun: one a packet, but for the first length - 1. A stream that never repeats a window reaches
    this (a universal cycle of k-permutations: B. Jackson, Universal cycles of k-subsets and k-permutations,
    Discrete Mathematics 117, 1993; cited from memory).
    """
    return max(0, packets - length + 1)


def miss_rate(limit: int, within: float, shun: float) -> float:
    """Misses a second (times in s) that a source can make for ever, whatever it does about being shunned.

    It stays just below the limit, limit - 1 misses in every `within`, or lets itself be shunned, `limit` in
    every `shun`. Any mixture of the two lies between them (a mediant does), so the larger is the most.
    """
    return max((limit - 1) / within, limit / shun)


def shunned_rate(firsts: int, in_force: int, limit: int, within: float, shun: float) -> float:
    """Guesses a second that shunning leaves one source, on average; at best for the stranger.

    A guess that begins with a first knock in force and is wrong costs one miss; any other costs none (rule 2:
    at stage 0 nothing is remembered). Of `firsts` knocks, the share 1 - (1 - 1/firsts)^in_force is in force.
    To within a few parts in `firsts`, for guesses that overlap may share a miss.
    """
    share = -math.expm1(in_force * math.log1p(-1 / firsts)) if firsts > 1 else 1.0
    return miss_rate(limit, within, shun) / share


def mean_guesses(possible: int, in_force: int, *, renewed: bool) -> float:
    """How many guesses on average until one opens; `in_force` >= 1 sequences open out of `possible`.

    Fixed: none is guessed twice, so any place in the order is as likely: (possible + 1) / (in_force + 1),
    the mean of the smallest of `in_force` places. Renewed: what was wrong may be right a minute later, each
    guess is as good as the one before: geometric, possible / in_force (Feller VI.8).
    """
    try:
        return possible / in_force if renewed else (possible + 1) / (in_force + 1)
    except OverflowError:  # more than a float holds, 1.8e308: more than 60 knocks
        return math.inf


def chance_within(count: float, possible: int, in_force: int, *, renewed: bool) -> float:
    """The chance that `count` guesses open: 1 - (1 - p)^count if renewed, else count / possible."""
    p = in_force / possible
    if p >= 1:
        return 1.0 if count >= 1 else 0.0
    if p < NO_CHANCE:
        return 0.0
    if renewed:
        return -math.expm1(count * math.log1p(-p))
    left = 1 - count / possible
    return 1.0 if left <= 0 else -math.expm1(in_force * math.log1p(-count / possible))


def any_two_alike(items: int, possible: int) -> float:
    """The chance that of `items` drawn from `possible` at random any two are the same.

    The birthday formula, 1 - (1 - 1/D)(1 - 2/D)...(1 - (n-1)/D) (Feller II.3, cited from memory).
    """
    if items > possible:
        return 1.0
    return -math.expm1(math.fsum(math.log1p(-i / possible) for i in range(1, items)))


@cache
def windows(
    pool: tuple[int, int], protocols: tuple[int, ...], length: int, quiet: frozenset[int]
) -> tuple[int, int]:
    """How many sequences of the pool the worst sweep upwards opens, and the worst one downwards."""
    knocks = {protocol << 16 | port for protocol in protocols for port in range(pool[0], pool[1] + 1)}
    both = [sweep for sweep in sweeps() if len(sweep.protocols) == 2]
    up, down = (
        max(sweep.windows(length, knocks, quiet) for sweep in both if sweep.upwards is upwards)
        for upwards in (True, False)
    )
    return up, down
