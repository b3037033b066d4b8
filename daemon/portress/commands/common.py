"""What the verbs have in common: the options for files and sockets, consoles, JSON, durations."""

from __future__ import annotations

import functools
import json
import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from portress import durations, lock
from portress.errors import Mistake
from portress.knock import Source
from portress.paths import CONFIG, Paths
from portress.prose import say
from portress.shown import bare, shown

if TYPE_CHECKING:
    from rich.console import Console

Verb = TypeVar("Verb", bound=Callable[..., Any])

_OPTIONS: Final = (
    ("--config", str(CONFIG), "FILE", "the configuration"),
    ("--socket", "/run/portress/control.sock", "PATH", "the daemon's control socket"),
    ("--state", "/var/lib/portress", "DIR", "where the ledger is"),
)


def common(verb: Verb) -> Verb:
    """Add --config, --socket and --state to a verb, which gets them as its first argument, a Paths."""

    @functools.wraps(verb)
    def with_paths(*args: Any, config: str, socket: str, state: str, **kwargs: Any) -> Any:
        return verb(Paths(Path(config), Path(socket), Path(state)), *args, **kwargs)

    for option, default, metavar, text in reversed(_OPTIONS):
        add = click.option(option, default=default, show_default=True, metavar=metavar, help=text)
        with_paths = add(with_paths)
    return with_paths  # type: ignore[return-value]  # click keeps the callable's place, not its type


as_json = click.option("--json", "as_json", is_flag=True, help="print JSON")


def print_json(value: Any) -> None:
    """JSON for scripts, on standard output."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False))


def found(count: int) -> None:
    """End with exit status 1 where a verb was to list, or end, something and there is nothing of it."""
    if not count:
        click.get_current_context().exit(1)


def console() -> Console:
    """The console for tables: as wide as the terminal, 80 columns without one."""
    from portress.shown_console import ShownConsole  # not for the daemon, which starts without rich

    width = None if sys.stdout.isatty() or os.environ.get("COLUMNS") else 80
    return ShownConsole(file=bare(sys.stdout), width=width)


@contextmanager
def working(text: str) -> Iterator[None]:
    """Say on standard error what takes its time, for as long as it does; nothing if that is no terminal.

    Without a thread, for there may be a fork meanwhile.
    """
    if not sys.stderr.isatty() or os.environ.get("TERM", "dumb") == "dumb":
        yield
        return
    out = bare(sys.stderr)
    out.write(f"{shown(text)} …")
    out.flush()
    try:
        yield
    finally:
        out.write("\r\x1b[2K")  # ECMA-48, 8.3.41: erase the line
        out.flush()


def warn(text: str) -> None:
    """A warning, on standard error."""
    say(f"portress: warning: {text}", err=True)


class Duration(click.ParamType):
    """A duration on the command line, for example 30s, 10m, 8h or 2d; its value is ns."""

    name = "duration"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if isinstance(value, int):
            return value
        try:
            ns = durations.parse(value)
        except ValueError as error:
            self.fail(f"'{value}': {error}", param, ctx)
        if ns <= 0:
            self.fail(f"'{value}': longer than 0, for example 30s", param, ctx)
        if ns > durations.LONGEST:
            self.fail(f"'{value}': at most {durations.spell(durations.LONGEST)}", param, ctx)
        return ns


DURATION: Final = Duration()


def read_source(text: str) -> Source:
    """The source named on the command line. Raises click.UsageError."""
    try:
        return Source.parse(text)
    except ValueError as error:
        raise click.UsageError(f"'{text}': {error}", click.get_current_context(silent=True)) from None


def no_daemon(paths: Paths) -> None:
    """Raise Mistake if a daemon runs here that does not answer where it was asked: it has the say."""
    if lock.held():
        raise Mistake(f"{paths.socket}: the portress daemon here does not listen there: name its --socket")


def root_only(what: str) -> None:
    """Raise Mistake unless this process runs as root (or has CAP_NET_ADMIN)."""
    capabilities = re.search(r"^CapEff:\s*([0-9a-f]+)$", Path("/proc/self/status").read_text(), re.MULTILINE)
    if capabilities is None or not int(capabilities[1], 16) >> 12 & 1:
        raise Mistake(f"{what} needs root (CAP_NET_ADMIN): run it with sudo")
