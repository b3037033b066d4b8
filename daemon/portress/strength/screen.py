"""What `portress strength` shows: text for people (rich) and plain values for programs.

In: `Strength` and `Pitfall` values and the attack they were measured against. Out: renderables, or a dict.
Readable without colour in 80 columns.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any, Final

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from portress.config.model import Misses
from portress.config.pitfalls import Pitfall
from portress.durations import count, counted, roughly, spell
from portress.strength.doors import PICKED_TEXT, SCANS, Attack, Scans, Search, Strength, one_in

_KINDS: Final = {
    "fixed": "fixed sequence",
    "rotating": "rotating sequences",
    "authenticator": "authenticator codes",
    "paper": "sequences on paper",
}
_COLOURS: Final = {"strong": "bold green", "sound": "bold green", "weak": "bold yellow"}
_METHOD: Final = (
    "A packet tests at most one more sequence, and the best stream of packets does so (for authenticators, "
    "one code takes four packets). A fixed sequence is never guessed twice; a rotating one may be right a "
    "minute later. Only a guess that starts right counts as a miss, so a source stays below the limit for "
    "long. A full line carries any number of sources, forged ones too; shunning does not slow forged sources "
    "down, but a door that they open is open to the forged address only. "
    "Geometric and birthday formulas: Feller, An Introduction to Probability Theory and Its Applications, "
    "vol. 1, VI.8 and II.3 (cited from memory)."
)


def summary(
    strengths: Iterable[Strength], warnings: Iterable[Pitfall], attack: Attack, misses: Misses | None
) -> RenderableType:
    """Three lines for each way a door opens, the verdict first; then every warning."""
    warned = list(warnings)
    parts: list[RenderableType] = []
    for one in strengths:
        opener, style = one.opener, _COLOURS.get(one.grade, "bold red")
        title = Text(f"Door {opener.door}: ", style="bold").append(one.grade, style=style)
        hours = "" if opener.hours_a_week is None else "; rated as if always open"
        title.append(f" ({_KINDS[opener.kind]}, {counted(opener.length, 'knock')}{hours})")
        parts += [title, Text(f"  {_chance(one, attack)}"), Text(f"  {one.in_short}")]
    if warned:
        parts += [Text(), Text("Warnings", style="bold")]
        lines = (f"{f'{each.door}: ' if each.door else ''}{_warning(each)}" for each in warned)
        parts += _points("!", lines, indent=2)
    shunned = "" if misses is None else ", shunned as configured"
    foot = f"Against {_crowd(attack)}{shunned}.\nAll figures: portress strength --details"
    return Group(*parts, Text(), Text(foot, style="dim"))


def _week(hours: float) -> str:
    return f"{hours:.4g} of 168 hours a week; the figures are for a door that is always open"


def _chance(one: Strength, attack: Attack) -> str:
    """The chance within a year, in a line."""
    if one.scans.repeated:
        return one.verdict.partition(": ")[2].capitalize()
    worst = one.worst
    mean = roughly(worst.mean(worst.pace(attack, attack.sources, shunning=worst.brake is not None)))
    chance = "practically never" if one.year == 0 else one_in(one.year)
    return f"Guessed within a year: {chance}; {mean} on average."


def _crowd(attack: Attack) -> str:
    who, each = (f"{attack.sources:,} sources", " each") if attack.sources > 1 else ("1 source", "")
    return f"{who} at {attack.rate:,.10g} packets/s{each}"


def screen(
    strengths: Iterable[Strength], warnings: Iterable[Pitfall], attack: Attack, misses: Misses | None
) -> RenderableType:
    """All of it, door by door, each with its verdict first."""
    warned = list(warnings)
    parts: list[RenderableType] = [Text(_against(attack, misses)), Text()]
    seen: set[str] = set()
    for one in strengths:
        mine = [] if one.opener.door in seen else [each for each in warned if each.door == one.opener.door]
        seen.add(one.opener.door)
        parts += [_door(one, mine, attack), Text()]
    common = [each for each in warned if each.door is None]
    if common:
        parts += [Text("All doors", style="bold"), *_points("!", (_warning(each) for each in common)), Text()]
    parts.append(Text(_METHOD, style="dim"))
    return Group(*parts)


def _against(attack: Attack, misses: Misses | None) -> str:
    shunned = "nobody is shunned (no `misses` configured)"
    if misses is not None:
        limit = (
            "a miss shuns"
            if misses.limit == 1
            else f"{misses.limit} misses within {spell(misses.within)} shun"
        )
        shunned = f"{limit} a source for {spell(misses.shun)}"
    return (
        f"Against {_crowd(attack)}, on a line of {attack.link / 1e9:g} Gbit/s, "
        f"which carries {int(attack.line):,} minimum frames a second (IEEE 802.3: 84 bytes on the wire); "
        f"{shunned}."
    )


def _door(one: Strength, warnings: list[Pitfall], attack: Attack) -> RenderableType:
    opener = one.opener
    title = Text(f"Door {opener.door}: ", style="bold")
    title.append(f"{_KINDS[opener.kind]}, {counted(opener.length, 'knock')}, gap {spell(opener.gap)}")
    verdict = Table.grid(padding=(0, 2))
    verdict.add_row(Text("  Verdict", style="bold"), Text(one.verdict))
    parts: list[RenderableType] = [title, verdict, Text(), Padding(_figures(one), (0, 0, 0, 2)), Text()]
    parts += [Padding(_times(one, attack), (0, 0, 0, 2)), Text()]
    parts += [Text("  Does not protect from"), *_points("-", one.not_against)]
    if warnings:
        parts += [Text("  Warnings"), *_points("!", map(_warning, warnings))]
    return Group(*parts)


def _points(mark: str, lines: Iterable[str], indent: int = 4) -> Iterator[RenderableType]:
    for line in lines:
        grid = Table.grid(padding=(0, 1))
        grid.add_row(f"{'':{indent}}{mark}", Text(line))
        yield grid


def _warning(pitfall: Pitfall) -> str:
    return f"{pitfall.what}: {pitfall.why}."


def _figures(one: Strength) -> Table:
    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True)
    grid.add_column()
    for number, search in enumerate(one.searches):
        note = f" ({PICKED_TEXT})" if number else ""
        grid.add_row(
            "" if number else "possible sequences",
            Text(f"{count(search.possible)} = {search.bits:.1f} bits: {search.space}{note}"),
        )
    grid.add_row("in force at a time", _in_force(one))
    if one.opener.hours_a_week is not None:
        grid.add_row("open", _week(one.opener.hours_a_week))
    if one.alike is not None:
        grid.add_row("two of them the same", one_in(one.alike))
    grid.add_row("one random try", one_in(one.one_try))
    scans = one.scans
    most = "" if scans.exact else "at most "
    grid.add_row("a sweep upwards", _swept(scans, most, "upwards"))
    grid.add_row("a sweep downwards", _swept(scans, most, "downwards"))
    if not scans.too_slow:
        many = f"{most}{one_in(scans.random_many)}" if scans.random_many else "practically never"
        grid.add_row("a scan in random order", f"{most}{one_in(scans.random)}; {SCANS} such scans: {many}")
    else:
        grid.add_row("a scan in random order", "never: too slow for the gap at this rate")
    return grid


def _in_force(one: Strength) -> str:
    opener = one.opener
    if opener.keyholders is None:
        return "1"
    if opener.keyholders == 0:
        return f"{opener.in_force}, for one keyholder (none enrolled yet)"
    steps = opener.in_force // opener.keyholders
    people = "1 keyholder" if opener.keyholders == 1 else f"{opener.keyholders:,} keyholders"
    return f"{opener.in_force:,}: {people} × {steps} time steps"


def _swept(scans: Scans, most: str, way: str) -> str:
    chance = scans.upwards if way == "upwards" else scans.downwards
    if not scans.exact:
        return f"{most if chance else ''}{one_in(chance)}"
    opening = [name for name in scans.opening if name.endswith(way)]
    if opening:
        return f"certain: {'; '.join(opening)}"
    repeated = [name for name in scans.repeated if name.endswith(way)]
    return (
        f"not immediately, but certain if repeated: {'; '.join(repeated)}"
        if repeated
        else "never, even if repeated"
    )


def _times(one: Strength, attack: Attack) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    table.add_column("Expected break-in after", header_style="", no_wrap=True)
    crowd = [1, attack.sources, None] if attack.sources > 1 else [1, None]
    for sources in crowd:
        head = "a full line" if sources is None else "1 source" if sources == 1 else f"{sources:,} sources"
        table.add_column(head, header_style="", justify="right", no_wrap=True)
    for search in one.searches:
        kinds = ((False, ""), (True, ", shunned"))
        for shunning, word in kinds if search.brake is not None else kinds[:1]:
            means = [search.mean(search.pace(attack, sources, shunning=shunning)) for sources in crowd]
            table.add_row(f"{search.short}{word}", *map(roughly, means))
    return table


def plain(
    strengths: Iterable[Strength], warnings: Iterable[Pitfall], attack: Attack, misses: Misses | None
) -> dict[str, Any]:
    """The same for programs. Chances are numbers from 0 to 1, times are seconds; null: never."""
    return {
        "attack": {
            "sources": attack.sources,
            "packets_per_second_each": attack.rate,
            "line_bits_per_second": attack.link,
            "line_frames_per_second": attack.line,
        },
        "shunning": misses is not None,
        "doors": [_plain(one, attack) for one in strengths],
        "warnings": [{"door": one.door, "what": one.what, "why": one.why} for one in warnings],
    }


def _plain(one: Strength, attack: Attack) -> dict[str, Any]:
    opener, scans = one.opener, one.scans
    return {
        "door": opener.door,
        "kind": opener.kind,
        "knocks": opener.length,
        "gap": opener.gap / 1e9,
        "keyholders": opener.keyholders,
        "in_force": opener.in_force,
        "hours_a_week": 168.0 if opener.hours_a_week is None else opener.hours_a_week,
        "one_try": float(one.one_try),
        "two_alike": one.alike,
        "searches": [_plain_search(search, attack) for search in one.searches],
        "scans": {
            "exact": scans.exact,
            "sweep_upwards": float(scans.upwards),
            "sweep_downwards": float(scans.downwards),
            "sweeps_that_open": list(scans.opening),
            "sweeps_that_open_if_repeated": list(scans.repeated),
            "random_order": float(scans.random),
            "random_order_times": {"scans": SCANS, "chance": scans.random_many},
            "too_slow_for_the_gap": scans.too_slow,
        },
        "within_a_year": one.year,
        "grade": one.grade,
        "verdict": one.verdict,
        "does_not_protect_from": list(one.not_against),
    }


def _plain_search(search: Search, attack: Attack) -> dict[str, Any]:
    def expected(sources: int | None, *, shunning: bool) -> float | None:
        mean = search.mean(search.pace(attack, sources, shunning=shunning))
        return mean if math.isfinite(mean) else None

    return {
        "space": search.space,
        "sequences": search.possible,
        "bits": search.bits,
        "expected_seconds": {
            "one_source": expected(1, shunning=False),
            "one_source_shunned": expected(1, shunning=True),
            "sources": expected(attack.sources, shunning=False),
            "sources_shunned": expected(attack.sources, shunning=True),
            "line": expected(None, shunning=False),
        },
    }
