"""`portress trace`: replay a capture or a journal, and show who knocked what and what came of it."""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from ipaddress import ip_address
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import click
from rich.console import Console, RenderableType
from rich.progress import BarColumn, Progress, ProgressColumn, TextColumn, TimeRemainingColumn

from portress.commands.common import as_json, common, console, found, read_source
from portress.config import load as configuration
from portress.config.model import Config
from portress.errors import Mistake
from portress.keyholders import file as keyholding
from portress.keyholders.keyholder import Keyholder
from portress.knock import Source
from portress.paths import Paths
from portress.shown import bare
from portress.shown_console import ShownConsole
from portress.trace import screen as trace_screen
from portress.trace.file import STDIN, Opened, opened
from portress.trace.replay import Reading, Trace
from portress.trace.timeline import Timelines

SHOWN = 50  # sources, unless told otherwise
CLOSELY = 2000  # lines kept of each source that is asked for


@click.command()
@click.argument("file", metavar="FILE")
@click.option("--source", metavar="SOURCE", help="only this source, or those in this prefix, in more detail")
@click.option(
    "--host", "hosts", multiple=True, metavar="ADDRESS", help="this host's address; may be repeated"
)
@click.option(
    "--zone",
    metavar="NAME",
    help="the zone of the times, for example Europe/Berlin or UTC; default: the host's",
)
@click.option("--keyholders", metavar="FILE", help="default: keyholders.yaml beside the configuration")
@click.option(
    "--limit", type=click.IntRange(0), default=SHOWN, metavar="N", help=f"sources, 0: all (default {SHOWN})"
)
@as_json
@common
def trace(
    paths: Paths,
    file: str,
    source: str | None,
    hosts: tuple[str, ...],
    zone: str | None,
    keyholders: str | None,
    limit: int,
    as_json: bool,
) -> None:
    """Replay FILE and show each source's knocks, with verdicts and reasons.

    FILE is a pcap or pcapng capture, the output of journalctl -o export, a journal's file or directory, or -
    for standard input. Neither root nor the daemon is needed; the configuration is.

    What a capture cannot show is assumed: that packets arrived on a guarded interface, and that no datagram
    belongs to an established flow. Exit status 1: no source started a sequence.
    """
    config = configuration.load(paths.config)
    holders = _keyholders(keyholders, paths.config, config)
    only, times = read_source(source) if source else None, _zone(zone)
    timelines = Timelines(each=CLOSELY) if only else None
    if file == STDIN and not os.isatty(0):
        _leave_first_interrupt()
    with opened(file, config) as inside:
        done = Trace(config, holders, hosts=_addresses(hosts), only=only, timelines=timelines)
        with _progress(inside):
            done.follow(inside.reading)
        name = "standard input" if file == STDIN else file
        if as_json:
            _write_json(done, inside.reading, name, inside.kind)
        else:
            screen = console()
            for part in trace_screen.head(done, inside.reading, name, inside.kind, times):
                screen.print(part)
            _show(screen, done, times, limit)
        found(sum(1 for _ in done.timelines))


def _leave_first_interrupt() -> None:
    """The first Ctrl-C is for whoever writes to standard input: `tcpdump -w - | portress trace -` is ended by
    it, and what came until then is told. The second one ends this program."""

    def first(_number: int, _frame: object) -> None:
        signal.signal(signal.SIGINT, signal.default_int_handler)

    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, first)


def _keyholders(named: str | None, config_path: Path, config: Config) -> tuple[Keyholder, ...]:
    path = Path(named) if named else keyholding.locate(config_path)
    if named and not path.exists():
        raise Mistake(f"{path}: there is no such file")
    return keyholding.load(path, config.doors)


def _addresses(texts: Iterable[str]) -> frozenset[bytes]:
    try:
        return frozenset(ip_address(text).packed for text in texts)
    except ValueError as error:
        raise click.BadParameter(f"{error}", param_hint="--host") from None


def _zone(name: str | None) -> ZoneInfo | None:
    try:
        return None if name is None else ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise click.BadParameter(
            f"'{name}': no such zone; for example Europe/Berlin or UTC", param_hint="--zone"
        ) from None


class _Share(ProgressColumn):
    """Packets so far."""

    def __init__(self, reading: Reading) -> None:
        super().__init__()
        self._reading = reading

    def render(self, task: object) -> RenderableType:
        return f"{self._reading.packets:,}"


class _Bar(Progress):
    """A bar that looks by itself how far the reading has got."""

    def __init__(self, found: Opened, screen: Console) -> None:
        self._found: Opened | None = None
        columns = (
            TextColumn("{task.description}"),
            BarColumn(),
            _Share(found.reading),
            TimeRemainingColumn(),
        )
        super().__init__(*columns, console=screen, transient=True, refresh_per_second=4)
        self._job = self.add_task(
            f"reading the {found.kind}", total=1.0 if found.done() is not None else None
        )
        self._found = found

    def get_renderables(self) -> Iterable[RenderableType]:
        share = self._found.done() if self._found else None
        if share is not None:
            self.update(self._job, completed=share)
        yield from super().get_renderables()


@contextmanager
def _progress(found: Opened) -> Iterator[None]:
    """A bar on standard error while it lasts, if that is a terminal."""
    if not sys.stderr.isatty():
        yield
        return
    with _Bar(found, ShownConsole(bare(sys.stderr))):
        yield


def _show(screen: Console, done: Trace, zone: ZoneInfo | None, limit: int) -> None:
    standing, shunned = done.standing(), done.shunned()
    sources, more = trace_screen.chosen(done, limit)
    screen.print()
    for one in sources:
        ends = trace_screen.ending(done, one, standing, shunned)
        for part in trace_screen.block(done, one, zone, ends):
            screen.print(part)
    if not sources:
        screen.print(_nobody(done.only))
    for text in trace_screen.foot(done, more):
        screen.print(text)


def _nobody(only: Source | None) -> str:
    if only is None:
        return "No source started a sequence."
    return f"{only} sent no first packet to this host."


def _write_json(done: Trace, reading: Reading, name: str, kind: str) -> None:
    """One object, a source a line."""
    whole = json.dumps(trace_screen.values(done, reading, name, kind), ensure_ascii=False)
    click.echo(f'{whole[:-1]}, "sources": [', nl=False)
    comma, standing, shunned = "\n", done.standing(), done.shunned()
    for one in done.timelines:
        values = trace_screen.timeline_values(done, one, standing, shunned)
        line = json.dumps(values, ensure_ascii=False)
        click.echo(f"{comma}{line}", nl=False)
        comma = ",\n"
    click.echo("\n]}")
