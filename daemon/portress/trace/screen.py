"""What `portress trace` prints: a block for each source for people (rich), JSON for programs.

In: a finished Trace and what it was read from. Out: things rich can print, or values for JSON. Moments are in
the zone asked for, in JSON in UTC.
"""

from __future__ import annotations

from collections.abc import Container, Iterator
from datetime import UTC, datetime, tzinfo
from ipaddress import ip_address
from typing import Any, Final

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from portress.clock import STEP
from portress.durations import counted, moment, pause, spell, utc
from portress.knock import SECOND, Knock
from portress.trace.replay import HOSTS, Reading, Trace
from portress.trace.timeline import Elsewhere, Note, Timeline, Tried
from portress.verdict import (
    Closed,
    Completed,
    Ignored,
    Left,
    Repeated,
    Shunned,
    progress,
)
from portress.verdict_words import NAMES, STYLES, fields, listed, other_time, say
from portress.watch.frame import Oddity
from portress.why.background import Astray

_OTHERS: Final[dict[type, str]] = {Tried: "dim", Elsewhere: "dim", Astray: STYLES["astray"]}
_PASSED_BY: Final = {
    "elsewhere": "to other hosts",
    "always": "from sources in `always`",
    "public": "to public services",
    "service": "to guarded services",
    "time": "at an impossible time",
}
_SHOWN_HOSTS: Final = 4
_ENOUGH: Final = 128  # bytes of a frame: a link's header, IP with options or extensions, TCP's


def what(note: Note, zone: tzinfo | None, hosts: Container[bytes] = ()) -> str:
    """What a line says of its knock. `hosts`: this host's addresses as known in the end."""
    if isinstance(note.what, Tried):
        return _tried(note.what)
    if isinstance(note.what, Elsewhere) and note.what.to in hosts:
        return say(Ignored())
    if isinstance(note.what, Elsewhere):
        return f"no knock: to {ip_address(note.what.to)}, another host"
    if isinstance(note.what, Astray):
        return other_time(note.what.opening, note.what.steps, zone)
    text = say(note.what, note.hint, zone)
    if isinstance(note.what, Completed):
        ends, begins = moment(note.until / SECOND, zone), moment(note.at / SECOND, zone)
        text += f", admitted until {ends[11:] if ends[:10] == begins[:10] else ends[:16]}"
        if note.moved:
            text += f", moved from {' and '.join(note.moved)}"
        if note.port:
            text += f", only the connection from port {note.port}, this knock's own"
    if isinstance(note.what, Left):
        text += ", admission over" if note.ended else ", who was not admitted there: no effect"
    return text


def _tried(tried: Tried) -> str:
    what = f"no knock: a service of {tried.door}"
    if not tried.knocked:
        return f"{what}, {'open' if tried.admitted else 'shut'} to this source"
    if tried.tried in tried.knocked:
        return f"{what}, from the port it knocked from: open to one connection"
    if tried.admitted:
        return f"{what}, open to this source"
    knocked = " and ".join(str(one) for one in tried.knocked[-3:])
    return f"{what}, shut: knocked from port {knocked}, tried from port {tried.tried}"


def _times(note: Note) -> str:
    """That a line stands for several knocks."""
    if note.times == 1:
        return ""
    same = isinstance(note.what, Repeated | Tried | Elsewhere)
    return f" ({note.times:,} times)" if same else f" (and {counted(note.times - 1, 'knock')} more)"


def head(trace: Trace, reading: Reading, name: str, kind: str, zone: tzinfo | None) -> Iterator[Text]:
    """What was read, of which time, and what was taken for granted."""
    unit = "lines" if "journal" in kind else "packets"
    yield Text(f"{name}: {kind}, {reading.packets:,} {unit}")
    if trace.first is not None:
        begins, ends = (moment(at / SECOND, zone) for at in (trace.first, trace.last))
        until = ends[11:] if ends[:10] == begins[:10] else ends
        yield Text(f"From {begins} to {until}, {zone_name(zone, trace.first)}")
    hosts = sorted(trace.hosts, key=lambda one: (len(one), one))
    if trace.named or not hosts:
        pass
    elif len(hosts) <= _SHOWN_HOSTS:
        names = ", ".join(str(ip_address(one)) for one in hosts)
        yield Text(f"This host: {names}, taken from the first knocks (set it with --host)")
    else:
        count = f"{len(hosts)} addresses" if len(hosts) < HOSTS else f"{HOSTS} addresses and perhaps more"
        text = f"First knocks went to {count}: name this host's with --host ADDRESS"
        yield Text(text, "yellow")
    for note in warnings(trace, reading):
        yield Text(note, "yellow")


def zone_name(zone: tzinfo | None, at: int) -> str:
    """The zone as it is called, of a moment in unix ns."""
    key = getattr(zone, "key", None)
    return str(key or datetime.fromtimestamp(at / SECOND, zone).astimezone(zone).tzname())


def warnings(trace: Trace, reading: Reading) -> Iterator[str]:
    """What may make the verdicts other than the daemon's."""
    yield from reading.notes
    short = reading.odd.get(Oddity.SHORT.value)
    if short:
        yield (
            f"Cut off before the ports: {counted(short, 'packet')}, which may be knocks:"
            f" capture {_ENOUGH} bytes or more of each (tcpdump -s {_ENOUGH})"
        )
    if trace.disorder:
        yield f"Out of order: {counted(trace.disorder, 'packet')}, treated as no earlier than the one before"
    if trace.jumps:
        yield f"The clock was set back {counted(trace.jumps, 'time')}; treated as continuous"
    if trace.passed_by["time"]:
        yield f"Left out: {counted(trace.passed_by['time'], 'packet')} at an impossible time"
    if trace.tracker.evicted:
        yield f"Evicted, caller table full (raise `callers`): {counted(trace.tracker.evicted, 'caller')}"


def title(trace: Trace, one: Timeline) -> Text:
    """The source, and in a few words how far it came."""
    line = Text(str(trace.source(one.source)), "bold")
    if one.opened:
        doors = listed([f"{door} {times} times" if times > 1 else door for door, times in one.opened.items()])
        line.append(f"  opened {doors}", "bold green")
    elif "replayed" in one.counts:
        line.append("  opened nothing: a sequence used before", "bold red")
    elif NAMES[Closed] in one.counts:
        line.append("  opened nothing: right, but closed at that hour", "bold yellow")
    elif NAMES[Left] in one.counts:
        line.append("  opened nothing: it left", "bold")
    elif one.astray:
        door = one.astray.opening.door
        line.append(f"  opened nothing: the sequence of another time ({door})", "bold yellow")
    elif one.furthest:
        line.append(f"  opened nothing: {progress(one.furthest, one.of)}", "yellow")
        line.append(f" ({listed(one.doors)})", "yellow")
    else:
        begun = one.counts.keys() - {NAMES[Ignored], NAMES[Shunned]}  # before what was left out of it
        line.append(f"  opened nothing{'' if begun else ': started no sequence'}", "yellow")
    return line


def block(trace: Trace, one: Timeline, zone: tzinfo | None, ends: Text | None) -> Iterator[Any]:
    """A source's title, its lines, and how it stands at the end."""
    yield title(trace, one)
    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True)
    grid.add_column(no_wrap=True, justify="right", min_width=7)
    grid.add_column(no_wrap=True, min_width=9)
    grid.add_column(overflow="fold")
    day = moment(trace.first / SECOND, zone)[:10] if trace.first is not None else ""
    for note in one:
        if isinstance(note, int):
            grid.add_row("", "", "", Text(f"… {note:,} lines left out", "dim"))
            continue
        at = moment(note.at // SECOND, zone)
        if at[:10] != day:
            day = at[:10]
            grid.add_row(Text(day, "dim"))
        style = _OTHERS.get(type(note.what)) or STYLES[NAMES[type(note.what)]]
        grid.add_row(
            f"{at[11:]}.{note.at // 1_000_000 % 1000:03d}",
            Text(pause(note.pause), "dim"),
            str(Knock(note.knock)),
            Text(what(note, zone, trace.hosts) + _times(note), style),
        )
    if ends is not None:
        grid.add_row("", "", "", ends)
    yield Padding(grid, (0, 0, 1, 2))


def ending(trace: Trace, one: Timeline, standing: dict[bytes, Any], shunned: dict[bytes, int]) -> Text | None:
    """How a source stands when there is nothing more, where that is worth a line."""
    if one.source in shunned:
        return Text(f"at the end: shunned for {spell(shunned[one.source])} more", "red")
    if one.source in standing:
        at, left = standing[one.source]
        return Text(f"at the end: {progress(at.stage, at.of)}, {spell(left)} left for the next one")
    if one.stage:
        return Text(
            f"at the end: expired after {counted(one.stage, 'right knock')}, no further one within the gap",
            "yellow",
        )
    return None


def chosen(trace: Trace, limit: int) -> tuple[list[Timeline], int]:
    """The sources to show, in the order of their first knocks, and how many more there are.

    Where there are more than `limit` (0: all are shown), those that came furthest are.
    """
    everyone = list(trace.timelines)
    if limit == 0 or len(everyone) <= limit:
        return everyone, 0
    best = sorted(everyone, key=_rank, reverse=True)[:limit]
    return sorted(best, key=lambda one: one.first), len(everyone) - limit


def _rank(one: Timeline) -> tuple[bool, bool, int, int]:
    told = "replayed" in one.counts or one.astray is not None
    return bool(one.opened), told, one.furthest, sum(one.counts.values())


def foot(trace: Trace, more: int) -> Iterator[Text]:
    """How many there are of what is not shown."""
    if more:
        yield Text(f"{more:,} more sources started a sequence and got less far (--limit 0 shows all)")
    if trace.timelines.left_out:
        yield Text(
            f"{trace.timelines.left_out:,} sources that knocked earlier are left out (--source shows one)"
        )
    line = f"{trace.knocks:,} knocks"
    if trace.silent:
        line += f", {trace.silent:,} of them from sources that started no sequence"
    passed = [f"{count:,} {_PASSED_BY[kind]}" for kind, count in trace.passed_by.items() if count]
    if passed:
        line += f". No knocks: {', '.join(passed)}"
    yield Text(line + ".", "dim")


def _note_values(note: Note, hosts: Container[bytes]) -> dict[str, Any]:
    it = note.what
    values: dict[str, Any] = {"at": utc(note.at / SECOND), "knock": str(Knock(note.knock))}
    if isinstance(it, Tried):
        values |= {"verdict": "service", "door": it.door, "admitted": it.admitted}
        if it.tried:
            values |= {"tried_from": it.tried, "knocked_from": list(it.knocked)}
    elif isinstance(it, Elsewhere) and it.to in hosts:
        values |= fields(Ignored())
    elif isinstance(it, Elsewhere):
        values |= {"verdict": "elsewhere", "to": str(ip_address(it.to))}
    elif isinstance(it, Astray):
        values |= {"verdict": "astray", "door": it.opening.door, "keyholder": it.opening.keyholder}
        values["seconds"] = it.steps * STEP
    else:
        values |= fields(it, note.hint)
    values["said"] = what(note, UTC, hosts)
    if isinstance(it, Completed):
        values["until"] = utc(note.until / SECOND)
        if note.port:
            values["port"] = note.port
        if note.moved:
            values["moved_from"] = list(note.moved)
    if isinstance(it, Left):
        values["ended"] = note.ended
    if note.times > 1:
        values |= {"times": note.times, "last": utc(note.last / SECOND)}
    return values


def timeline_values(
    trace: Trace, one: Timeline, standing: dict[bytes, Any], shunned: dict[bytes, int]
) -> dict[str, Any]:
    """A source for programs: moments in UTC, durations in seconds. A number among the knocks: that many lines
    are left out there. `ends` is how it stands when there is nothing more."""
    ends: dict[str, Any] | None = None
    if one.source in shunned:
        ends = {"state": "shunned", "left": shunned[one.source] / SECOND}
    elif one.source in standing:
        at, left = standing[one.source]
        ends = {"state": "caller", "right": at.stage, "of": at.of, "left": left / SECOND}
    elif one.stage:
        ends = {"state": "expired", "right": one.stage}
    return {
        "source": str(trace.source(one.source)),
        "opened": list(one.opened),
        "ends": ends,
        "counts": one.counts,
        "knocks": [note if isinstance(note, int) else _note_values(note, trace.hosts) for note in one],
    }


def values(trace: Trace, reading: Reading, name: str, kind: str) -> dict[str, Any]:
    """All but the sources, for programs."""
    at = [None if trace.first is None else utc(one / SECOND) for one in (trace.first or 0, trace.last)]
    return {
        "file": name,
        "kind": kind,
        "packets": reading.packets,
        "first": at[0],
        "last": at[1],
        "hosts": [str(ip_address(one)) for one in sorted(trace.hosts, key=lambda one: (len(one), one))],
        "hosts_named": trace.named,
        "knocks": trace.knocks,
        "silent": trace.silent,
        "no_knocks": trace.passed_by,
        "odd": dict(reading.odd),
        "notes": list(warnings(trace, reading)),
        "left_out": trace.timelines.left_out,
        "totals": {"sources": sum(1 for _ in trace.timelines)},
    }
