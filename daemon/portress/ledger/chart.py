"""The history as a picture: admissions as bars over time, a row per keyholder or source.

In: Records, newest first. Out: an SVG or PNG file. Needs matplotlib, which is not needed otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any, Final

from attrs import frozen

from portress.admissions import Ending
from portress.errors import Mistake
from portress.ledger.ledger import Record
from portress.shown import shown

MOST_BARS: Final = 20_000
MOST_ROWS: Final = 500
MANY: Final = 40  # rows from which on the time axis stands above them, too
LONGEST: Final = 45  # letters of a row's label
KINDS: Final = (".svg", ".png")

# Colours that stay apart for colour-blind eyes (Okabe and Ito's palette, without yellow and black).
_PALETTE: Final = ("#0072B2", "#E69F00", "#009E73", "#CC79A7", "#56B4E9", "#D55E00")
_INK, _FAINT, _LINES, _STRIPE = "#1f2933", "#7b8794", "#e4e7eb", "#f7f9fb"


@frozen
class Row:
    """A line of the chart: a keyholder, or a source that has none."""

    label: str
    records: tuple[Record, ...]


def rows(records: Iterable[Record]) -> list[Row]:
    """A row per keyholder and one per source without, those who came first on top."""
    grouped: dict[tuple[int, str], list[Record]] = {}
    for record in records:
        key = (0, record.keyholder) if record.keyholder else (1, str(record.source))
        grouped.setdefault(key, []).append(record)
    found = [
        Row(shown(key[1]), tuple(sorted(group, key=lambda one: one.since))) for key, group in grouped.items()
    ]
    return sorted(found, key=lambda row: (row.records[0].since, row.label))


def draw(records: Iterable[Record], now: float, path: Path, zone: tzinfo | None = None) -> tuple[int, int]:
    """Draw the records into `path`; says how many bars and rows there are.

    Of more than 20,000 admissions the newest are drawn, of more than 500 rows those that came last.
    `zone` is that of the time axis (default: the host's). Raises Mistake.
    """
    if path.suffix.lower() not in KINDS:
        raise Mistake(f"{path}: a chart is drawn into a file that ends in .svg or .png")
    pyplot = _pyplot()
    newest = [record for record, _ in zip(records, range(MOST_BARS), strict=False)]
    if not newest:
        raise Mistake("no admission in the ledger fits: there is nothing to draw")
    lines = rows(newest)[-MOST_ROWS:]
    zone = zone or datetime.now().astimezone().tzinfo or UTC
    layout = Layout.of(len(lines))
    figure, axes = _canvas(pyplot, lines, layout)
    _bars(axes, lines, now)
    _frame(axes, lines, now, zone, layout)
    _legend(figure, axes, lines, now, zone)
    try:
        figure.savefig(path, dpi=_resolution(figure), facecolor="white", metadata=_metadata(path))
    except OSError as error:
        raise Mistake(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        pyplot.close(figure)
    return sum(len(row.records) for row in lines), len(lines)


def _pyplot() -> Any:
    try:
        import matplotlib
    except ImportError:
        raise Mistake(
            "--chart draws with matplotlib, which is not installed: apt install python3-matplotlib"
        ) from None
    matplotlib.use("agg")
    from matplotlib import pyplot

    pyplot.rcParams.update({"svg.hashsalt": "portress", "svg.fonttype": "none", "text.color": _INK})
    return pyplot


def _metadata(path: Path) -> dict[str, str | None]:
    return {"Date": None} if path.suffix.lower() == ".svg" else {"Software": "Portress"}


@frozen
class Layout:
    """Sizes that depend on how many rows there are: closer together and smaller when they are many."""

    row: float  # inches
    letters: float  # points
    above: float  # inches over the axes

    @classmethod
    def of(cls, count: int) -> Layout:
        if count <= 12:
            return cls(0.42, 10, 1.3)
        return cls(0.3, 9, 1.3) if count <= MANY else cls(0.19, 7, 1.5)


def _canvas(pyplot: Any, lines: list[Row], layout: Layout) -> tuple[Any, Any]:
    """A figure as high as its rows need, with margins in inches around the axes."""
    below, right = 0.6, 0.35
    longest = min(max(len(row.label) for row in lines), LONGEST)
    left = 0.4 + 0.0088 * layout.letters * longest
    height = layout.above + below + max(0.6, layout.row * len(lines))
    width = max(10.0, left + right + 7)
    figure = pyplot.figure(figsize=(width, height))
    size = ((width - left - right) / width, (height - layout.above - below) / height)
    return figure, figure.add_axes((left / width, below / height, *size))


def _resolution(figure: Any) -> float:
    """Dots an inch, less for a picture that would be too high to open."""
    return min(150.0, 30_000 / float(figure.get_figheight()))


def _colours(lines: list[Row]) -> dict[str, str]:
    doors = sorted({record.door for row in lines for record in row.records})
    return {door: _PALETTE[number % len(_PALETTE)] for number, door in enumerate(doors)}


def _bars(axes: Any, lines: list[Row], now: float) -> None:
    """Bars by door: solid for what has been, pale for what is left of an admission under way."""
    first, last = _span(lines, now)
    least = (last - first) / 400  # an admission of a second must still be seen
    for door, colour in _colours(lines).items():
        mine = [(place, one) for place, row in enumerate(lines) for one in row.records if one.door == door]
        been = [
            _box(place, one.since, max(min(one.finish, now), one.since + least), 0.3) for place, one in mine
        ]
        ahead = [_box(place, max(now, one.since), one.finish, 0.3) for place, one in mine if one.finish > now]
        _fill(axes, ahead, facecolor=colour, alpha=0.3, linewidth=0, zorder=2)
        _fill(axes, been, facecolor=colour, edgecolor="white", linewidth=0.6, zorder=3)
    cut = [
        (_days(one.ended), place)
        for place, row in enumerate(lines)
        for one in row.records
        if one.ended is not None and one.ending != Ending.EXPIRED
    ]
    size = 9 if len(lines) <= MANY else 5
    axes.plot(*zip(*cut, strict=True) if cut else ((), ()), "|", color=_INK, markersize=size, zorder=4)


def _box(place: int, first: float, last: float, half: float) -> list[tuple[float, float]]:
    left, right = _days(first), _days(last)
    return [(left, place - half), (right, place - half), (right, place + half), (left, place + half)]


def _fill(axes: Any, boxes: list[list[tuple[float, float]]], **look: Any) -> None:
    """All boxes of one look at once: a chart of thousands is drawn in a moment."""
    from matplotlib.collections import PolyCollection

    if boxes:
        axes.add_collection(PolyCollection(boxes, **look), autolim=False)


def _days(seconds: float) -> float:
    return seconds / 86400  # matplotlib's dates are days since 1970


def _span(lines: list[Row], now: float) -> tuple[float, float]:
    first = min(record.since for row in lines for record in row.records)
    last = max(record.finish for row in lines for record in row.records)
    return (first, last) if last - first >= 60 else (first - 30, last + 30)


def _frame(axes: Any, lines: list[Row], now: float, zone: tzinfo, layout: Layout) -> None:
    """Axes, labels, grid, and the line of the present."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    first, last = _span(lines, now)
    margin = (last - first) * 0.02
    axes.set_xlim(_days(first - margin), _days(last + margin))
    axes.set_ylim(len(lines) - 0.5, -0.5)
    labels = [row.label if len(row.label) <= LONGEST else row.label[: LONGEST - 1] + "…" for row in lines]
    axes.set_yticks(range(len(lines)), labels, fontsize=layout.letters)
    locator = AutoDateLocator(tz=zone, minticks=4, maxticks=9)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, tz=zone))
    axes.tick_params(length=0, colors=_INK, pad=6)
    axes.tick_params(axis="x", labelsize=9, labelbottom=True, labeltop=len(lines) > MANY)
    axes.xaxis.get_offset_text().set(fontsize=9, color=_FAINT)
    axes.grid(axis="x", color=_LINES, linewidth=0.8)
    axes.set_axisbelow(True)
    stripes = [_box(place, first - margin, last + margin, 0.5) for place in range(1, len(lines), 2)]
    _fill(axes, stripes, facecolor=_STRIPE, linewidth=0, zorder=0)
    for spine in axes.spines.values():
        spine.set_visible(False)
    if first <= now <= last:
        axes.axvline(_days(now), color=_FAINT, linewidth=1, linestyle=(0, (3, 3)))
        axes.annotate(
            "now", (_days(now), 1), (0, 22 if len(lines) > MANY else 4), ("data", "axes fraction"),
            "offset points", color=_FAINT, fontsize=9, ha="center", va="bottom",
        )  # fmt: skip


def _legend(figure: Any, axes: Any, lines: list[Row], now: float, zone: tzinfo) -> None:
    """Title, what the picture spans, and the colours of the doors."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    height = float(figure.get_figheight())
    first, last = (datetime.fromtimestamp(moment, zone) for moment in _span(lines, now))
    count = sum(len(row.records) for row in lines)
    left = 0.25 / float(figure.get_figwidth())
    figure.text(left, 1 - 0.3 / height, "Admissions", fontsize=16, fontweight="bold", va="center")
    told = (
        f"{count:,} admission{'s' if count != 1 else ''} from {first:%Y-%m-%d %H:%M} to "
        f"{last:%Y-%m-%d %H:%M} ({last:%Z}), a row for each keyholder, and for each source without one"
    )
    figure.text(left, 1 - 0.57 / height, told, fontsize=9, color=_FAINT, va="center")
    handles: list[Any] = [
        Patch(facecolor=colour, label=shown(door)) for door, colour in _colours(lines).items()
    ][:12]
    if any(record.ending not in (None, Ending.EXPIRED) for row in lines for record in row.records):
        handles.append(
            Line2D([], [], linestyle="", marker="|", color=_INK, markersize=9, label="ended early")
        )
    if any(record.finish > now for row in lines for record in row.records):
        handles.append(Patch(facecolor=_FAINT, alpha=0.3, label="time left"))
    figure.legend(
        handles=handles, loc="center left", bbox_to_anchor=(left, 1 - 0.85 / height), ncol=len(handles),
        frameon=False, fontsize=9, handlelength=1.1, handleheight=0.9, columnspacing=1.5, borderpad=0,
        borderaxespad=0,
    )  # fmt: skip
