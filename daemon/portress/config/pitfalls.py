"""Warnings about the choice of knocks, each with its reason.

In: a configuration and what is known of the host and of browsers (`Surroundings`). Out: `Pitfall` values.
Pure: whoever asks has read /etc/services, the sysctl and the list of ports that browsers refuse.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from itertools import combinations, pairwise
from typing import Final

from attrs import field, frozen

from portress.config.browsers import BAD_PORTS
from portress.config.model import Authenticator, Config, Door, Rotating
from portress.durations import roughly
from portress.knock import SECOND, TCP, Knock, Sequence
from portress.strength import odds
from portress.strength.doors import Attack, one_in

# Common practice, no source: three knocks, one minute between them.
SHORTEST: Final = 3
LONGEST_GAP: Final = 60 * SECOND
# A gigabit line filled for this long tries every sequence: too short, whatever its length in knocks.
DAY: Final = 86400.0
# Fewer drawn sequences than this that meet a port with a drawback are not worth a warning.
SHARE: Final = 0.05


@frozen
class Surroundings:
    """What the ports mean elsewhere: services by knock, the ephemeral ports, those that browsers refuse."""

    services: Mapping[int, str] = field(factory=dict)
    ephemeral: tuple[int, int] | None = None
    refused: frozenset[int] = BAD_PORTS


@frozen
class Pitfall:
    """One warning. `door` is None where it concerns all of them."""

    door: str | None
    what: str
    why: str


_EPHEMERAL: Final = (
    "connections of this host's own, and those it translates (NAT), take their ports from there: a knock "
    "that connection tracking counts to one of them is no first packet and is not heard"
)
_REFUSED: Final = (
    'browsers do not dial these ports (WHATWG Fetch, "bad ports"), so a phone\'s page cannot knock them'
)


def pitfalls(config: Config, surroundings: Surroundings) -> tuple[Pitfall, ...]:
    """Every warning, doors in their order, what concerns all doors last."""
    found: list[Pitfall] = []
    shunned = config.misses is not None
    for door in config.doors.values():
        if door.fixed is not None:
            found += [Pitfall(door.name, *one) for one in _fixed(door.fixed, surroundings, shunned)]
        if door.leaving_fixed is not None:
            possible = odds.falling(odds.ALL_KNOCKS, len(door.leaving_fixed.knocks))
            found.append(
                Pitfall(
                    door.name,
                    f"a leaving sequence that stays the same, 1 of {possible:,}",
                    "whoever overhears it, or guesses it, can end admissions, from forged addresses",
                )
            )
        if door.rotating is not None:
            found += [Pitfall(door.name, *one) for one in _rotating(door.rotating, surroundings, shunned)]
        if door.authenticator is not None:
            found += [
                Pitfall(door.name, *one) for one in _authenticator(door.authenticator, surroundings, shunned)
            ]
    found += [Pitfall(None, *one) for one in _between(list(config.doors.values()))]
    if config.misses is not None and config.prefix_6 > 64:
        found.append(
            Pitfall(
                None,
                f"source_prefix.ipv6 is {config.prefix_6}",
                "a stranger with an ordinary IPv6 network has 2^64 sources, and shunning one of them does "
                "not slow him down: 64 counts the network as one",
            )
        )
    return tuple(found)


def _fixed(sequence: Sequence, surroundings: Surroundings, shunned: bool) -> Iterator[tuple[str, str]]:
    yield from _order(sequence)
    knocks = sequence.knocks
    known = [
        f"{knock} ({surroundings.services[knock]})" for knock in knocks if knock in surroundings.services
    ]
    if known:
        yield (
            f"well-known ports: {', '.join(known)}",
            "every scan dials these first, so strangers become callers, and their misses fill the log",
        )
    if surroundings.ephemeral is not None:
        first, last = surroundings.ephemeral
        inside = [str(knock) for knock in knocks if first <= knock.port <= last]
        if inside:
            yield f"in this host's ephemeral range, {first} to {last}: {', '.join(inside)}", _EPHEMERAL
    refused = [str(knock) for knock in knocks if knock.protocol == TCP and knock.port in surroundings.refused]
    if refused:
        yield f"browsers refuse {', '.join(refused)}", _REFUSED
    yield from _too_short(len(knocks), odds.falling(odds.ALL_KNOCKS, len(knocks)), shunned)
    yield from _too_long(sequence.gap)


def _order(sequence: Sequence) -> Iterator[tuple[str, str]]:
    ports = [knock.port for knock in sequence.knocks]
    for word, ordered in (("ascending", ports), ("descending", ports[::-1])):
        if len(ports) > 1 and all(before <= after for before, after in pairwise(ordered)):
            yield (
                f"the knocks are {word}",
                "it is the order a sweep dials them in, and the first a guesser tries",
            )
            break
    near = [
        f"{one} and {other}"
        for one, other in combinations(sequence.knocks, 2)
        if abs(one.port - other.port) <= 1
    ]
    if near:
        yield (
            f"neighbours: {', '.join(near)}",
            "who knows or hits one finds the other at once, and a sweep dials them one after the other",
        )


def _rotating(rule: Rotating, surroundings: Surroundings, shunned: bool) -> Iterator[tuple[str, str]]:
    pool = range(rule.pool[0], rule.pool[1] + 1)
    knocks = [protocol << 16 | port for protocol in rule.protocols for port in pool]
    where = f"the pool {rule.pool[0]} to {rule.pool[1]}"
    if surroundings.ephemeral is not None:
        first, last = surroundings.ephemeral
        share, _ = _met(knocks, {knock for knock in knocks if first <= knock & 0xFFFF <= last}, rule.length)
        if share >= SHARE:
            yield (
                f"{_part(share)} of {where} use this host's ephemeral range, {first} to {last}",
                _EPHEMERAL,
            )
    share, number = _met(knocks, surroundings.services.keys() & set(knocks), rule.length)
    if share >= SHARE:
        yield (
            f"{_part(share)} of {where} use {_one_of(number, 'well-known port')}",
            "every scan dials these first, so strangers become callers and their misses fill the log",
        )
    refused = {knock for knock in knocks if knock >> 16 == TCP and knock & 0xFFFF in surroundings.refused}
    if refused:
        share, number = _met(knocks, refused, rule.length)
        yield (
            f"{_part(share)} of {where} use {_one_of(number, 'port')} that browsers refuse",
            _REFUSED,
        )
    yield from _too_short(rule.length, odds.falling(len(knocks), rule.length), shunned)
    yield from _too_long(rule.gap)
    yield from _outlives(rule.gap, rule.length, rule.skew)


def _one_of(number: int, noun: str) -> str:
    return f"a {noun}" if number == 1 else f"one of {number:,} {noun}s"


def _part(share: float) -> str:
    return f"{one_in(share)} {'of the ' if share >= 0.1 else ''}sequences"


def _met(knocks: Collection[int], marked: Collection[int], length: int) -> tuple[float, int]:
    """The share of sequences drawn from `knocks` that hold one of `marked`, and the number of `marked`."""
    if not marked:
        return 0.0, 0
    clear = odds.falling(len(knocks) - len(marked), length) / odds.falling(len(knocks), length)
    return 1 - clear, len(marked)


def _authenticator(
    rule: Authenticator, surroundings: Surroundings, shunned: bool
) -> Iterator[tuple[str, str]]:
    first, last = rule.base, rule.base + 399
    if surroundings.ephemeral is not None:
        low, high = surroundings.ephemeral
        if first <= high and low <= last:
            yield f"tcp/{first} to {last} reach into this host's ephemeral range, {low} to {high}", _EPHEMERAL
    refused = [str(port) for port in range(first, last + 1) if port in surroundings.refused]
    if refused:
        yield f"browsers refuse tcp ports {', '.join(refused)}", _REFUSED
    yield from _too_short(4, odds.CODES, shunned)
    yield from _too_long(rule.gap)
    yield from _outlives(rule.gap, 4, rule.skew)


def _too_short(length: int, possible: int, shunned: bool) -> Iterator[tuple[str, str]]:
    if length < SHORTEST:
        yield (
            f"{length} knock{'s' if length > 1 else ''}",
            f"too few: scans open the door by chance; {SHORTEST} is the least (common practice, no source)",
        )
    elif possible < DAY * Attack().line:
        in_time = roughly(possible / Attack().line)
        advice = "" if shunned else "; configure `misses`, so that guessing gets shunned"
        yield (
            f"{possible:,} sequences in all",
            f"too few: a gigabit line carries as many packets in {in_time}{advice}",
        )


def _too_long(gap: int) -> Iterator[tuple[str, str]]:
    if gap > LONGEST_GAP:
        yield (
            f"a gap of {gap / SECOND:g} s",
            "too long: slow scans, too, get from one knock to the next in that time, and behind a shared "
            "address other people's packets make misses; 60 s is enough by hand (common practice, no source)",
        )


def _outlives(gap: int, length: int, skew: int) -> Iterator[tuple[str, str]]:
    force = (2 * skew + 1) * 30
    if gap * (length - 1) > force * SECOND:
        pauses = "one such pause lasts" if length == 2 else f"{length - 1} such pauses last"
        yield (
            f"a gap of {gap / SECOND:g} s",
            f"{pauses} longer than a sequence is valid, which is {force} s",
        )


def _between(doors: list[Door]) -> Iterator[tuple[str, str]]:
    fixed = [(door.name, door.fixed.knocks) for door in doors if door.fixed is not None]
    for (one, knocks), (other, others) in combinations(fixed, 2):
        reason = _alike(knocks, others)
        if reason:
            yield (
                f"doors {one} and {other} have knocks too alike: {reason}",
                "one slip opens the other door, and who learns one sequence has nearly learnt both",
            )


def _alike(knocks: tuple[Knock, ...], others: tuple[Knock, ...]) -> str | None:
    shorter = min(len(knocks), len(others))
    same = sum(one == other for one, other in zip(knocks, others, strict=False))
    if set(knocks) == set(others):
        return "the same ones in another order"
    if shorter > 1 and same >= shorter - 1:
        return f"{same} of {shorter} are the same in the same places"
    if shorter > 1 and knocks[0] == others[0] and len(set(knocks) & set(others)) >= shorter - 1:
        return "they start the same and share all but one"
    return None
