"""What was measured: a Figure, beside its baseline and its target; the machine it was measured on.

In: figures. Out: one table for a terminal, the same as Markdown, and JSON.
"""

from __future__ import annotations

import json
import operator
import os
import platform
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Final

from attrs import asdict, frozen
from rich.console import Console
from rich.table import Table

_COMPARE: Final = {"<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge}


@frozen
class Target:
    """What is aimed at: the value, or its ratio to the baseline, compared with a bound."""

    op: str
    bound: float
    ratio: bool = False

    def met(self, figure: Figure) -> bool | None:
        """Whether the figure is what was aimed at; None if that cannot be told."""
        value = figure.ratio if self.ratio else figure.value
        return None if value is None else bool(_COMPARE[self.op](value, self.bound))

    def text(self, unit: str) -> str:
        if self.ratio:
            return f"{self.op} {number(self.bound)} × baseline"
        return f"{self.op} {number(self.bound)} {unit}".rstrip()


@frozen
class Figure:
    """One measured value. `against` says what the baseline is, in a few words."""

    subject: str
    what: str
    value: float
    unit: str
    baseline: float | None = None
    against: str = ""
    target: Target | None = None
    note: str = ""

    @property
    def ratio(self) -> float | None:
        return None if not self.baseline else self.value / self.baseline

    @property
    def met(self) -> bool | None:
        return None if self.target is None else self.target.met(self)


def number(value: float) -> str:
    """Three figures that matter, thousands apart."""
    if value == 0:
        return "0"
    if abs(value) >= 100:
        return f"{value:,.0f}"
    digits = 1 if abs(value) >= 10 else 2 if abs(value) >= 1 else 3
    return f"{value:.{digits}f}".rstrip("0").rstrip(".") if digits != 3 else f"{value:.3g}"


def _with_unit(value: float, unit: str) -> str:
    return f"{number(value)} {unit}".rstrip()


def _cells(one: Figure) -> tuple[str, ...]:
    baseline = ""
    if one.baseline is not None:
        baseline = f"{_with_unit(one.baseline, one.unit)} ({one.against})"
    target = "" if one.target is None else one.target.text(one.unit)
    met = {None: "", True: "met", False: "MISSED"}[one.met]
    if one.target is not None and one.target.ratio and one.ratio is not None:
        met += f" ({number(one.ratio)})"
    return one.what, _with_unit(one.value, one.unit), baseline, target, met


_HEADS: Final = ("", "measured", "baseline", "target", "")


def table(figures: Sequence[Figure]) -> Table:
    """The table for a terminal; a section a subject."""
    made = Table(title="How fast", title_justify="left", show_lines=False)
    for number_of, head in enumerate(_HEADS):
        made.add_column(head, justify="right" if number_of == 1 else "left", overflow="fold")
    before = None
    for one in figures:
        if one.subject != before:
            if before is not None:
                made.add_section()
            made.add_row(f"[bold]{one.subject}[/]")
        before = one.subject
        cells = _cells(one)
        style = "red" if one.met is False else "green" if one.met else ""
        made.add_row(*cells[:4], f"[{style}]{cells[4]}[/]" if style else cells[4])
    return made


def markdown(figures: Sequence[Figure], machine: dict[str, str]) -> str:
    """The machine in a sentence, and the table."""
    lines = [f"Measured on {describe(machine)}.", ""]
    lines += ["| " + " | ".join(_HEADS) + " |", "| --- | ---: | --- | --- | --- |"]
    before = None
    for one in figures:
        if one.subject != before:
            lines.append(f"| **{one.subject}** | | | | |")
        before = one.subject
        what, value, baseline, target, met = _cells(one)
        lines.append(f"| {what} | {value} | {baseline} | {target} | {met.replace('MISSED', '**missed**')} |")
    notes = dict.fromkeys(f"- {one.what}: {one.note}" for one in figures if one.note)
    return "\n".join([*lines, "", *notes]).rstrip() + "\n"


def machine() -> dict[str, str]:
    """Where this runs, in words: processor, cores, kernel version and distribution, and no more."""
    cpu = re.search(r"model name\s*: (.*)", Path("/proc/cpuinfo").read_text())
    release = re.search(r'PRETTY_NAME="(.*)"', Path("/etc/os-release").read_text())
    version = re.match(r"\d+\.\d+", platform.release())
    return {
        "cpu": cpu[1].strip() if cpu else platform.machine(),
        "cores": str(len(os.sched_getaffinity(0))),
        "kernel": version[0] if version else "unknown",
        "system": release[1] if release else platform.system(),
    }


def describe(of: dict[str, str]) -> str:
    """The machine in one line."""
    return f"{of['cpu']}, {of['cores']} cores, kernel {of['kernel']}, {of['system']}"


def write(path: Path, figures: Iterable[Figure], about: dict[str, str], more: dict[str, Any]) -> None:
    """The JSON file. What an earlier run measured of other subjects is not kept: one file, one run."""
    path.parent.mkdir(parents=True, exist_ok=True)
    rows = [{**asdict(one), "ratio": one.ratio, "met": one.met} for one in figures]
    path.write_text(
        json.dumps({"machine": about, **more, "figures": rows}, indent=1, ensure_ascii=False) + "\n"
    )


def read(path: Path) -> tuple[list[Figure], dict[str, str]]:
    """The figures and the machine of a JSON file. Raises OSError if there is none."""
    kept = json.loads(path.read_text())
    figures = []
    for row in kept["figures"]:
        target = Target(**row["target"]) if row["target"] else None
        rest = {key: row[key] for key in ("subject", "what", "value", "unit", "baseline", "against", "note")}
        figures.append(Figure(target=target, **rest))
    return figures, kept["machine"]


def show(figures: Sequence[Figure], about: dict[str, str]) -> None:
    """Print the table and what is worth a note."""
    console = Console(highlight=False, width=None if os.isatty(1) else 150)
    console.print(describe(about), markup=False)
    console.print(table(figures))
    for one in figures:
        if one.note:
            console.print(f"{one.subject}, {one.what}: {one.note}", markup=False)
    aimed = [one for one in figures if one.met is not None]
    missed = [one for one in aimed if not one.met]
    console.print(f"{len(aimed) - len(missed)} of {len(aimed)} targets met")
