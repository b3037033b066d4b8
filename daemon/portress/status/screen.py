"""What `portress status` prints for people (rich): doors, admissions, callers, and whether anything is wrong.

In: the daemon's answer, or what the kernel alone knows ("daemon": False). Out: things rich can print.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from typing import Any, Final

from rich import box
from rich.console import Console, Group
from rich.table import Table as Grid
from rich.text import Text

from portress import hours
from portress.durations import counted, spell, unix
from portress.knock import SECOND
from portress.status.tables import ADMISSIONS, CALLERS, DOORS, GATEWAYS, Column, furthest_first, narrow, rows

FEW: Final = 40  # callers and shunned sources shown

FAMILIES: Final = {"ipv4": "IPv4", "ipv6": "IPv6"}
_MET: Final = {"silence": "no answer", "tcp reset": "TCP reset"}


def parts(told: dict[str, Any], *, width: int = 80, narrowed: bool = False, few: int = FEW) -> list[Any]:
    """The status for a screen of `width` columns: a headline, doors, admissions, callers. `narrowed`: it is
    about some of them only. `few`: callers and shunned sources shown."""
    blocks: list[list[Any]] = [[headline(told)]]
    if told["doors"]:
        dialled = [Text(f"{one['name']}: {one['dial']['rule']}") for one in told["doors"] if one["dial"]]
        blocks.append([doors(told, width), *dialled, *map(Text, _hours(told))])
    if lines := closed(told):
        blocks.append([Text(line) for line in lines])
    if told["admissions"]:
        blocks.append([admissions(told["admissions"], width), *_more(told, "admissions", few)])
    else:
        blocks.append([Text(f"No {'matching ' if narrowed else ''}admissions.")])
    if told.get("paper"):
        blocks.append([Text(paper(told["paper"]))])
    if told["callers"]:
        blocks.append([callers(furthest_first(told["callers"])[:few]), *_more(told, "callers", few)])
    if told["shunned"]:
        shunned = ", ".join(f"{one['source']} ({_left(one['left'])})" for one in told["shunned"][:few])
        blocks.append([Text(f"Shunned: {shunned}"), *_more(told, "shunned", few)])
    return [part for block in blocks for part in ([Text()] if block is not blocks[0] else []) + block]


def closed(told: dict[str, Any]) -> list[str]:
    """What strangers meet at guarded ports, where that follows the host's other closed ports."""
    by_answer: dict[tuple[str, str], list[str]] = {}
    for one in told.get("closed", {}).get("answers", ()):
        key = one["answer"], one["unknown"] or ""
        by_answer.setdefault(key, []).append(f"{one['protocol']} {FAMILIES[one['family']]}")
    met = [f"{_MET.get(how, how)} ({', '.join(which)})" for (how, why), which in by_answer.items() if not why]
    lines = [f"Guarded ports look like other closed ports: {'; '.join(met)}."] if met else []
    return lines + [
        f"Guarded ports do not answer ({', '.join(which)}): what closed ports answer is unknown: {why}."
        for (_, why), which in by_answer.items()
        if why
    ]


def _hours(told: dict[str, Any]) -> list[str]:
    """Which doors are closed at this hour and when they open, and when the others close."""
    found = []
    for one in told["doors"]:
        if not (kept := one["hours"]):
            continue
        state, key = ("open", "closes") if kept["open"] else ("CLOSED at this hour", "opens")
        when = (
            ""
            if kept[key] is None
            else f", {key} {hours.told(unix(kept[key]), kept['zone'], unix(told['time']))}"
        )
        found.append(f"{one['name']}: {state}{when}")
    return found


def paper(listed: list[dict[str, Any]]) -> str:
    """How much paper is left in all, and who needs more."""
    left, of = (sum(one[key] for one in listed) for key in ("left", "of"))
    needy = [
        f"{one['keyholder']} ({one['door']}: {'void' if one['void'] else one['left']})"
        for one in listed
        if one["few"]
    ]
    more = f"; few or none: {', '.join(needy[:10])}{' …' if len(needy) > 10 else ''}" if needy else ""
    return f"Paper: {left} of {counted(of, 'sequence')} left{more}"


def share(height: int) -> int:
    """How many callers, and how many shunned sources, are shown on a terminal of so many lines."""
    return max(2, min(FEW, height // 8))


def room(told: dict[str, Any], width: int, height: int) -> int:
    """How many admissions fit on a terminal beside the rest, and the prompt after it."""
    rest = parts({**told, "admissions": []}, width=width, few=share(height))
    lines = len(Console(width=width, file=io.StringIO()).render_lines(Group(*rest), pad=False))
    head, more, prompt, none = 2, 1, 1, 1  # lines; without admissions one line says that there are none
    return max(2, height - lines + none - head - more - prompt)


def _more(told: dict[str, Any], what: str, few: int) -> list[Text]:
    """How many there are of those that are not shown."""
    shown = len(told[what]) if what == "admissions" else min(len(told[what]), few)
    more = told["totals"][what] - shown
    limit = " (--limit 0 shows all)" if what == "admissions" else ""
    return [Text(f"… and {more:,} more{limit}", "dim")] if more > 0 else []


def _left(seconds: float) -> str:
    return spell(round(seconds * SECOND))


def headline(told: dict[str, Any]) -> Text:
    """One or two sentences: is the daemon there, is the guard, is anything wrong."""
    line = Text()
    if told["daemon"]:
        line.append(f"portress {told['version']}, watching by {told['watch']}, up {_left(told['up'])}. ")
    else:
        line.append("Daemon not running: no new admissions. ", "bold red")
    if not told["guard"]["present"]:
        line.append("UNGUARDED: no guard loaded; only the host's own firewall applies. ", "bold red")
    elif told["guard"]["open"]:
        line.append(f"UNGUARDED: {_unguarded(told['guard']['open'])}. ", "bold red")
    if told["as_configured"] is False:
        line.append(
            "Running the last good configuration: the current files are invalid (portress check). ",
            "bold red",
        )
    if told["guard"]["trial"] is not None:
        line.append(
            f"On trial for another {_left(told['guard']['trial'])}: portress guard --keep. ", "bold yellow"
        )
    restored = sum(told["guard"]["restorations"].values())
    if restored:
        line.append(f"The guard was restored {counted(restored, 'time')}. ", "yellow")
    if told["lost"]:
        line.append(f"{told['lost']} reported packets lost. ", "yellow")
    if told["ledger"] and not told["ledger"]["present"]:
        line.append("There is no ledger: no rotating sequence is accepted. ", "bold red")
    elif refusing := told["refusing"]:
        line.append(
            f"Rotating sequences are refused for {_left(refusing['left'])}: {refusing['why']}. ", "yellow"
        )
    if fleet := told.get("fleet"):
        line.append(_fleet(fleet), "bold red" if fleet["away"] else "")
    line.rstrip()
    return line


def _fleet(told: dict[str, Any]) -> str:
    """The fleet in a sentence."""
    alive = f"{counted(len(told['gateways']), 'gateway')} of fleet {told['name']}"
    if told["away"]:
        return f"The fleet's store is unreachable, this gateway works alone: {told['trouble']}. "
    waiting = f", {counted(told['queue'], 'change')} to send" if told["queue"] else ""
    trouble = f", {told['trouble']}" if told["trouble"] else ""
    return f"{alive}, revision {told['revision']}, lag {told['lag'] * 1000:.0f} ms{waiting}{trouble}. "


def gateways(told: dict[str, Any]) -> Grid:
    """The fleet's gateways, and how many of those admitted here each has let in."""
    fleet = told["fleet"]
    mine = [one.get("gateway") or fleet["gateway"] for one in told["admissions"]]
    listed = [
        {
            "name": f"{name} (this one)" if name == fleet["gateway"] else name,
            "alive": name in fleet["gateways"],
            "admitted": mine.count(name),
        }
        for name in sorted({*fleet["gateways"], *mine})
    ]
    return _grid(GATEWAYS, rows(GATEWAYS, listed))


def _unguarded(doors: dict[str, str]) -> str:
    """Which doors are open to strangers, and why."""
    by_why: dict[str, list[str]] = {}
    for door, why in doors.items():
        by_why.setdefault(why, []).append(door)
    return "; ".join(f"{', '.join(names)} open to strangers: {why}" for why, names in by_why.items())


def _grid(columns: Sequence[Column], rows: Iterable[Sequence[Text]]) -> Grid:
    grid = Grid(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False)
    for column in columns:
        grid.add_column(column.heading, justify="right" if column.right else "left")
    for row in rows:
        grid.add_row(*row)
    return grid


def doors(told: dict[str, Any], width: int) -> Grid:
    """The doors and how many are admitted to each; what opens them, if there is room for it."""
    return _fitting(DOORS, told["doors"], width)


def admissions(listed: list[dict[str, Any]], width: int) -> Grid:
    """Who is let through which door, and for how long yet; until when, if there is room for it."""
    return _fitting(ADMISSIONS, listed, width)


def _fitting(columns: Sequence[Column], listed: list[dict[str, Any]], width: int) -> Grid:
    """With all of the columns if they fit, else without the roomy ones."""
    lines = [[Text(one.heading) for one in columns], *rows(columns, listed)]
    needed = sum(max(cell.cell_len for cell in cells) + 2 for cells in zip(*lines, strict=True))
    chosen = columns if needed <= width else narrow(columns)
    return _grid(chosen, rows(chosen, listed))


def callers(listed: list[dict[str, Any]]) -> Grid:
    """Who is part-way."""
    return _grid(CALLERS, rows(CALLERS, listed))
