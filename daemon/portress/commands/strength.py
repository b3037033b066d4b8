"""`portress strength`: how hard the doors are to guess, against an attack of your choice."""

from __future__ import annotations

import math
import re
import time
from collections import Counter
from pathlib import Path
from typing import Any, Final

import click

from portress.commands.common import as_json, common, console, print_json
from portress.config import load as configuration
from portress.config.pitfalls import Surroundings, pitfalls
from portress.durations import counted
from portress.keyholders import file as keyholding
from portress.knock import PROTOCOLS
from portress.paths import Paths
from portress.strength import chart as strength_chart
from portress.strength.doors import Attack, assess
from portress.strength.screen import plain, screen, summary

SERVICES: Final = Path("/etc/services")
EPHEMERAL: Final = Path("/proc/sys/net/ipv4/ip_local_port_range")
_UNITS: Final = {"": 1, "k": 1e3, "M": 1e6, "G": 1e9, "T": 1e12}


class _Rate(click.ParamType):
    """A number of bits a second, for example 100M or 1G."""

    name = "bits"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        found = re.fullmatch(r"(\d{1,9}(?:\.\d+)?)([kMGT]?)", str(value))
        if found is None or float(found[1]) <= 0:
            self.fail(f"'{value}': bits a second, for example 100M or 1G", param, ctx)
        return float(found[1]) * _UNITS[found[2]]


class _Pace(click.FloatRange):
    """Packets a second, from one in eleven days on."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        pace = float(super().convert(value, param, ctx))
        if math.isnan(pace):
            self.fail(f"'{value}': packets a second, for example 1000", param, ctx)
        return pace


@click.command()
@click.option(
    "--sources",
    type=click.IntRange(1, 10**12),
    default=1000,
    show_default=True,
    metavar="N",
    help="how many sources guess at once",
)
@click.option(
    "--rate",
    type=_Pace(1e-6, 1e12),
    default=1000,
    show_default=True,
    metavar="R",
    help="packets a second from each source",
)
@click.option("--link", type=_Rate(), default="1G", show_default=True, help="the line's bits a second")
@click.option("--details", is_flag=True, help="every figure, with its assumptions")
@as_json
@click.option(
    "--chart",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="draw the chance of a break-in over time into a .svg or .png file",
)
@common
def strength(
    paths: Paths,
    sources: int,
    rate: float,
    link: float,
    details: bool,
    as_json: bool,
    chart: Path | None,
) -> None:
    """Estimate how hard each door is to guess, and warn of badly chosen knocks."""
    config = configuration.load(paths.config)
    holders = keyholding.load(keyholding.locate(paths.config), config.doors)
    now, attack = time.time(), Attack(sources, rate, link)
    present = [one for one in holders if one.until is None or one.until > now]
    counts: Counter[tuple[str, str]] = Counter((door, one.style) for one in present for door in one.doors)
    counts.update((door, "paper") for one in present for door in one.paper)
    strengths = assess(config, counts, attack)
    warnings = pitfalls(config, surroundings())
    if chart is not None:
        strength_chart.draw(chart, strengths, attack)
    if as_json:
        print_json(plain(strengths, warnings, attack, config.misses))
    elif chart is not None:
        drawn = counted(len(strengths), "curve")
        click.echo(f"{chart}: {drawn} of the chance of a break-in over time")
    else:
        show = screen if details else summary
        console().print(show(strengths, warnings, attack, config.misses))


def surroundings(services: Path = SERVICES, ephemeral: Path = EPHEMERAL) -> Surroundings:
    """What this host says of ports. A file that cannot be read says nothing."""
    return Surroundings(_services(services), _ephemeral(ephemeral))


def _services(path: Path) -> dict[int, str]:
    """Knock -> name, of services(5): `ssh  22/tcp`."""
    found: dict[int, str] = {}
    try:
        lines = path.read_text(errors="replace").splitlines()
    except OSError:
        return found
    for line in lines:
        words = line.partition("#")[0].split()
        port, _, protocol = words[1].partition("/") if len(words) > 1 else ("", "", "")
        if protocol in PROTOCOLS and port.isdecimal():
            found.setdefault(PROTOCOLS[protocol] << 16 | int(port), words[0])
    return found


def _ephemeral(path: Path) -> tuple[int, int] | None:
    try:
        first, last = map(int, path.read_text().split())
    except (OSError, ValueError):
        return None
    return first, last
