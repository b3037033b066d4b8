"""Draws the chance of a break-in over time, a curve for every way a door opens.

In: `Strength` values and the attack. Out: an SVG or PNG file. matplotlib is needed here only, and asked for
only here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Final

from attrs import frozen

from portress.durations import YEAR
from portress.errors import Mistake
from portress.strength.doors import Attack, Strength

FORMATS: Final = (".svg", ".png")
_TICKS: Final = ((1, "1 s"), (60, "1 min"), (3600, "1 h"), (86400, "1 day"), (30.44 * 86400, "1 month"),
                 (YEAR, "1 year"), (10 * YEAR, "10 y"), (100 * YEAR, "100 y"))  # fmt: skip
_POINTS: Final = 200
_LEAST: Final = 1e-12
_MARKS: Final = "osD^vPX*"


@frozen
class Curve:
    """The chances of a break-in at these seconds; `number` tells the door's curves from other doors'."""

    number: int
    label: str
    shunned: bool
    seconds: tuple[float, ...]
    chances: tuple[float, ...]


def curves(strengths: Iterable[Strength], attack: Attack) -> Iterator[Curve]:
    """What suits a stranger best, from a second to a hundred years, without and with shunning."""
    seconds = tuple((100 * YEAR) ** (at / _POINTS) for at in range(_POINTS + 1))
    for number, one in enumerate(strengths):
        worst, label = one.worst, f"{one.opener.door}, {one.opener.kind}"
        for shunned in (False, True) if worst.brake is not None else (False,):
            pace = worst.pace(attack, attack.sources, shunning=shunned)
            chances = tuple(worst.chance(pace, time) for time in seconds)
            yield Curve(number, f"{label}, shunned" if shunned else label, shunned, seconds, chances)


def draw(path: Path, strengths: Iterable[Strength], attack: Attack) -> None:
    """Write the chart. Raises Mistake if matplotlib is missing or the file cannot be written."""
    if path.suffix.lower() not in FORMATS:
        raise Mistake(f"{path}: a chart is a file that ends in .svg or .png")
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError:
        raise Mistake("--chart needs matplotlib: apt install python3-matplotlib") from None
    figure = Figure(figsize=(10, 6), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    for curve in curves(strengths, attack):
        axes.plot(
            curve.seconds,
            curve.chances,
            label=curve.label,
            color=f"C{curve.number % 10}",
            linestyle="dashed" if curve.shunned else "solid",
            marker=_MARKS[curve.number % len(_MARKS)],
            markevery=(3 * curve.number % 20, 20),
        )
    _dress(axes, attack)
    try:
        figure.savefig(path, dpi=150)
    except OSError as error:
        raise Mistake(f"{path}: the chart cannot be written: {error.strerror}") from None


def _dress(axes: Any, attack: Attack) -> None:
    axes.set(
        xscale="log", yscale="log", xlim=(1, 100 * YEAR), ylim=(_LEAST, 2),
        xlabel="time", ylabel="chance of a break-in",
        title=f"Sources: {attack.sources:,}, each sending {attack.rate:,.10g} packets/s, "
              f"on a line of {attack.link / 1e9:g} Gbit/s",
    )  # fmt: skip
    axes.set_xticks([at for at, _ in _TICKS], [name for _, name in _TICKS])
    axes.minorticks_off()
    axes.grid(alpha=0.4)
    if axes.lines:
        axes.legend(loc="best")
