"""The live screen of `portress status --watch`: what stands on it, and how little of it must be sent. Pure.

In: the daemon's answers and the screen's size. Out: the screen as cells, and the bytes that turn the last one
into the next: only what has changed, so that a slow line carries it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final

from rich.cells import cell_len
from rich.color import ColorSystem
from rich.console import Console
from rich.segment import Segment
from rich.style import Style
from rich.text import Text

from portress.durations import moment, unix
from portress.shown import shown
from portress.status.screen import headline
from portress.status.tables import ADMISSIONS, CALLERS, DOORS, SHUNNED, Column, furthest_first, narrow, rows
from portress.status.view import KEYS

Cell = tuple[str, Style | None]  # a character ("" behind a wide one) and how it looks
Row = list[Cell]
Screen = list[Row]

_PLAIN: Final = Style.null()
_BLANK: Final[Cell] = (" ", None)
_BETWEEN: Final = "  "
_HEADING: Final = "bold underline"
_ROOMY: Final = 100  # columns from which on the end of an admission is shown
_AIRY: Final = 20  # lines from which on there are blank ones between the tables
_CONSOLE: Final = Console(force_terminal=True, highlight=False)
_WORRY: Final = {
    "missed": "yellow",
    "lapsed": "yellow",
    "shunned": "red",
    "replayed": "bold red",
    "refused": "bold red",
    "restored": "yellow",
    "unguarded": "bold red",
    "lost": "yellow",
    "full": "yellow",
    "ledger": "bold red",
    "warning": "yellow",
    "clock": "yellow",
    "admitted": "green",
}


EVENTS: Final = (
    Column("at", lambda one: Text(moment(unix(one["time"]))[11:], "dim")),
    Column("last events", lambda one: Text(one["text"], _WORRY.get(one["event"], ""))),
)


class Section:
    """A table with a heading, of which as many rows are shown as there is room for."""

    def __init__(
        self,
        columns: Sequence[Column],
        rows: Sequence[Sequence[Text]],
        empty: str,
        *,
        whole: bool = True,
        count: int = 0,
        skipped: int = 0,
    ) -> None:
        """`empty` stands for no rows. `whole`: it is told how many rows found no room, of `count` in all, of
        which `skipped` come before these."""
        self.columns = columns
        self.rows = rows
        self.empty = empty
        self.whole = whole
        self.count = max(count, len(rows))
        self.skipped = skipped

    @property
    def needs(self) -> int:
        """Lines for all of it, but for the heading."""
        return max(1, len(self.rows) + (self.count > len(self.rows)))

    def lines(self, room: int, columns: int) -> Iterator[Text]:
        """The heading and at most `room` lines below it, none wider than `columns`."""
        fits = self.count <= room or not self.whole
        shown = self.rows[: room if fits else max(0, room - 1)]
        heading = [Text(column.heading, _HEADING) for column in self.columns]
        widths = fit([max(map(_width, cells)) for cells in zip(heading, *shown, strict=True)], columns)
        for row in (heading, *shown):
            yield self._line(row, widths)
        if not self.rows:
            yield Text(self.empty, "dim")
        elif not fits:
            yield Text(self._rest(len(shown)), "dim")

    def _rest(self, shown: int) -> str:
        if self.skipped:
            return f"{self.skipped + 1:,} to {self.skipped + shown:,} of {self.count:,}"
        return f"… and {self.count - shown:,} more"

    def _line(self, row: Sequence[Text], widths: Sequence[int]) -> Text:
        line = Text()
        for cell, column, width in zip(row, self.columns, widths, strict=True):
            text = cell.copy()
            text.truncate(width, overflow="ellipsis")
            blank = " " * (width - _width(text))
            line.append(blank if column.right else "").append_text(text).append("" if column.right else blank)
            line.append(_BETWEEN)
        line.rstrip()
        return line


def _width(text: Text) -> int:
    return cell_len(text.plain)


def fit(widths: Sequence[int], columns: int) -> list[int]:
    """The widths, the widest made narrower until they all go into so many columns."""
    fitting = list(widths)
    while (excess := sum(fitting) + len(_BETWEEN) * (len(fitting) - 1) - columns) > 0:
        widest = max(fitting)
        if widest <= 1:
            break
        second = max((width for width in fitting if width < widest), default=1)
        fitting[fitting.index(widest)] = max(widest - excess, second - 1, 1)
    return fitting


def share(room: int, needs: Sequence[int], least: int = 2) -> list[int]:
    """Lines for each of several sections that need so many: the small are shown whole, the others share."""
    given = [min(need, least) for need in needs]
    while sum(given) > room and any(given):
        given[given.index(max(given))] -= 1
    while sum(given) < room:
        hungry = [number for number, need in enumerate(needs) if given[number] < need]
        if not hungry:
            break
        given[min(hungry, key=lambda number: given[number])] += 1
    return given


def compose(told: dict[str, Any] | None, trouble: str, now: float, size: tuple[int, int]) -> Iterator[Text]:
    """The lines of a screen of (columns, lines), from top to bottom, but for the last one.

    `told` is the last answer, `trouble` says why there is no later one, `now` is unix time in seconds.
    """
    columns, height = size
    top = _wrapped(headline(told) if told else Text("portress"), columns)
    top[0] = _clock_beside(top[0], now, columns)
    if trouble:
        top += _wrapped(Text(trouble, "bold red"), columns)
    yield from top
    if told is None:
        return
    for section, lines in _placed(told, len(top), size):
        if lines:
            if height >= _AIRY:
                yield Text()
            yield from section.lines(lines, columns)


def _placed(told: dict[str, Any], top: int, size: tuple[int, int]) -> list[tuple[Section, int]]:
    """The tables below `top` lines, each with how many lines it gets."""
    columns, height = size
    sections = [_doors(told), _admissions(told, roomy=columns >= _ROOMY)]
    if told["daemon"]:
        sections += [_callers(told), _events(told)]
    room = height - 1 - top - len(sections) * (2 if height >= _AIRY else 1)
    return list(zip(sections, share(room, [one.needs for one in sections]), strict=True))


def page(told: dict[str, Any] | None, size: tuple[int, int]) -> int:
    """How many admissions are on a screen of (columns, lines) at once, where there are more of them."""
    if told is None:
        return 1
    lines = _placed(told, len(_wrapped(headline(told), size[0])), size)[1][1]
    return max(1, lines - 1)


def _wrapped(text: Text, columns: int) -> list[Text]:
    lines = list(text.wrap(_CONSOLE, columns)) or [Text()]
    for line in lines:
        line.rstrip()
    return lines


def _clock_beside(line: Text, now: float, columns: int) -> Text:
    """The time at the right end of the line, where there is room for it."""
    at = moment(now)[11:]
    line = line.copy()
    line.rstrip()
    gap = columns - cell_len(line.plain) - len(at)
    return line + Text(" " * gap + at, "dim") if gap >= 2 else line


def _doors(told: dict[str, Any]) -> Section:
    return Section(DOORS, rows(DOORS, told["doors"]), "No doors.")


def _admissions(told: dict[str, Any], *, roomy: bool) -> Section:
    columns = ADMISSIONS if roomy else narrow(ADMISSIONS)
    count, skipped = told["totals"]["admissions"], told.get("skipped", 0)
    listed = rows(columns, told["admissions"])
    return Section(columns, listed, "No admissions.", count=count, skipped=skipped)


def _callers(told: dict[str, Any]) -> Section:
    shunned = sorted(told["shunned"], key=lambda one: -one["left"])
    listed = rows(CALLERS, furthest_first(told["callers"])) + rows(SHUNNED, shunned)
    count = told["totals"]["callers"] + told["totals"]["shunned"]
    return Section(CALLERS, listed, "No callers.", count=count)


def _events(told: dict[str, Any]) -> Section:
    return Section(EVENTS, rows(EVENTS, reversed(told["events"])), "Nothing yet.", whole=False)


def cells(lines: Iterable[Text], size: tuple[int, int], keys: str = KEYS) -> Screen:
    """Lines as a screen of (columns, lines), the last one being about the keys."""
    columns, height = size
    rows = [_row(line.render(_CONSOLE), columns) for line in lines][: height - 1]
    rows += [[_BLANK] * columns for _ in range(height - 1 - len(rows))]
    return [*rows, _row([Segment(keys, Style(dim=True))], columns)]


def _row(segments: Iterable[Segment], columns: int) -> Row:
    row: Row = []
    for text, style, _ in segments:
        look = style or None
        for character in shown(text.removesuffix("\n")):  # nothing that is told may steer the terminal
            width = cell_len(character)
            row += [(character, look), ("", look)][:width]
    return (row + [_BLANK] * columns)[:columns]


def change(before: Screen | None, after: Screen, colours: ColorSystem | None) -> str:
    """What a terminal has to be sent to turn one screen into the next of the same size.

    Without `colours`, what is bold, dim or underlined still is.
    """
    sent = ["\x1b[2J"] if before is None else []
    for number, row in enumerate(after):
        old = before[number] if before is not None else [_BLANK] * len(row)
        places = [at for at, (one, other) in enumerate(zip(old, row, strict=True)) if one != other]
        if not places:
            continue
        first, last = places[0], places[-1]
        while first and row[first][0] == "":  # not from within a wide character
            first -= 1
        end = last + 1
        while end > first and row[end - 1] == _BLANK:
            end -= 1
        sent.append(f"\x1b[{number + 1};{first + 1}H{_styled(row[first:end], colours)}")
        if end <= last:
            sent.append("\x1b[K" if all(cell == _BLANK for cell in row[end:]) else " " * (last + 1 - end))
    return "".join(sent)


def _styled(row: Row, colours: ColorSystem | None) -> str:
    """The characters with as few changes of style as there are."""
    text, start = [], 0
    for at in range(1, len(row) + 1):
        if at == len(row) or row[at][1] != row[start][1]:
            characters = "".join(character for character, _ in row[start:at])
            style = row[start][1] or _PLAIN
            if colours is None:
                style = style.without_color
            text.append(style.render(characters, color_system=colours or ColorSystem.STANDARD))
            start = at
    return "".join(text)
