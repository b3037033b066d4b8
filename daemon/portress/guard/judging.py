"""What a packet is to a guard that decides, and where it leads: the way of a knock, told from its end. Pure.

In: the configuration. Out: chains in nft's own language, over the maps that `decide.py` explains.

Nearly every packet is no knock: it is to cost as little as can be. It leaves after a look at its port (is it
a door's, or does any knock go there?) and at its source (is it a caller's?). What a packet has to be in order
to count (`checks`), and whether it has a priority, is only asked of those that get further.

    at, further     where its source stands, if it is a caller; then `next`: the right knock leads on, one got
                    right on the way there (AGAIN) changes nothing, any other is a miss
    stranger        of any other source: a first knock leads to its node, any other is late or nothing

Every caller is in the map `at`, with the node after its first knock; those who are further are in `further`,
too, which counts then. So one look-up tells that a source is no caller, and a flood of first knocks takes no
room from those who are further. `at` lives as long as `further`: never longer.

A chain that asks `next` does nothing else: it stays as it is when the guard is loaded again (`loaded`).

The register is the packet's priority. Where the host has given it one, that is kept by source meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from portress.config.model import Config
from portress.guard.contents import AGAIN, END, staying
from portress.guard.language import KNOCK, SADDR, source
from portress.sequence.edges import MILLISECOND
from portress.verdict import Report

NODE: Final = "meta priority"
EDGE: Final = f"{NODE} . {KNOCK}"
LEADS: Final = f"{NODE} set {EDGE} map @next"  # ends its rule where there is no such edge
HURRIED: Final = 1000  # ms that a first knock above the rate has for the second
FIRST_RATE: Final = 5000  # first knocks a second that have the whole gap, at the most
PLACES: Final = ("at", "further")
STRANGER: Final = "stranger"  # the chain of packets to knocks' ports that are no caller's
KNOWN: Final = "known"  # the chain of callers' packets to ports that are neither doors' nor knocks'
FEW_PORTS: Final = 4096  # ports that are listed one by one
FEW_RULES: Final = 2  # ports that are compared sooner than looked up
FEW_RANGES: Final = 4
_OF_CODES: Final = 400  # ports from an authenticator's base on that a code can stand for
_KEPT_FOR: Final = "timeout 5s"  # longer than a packet can take


def gaps(config: Config) -> list[int]:
    """The pauses (ms) that the configuration's sequences allow, the longest first."""
    found = {gap // MILLISECOND for door in config.doors.values() for gap in door.gaps}
    return sorted(found or {config.longest_gap // MILLISECOND}, reverse=True)


def plain(config: Config) -> int:
    """The pause (ms) of most nodes: the first rotating door's, or the longest."""
    for door in config.doors.values():
        for rule in door.by_time.values():
            return rule.gap // MILLISECOND
    return gaps(config)[0]


def unhurried(config: Config) -> str:
    """The limit below which first knocks have the whole gap: a quarter of `callers` within the longest, as
    many at once. In a flood nearly all of them are forged: the room is for those that have a second."""
    a_minute = min(FIRST_RATE * 60, max(1, config.callers * 15_000 // gaps(config)[0]))
    burst = max(1, config.callers // 4)
    rate = f"{a_minute // 60}/second" if a_minute >= 60 else f"{a_minute}/minute"
    return f"limit rate {rate} burst {burst} packets"


def both(config: Config, rule: str) -> list[str]:
    """The rule for both families."""
    return [rule.format(family=family, source=source(config, family)) for family in SADDR]


def ports(config: Config) -> list[str]:
    """What tells, by its port alone, a packet that may be a knock of one of the configuration's sequences."""
    return among_ports(*knocked(config))


def knocked(config: Config) -> tuple[set[int], list[tuple[int, int]]]:
    """The ports that knocks go to, and ranges of them: those of fixed sequences exactly, those that are drawn
    anew by where they are drawn from."""
    doors = config.doors.values()
    drawn = [one.pool for door in doors for one in (door.rotating, door.paper) if one]
    drawn += [(one.base, one.base + _OF_CODES - 1) for door in doors if (one := door.authenticator)]
    fixed = [one for door in doors for one in (door.fixed, door.leaving_fixed) if one]
    return {knock & 0xFFFF for one in fixed for knock in one.knocks}, drawn


def among_ports(single: Iterable[int], ranges: Iterable[tuple[int, int]] = ()) -> list[str]:
    """What tells packets to these ports: a rule's beginning for each, as few as can be."""
    rest, merged = _merged(single, ranges)
    if not _few(rest, merged):
        every = [*rest, *(end for each in merged for end in each)]
        return [f"th dport {min(every)}-{max(every)}"]
    listed = f"th dport {{ {', '.join(map(str, rest))} }}"
    one_by_one = [f"th dport {port}" for port in rest] if len(rest) <= FEW_RULES else [listed]
    return one_by_one + [f"th dport {first}-{last}" for first, last in merged]


def are_few(single: Iterable[int], ranges: Iterable[tuple[int, int]] = ()) -> bool:
    """Whether `among_ports` tells packets to these ports from all others."""
    return _few(*_merged(single, ranges))


def _few(rest: list[int], merged: list[tuple[int, int]]) -> bool:
    return len(rest) <= FEW_PORTS and len(merged) <= FEW_RANGES


def _merged(
    single: Iterable[int], ranges: Iterable[tuple[int, int]]
) -> tuple[list[int], list[tuple[int, int]]]:
    """The ports that are in no range, and the ranges that have a gap between them."""
    merged: list[tuple[int, int]] = []
    for first, last in sorted(ranges):
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(merged[-1][1], last))
        else:
            merged.append((first, last))
    return sorted({one for one in single if not any(first <= one <= last for first, last in merged)}), merged


def tail(config: Config, sought: Sequence[str] = ()) -> list[str]:
    """What judges a packet that may be a knock. `sought`: what tells the ports of knocks, if more come by."""
    return [f"{NODE} != 0 goto prior", *_looked_up(config, sought)]


def callers(config: Config) -> list[str]:
    """What tells, whatever its port, a packet that may be a caller's miss."""
    return both(config, f"{{source}} @at_{{family}} goto {KNOWN}")


def _looked_up(config: Config, sought: Sequence[str]) -> list[str]:
    callers = both(config, f"{NODE} set {{source}} map @at_{{family}} goto caller")
    return callers + [f"{one} goto {STRANGER}" for one in sought]


def ways(config: Config, checks: list[str], sought: Sequence[str] | None = None) -> dict[str, list[str]]:
    """The chains, those first that others go to. `checks`: rules that return what counts for nothing."""
    return {
        **_starting(config, checks),
        **_moving(config),
        **_judging(config, checks),
        **_keeping(config, ports(config) if sought is None else sought),
        KNOWN: tail(config),
    }


def stay(config: Config, gap: int, *, mixed: bool, first: bool, known: int) -> list[str]:
    """The caller stays at the node for `gap` ms, if there is room, and is known as one for `known` ms. What
    was deleted takes up room until the kernel has cleared it away, some seconds later."""
    caller = f"update @callers_{{family}} {{{{ {{source}} timeout {known}ms }}}}"
    rules = both(config, caller) if known else []
    for shorter in (one for one in gaps(config)[1:] if mixed and one < max(gap, HURRIED + 1)):
        rules += both(config, f"update @within.{shorter}_{{family}} {{{{ {{source}} timeout {shorter}ms }}}}")
    element = f"{{{{ {{source}} timeout {gap}ms : {NODE} }}}}"
    if first:
        rules += both(config, f"add @at_{{family}} {element} goto tell_{Report.BEGUN}")
        return [*rules, 'counter name "callers_full"']
    rules += both(config, f"update @at_{{family}} {element}")
    rules += both(config, f"add @further_{{family}} {element} goto tell_{Report.MOVED}")
    return [*rules, *_gone(config, "at"), 'counter name "callers_full"']


def _has(flag: int) -> str:
    return f"{NODE} & {flag:#x} != 0"


def _gone(config: Config, *places: str) -> list[str]:
    return [
        rule
        for place in places
        for rule in both(config, f"delete @{place}_{{family}} {{{{ {{source}} : {NODE} }}}}")
    ]


def _several(config: Config) -> bool:
    return len(gaps(config)) > 1


def _staying(config: Config, first: bool) -> str:
    """Where a caller goes on from who stays at a node."""
    usual = staying(plain(config), False, first)
    return f"goto {'begin' if first else 'stay'}" if _several(config) else f"goto {usual}"


def _starting(config: Config, checks: list[str]) -> dict[str, list[str]]:
    """A first knock. It never ends anything: a sequence has two at least."""
    least = min(HURRIED, gaps(config)[-1])
    late = both(config, f"{{source}} @callers_{{family}} goto tell_{Report.LATE}")
    return {
        "begin": [f"{NODE} vmap @stays", f"goto {staying(plain(config), False, True)}"],
        "start": [
            f"{unhurried(config)} {_staying(config, True)}",
            'counter name "hurried"',
            *stay(config, least, mixed=_several(config), first=True, known=0),
        ],
        "slow": [*_gone(config, *PLACES), "goto restart"],
        "restart": [f"{LEADS} goto start", "goto belated"],
        "belated": late,
        "new": [*checks, "goto start"],
        "too_late": ["meta l4proto != { tcp, udp } return", *checks, f"goto tell_{Report.LATE}"],
        "newcomer": ["jump new", f"{NODE} set 0"],
        STRANGER: [f"{LEADS} goto newcomer", "goto astray"],
        "astray": both(config, "{source} @callers_{family} goto too_late"),
        "anew": [f"jump tell_{Report.ANEW}", "goto start"],
    }


def _moving(config: Config) -> dict[str, list[str]]:
    """Where a caller stands after a right knock: one that changes nothing, or ends something, is special."""
    return {
        "stay": [f"{NODE} vmap @stays", f"goto {staying(plain(config), False, False)}"],
        "special": [
            f"{_has(AGAIN)} goto tell_{Report.AGAIN}",
            *_gone(config, *PLACES),
            f"{NODE} set {NODE} & {END - 1:#x}",
            f"{NODE} vmap @ends",
            _staying(config, False),  # a longer sequence goes on from there
        ],
    }


def _judging(config: Config, checks: list[str]) -> dict[str, list[str]]:
    """What a caller's knock is: right, repeated or a miss."""
    pauses = [f"{NODE} vmap @checks"] * (len(gaps(config)) - 1)
    found = {
        "wrong": [
            "meta l4proto != { tcp, udp } return",
            *_gone(config, *PLACES),
            f"{NODE} set 0",
            "goto back_to_start",
        ],
        "back_to_start": [f"{LEADS} goto anew", f"goto tell_{Report.MISSED}"],
    }
    for place in PLACES:
        found[f"right_{place}"] = [
            *pauses,
            *([f"{NODE} 0 goto slow"] if pauses else []),
            f"{_has(END | AGAIN)} goto special",
            *(_gone(config, place) if place == "further" else []),
            _staying(config, False),
        ]
    further = both(config, f"{NODE} set {{source}} map @further_{{family}} goto judge_further")
    return {
        **found,
        "judge_further": [f"{LEADS} goto right_further", "goto wrong"],
        "judge_at": [f"{LEADS} goto right_at", "goto wrong"],
        "judge": [*checks, *further, "goto judge_at"],
        "caller": ["jump judge", f"{NODE} set 0"],
    }


def _keeping(config: Config, sought: Sequence[str]) -> dict[str, list[str]]:
    """Packets that have a priority already. Those that may count have it kept, and put back."""
    found = {"knocking": _looked_up(config, sought)}
    for family, saddr in SADDR.items():
        found[f"kept_{family}"] = [
            f"{NODE} set 0",
            "jump knocking",
            f"{NODE} set 0",
            f"{NODE} set {saddr} map @priorities_{family}",
        ]
    keeping = []
    for family, saddr in SADDR.items():
        keeping.append(f"delete @priorities_{family} {{ {saddr} : {NODE} }}")
        keeping.append(f"add @priorities_{family} {{ {saddr} {_KEPT_FOR} : {NODE} }} goto kept_{family}")
    found["keeping"] = [*keeping, 'counter name "priorities_full"']
    known = both(config, "{source} @at_{family} goto keeping")
    found["prior"] = [*known, *(f"{one} goto keeping" for one in sought)]
    return found
