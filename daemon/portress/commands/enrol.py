"""`portress enrol`: make a keyholder's secret, add it to keyholders.yaml, hand the keycard over."""

from __future__ import annotations

import os
import secrets
import shutil
import sys
import time
from pathlib import Path
from typing import Any

import click

from portress import control
from portress.commands.common import as_json, common, warn
from portress.config import load as configuration
from portress.config.model import Door
from portress.durations import expiry, expiry_text
from portress.errors import Mistake
from portress.hours import Hours, window
from portress.keyholders import edit as enrolment
from portress.keyholders import enrolling, keycard, on_paper
from portress.keyholders.file import FILE, checked_name
from portress.keyholders.keyholder import STYLES, Keyholder, Style
from portress.keyholders.place import Kept, place
from portress.keyholders.secret import generate
from portress.paths import Paths
from portress.shown import bare

MOST_SENT = 768 * 1024  # bytes of keyholders.yaml that fit into a request


class _Word(click.ParamType):
    """A word on the command line that a function of ours checks; it raises ValueError."""

    def __init__(self, name: str, parse: Any) -> None:
        self.name = name
        self._parse = parse

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        try:
            return self._parse(value) if isinstance(value, str) else value
        except ValueError as error:
            self.fail(f"'{value}': {error}", param, ctx)


def _later(text: str) -> float:
    until = expiry(text)
    if until <= time.time():
        raise ValueError("that is in the past")
    return until


@click.command()
@click.argument("name", type=_Word("name", checked_name))
@click.option(
    "--door", "doors", multiple=True, required=True, metavar="DOOR", help="may be given several times"
)
@click.option(
    "--style", type=click.Choice(STYLES), help="how sequences come about (default: as the door has it)"
)
@click.option("--until", type=_Word("date", _later), help="the last day (UTC), or a time with its zone")
@click.option(
    "--hours",
    "windows",
    type=_Word("hours", window),
    multiple=True,
    metavar="HOURS",
    help="when the sequences are accepted: 'mon-fri 06:00-20:00 Europe/Berlin'; may be given several times",
)
@click.option("--host", type=_Word("host", keycard.checked_host), help="how clients reach this host")
@click.option(
    "--keycard", "file", type=click.Path(path_type=Path), metavar="FILE", help="write the keycard, too"
)
@click.option(
    "--phone",
    type=_Word("url", lambda text: text and keycard.checked_page(text)),
    is_flag=False,
    flag_value="",
    metavar="[URL]",
    help="for a phone's browser; URL: where the knocking page is",
)
@click.option("--paper", is_flag=True, help="print sequences on paper, each good once, and no secret")
@click.option(
    "--page",
    type=_Word("file", on_paper.checked_page),
    metavar="FILE",
    help="write the paper to a page for printing, .pdf or .txt, instead of the screen",
)
@as_json
@common
def enrol(
    paths: Paths,
    name: str,
    doors: tuple[str, ...],
    style: Style | None,
    until: float | None,
    windows: Hours,
    host: str | None,
    file: Path | None,
    phone: str | None,
    paper: bool,
    page: Path | None,
    as_json: bool,
) -> None:
    """Enrol NAME: make a secret that opens DOOR, and print the keycard as a QR code.

    Anyone who has the keycard can open the door. It is shown only now. A NAME that is
    enrolled already gets one more DOOR, with a keycard for that door alone.
    With --paper, no keycard is shown: NAME gets a new sheet of sequences on paper for DOOR.
    """
    config = configuration.load(paths.config)
    kept = place(config, paths.config)
    before = kept.known(name)
    on_sheet, known = paper or page is not None, before is not None
    _without_secret(on_sheet, phone, known and file is not None)
    _as_before(before, style, until, windows)
    wanted = before.style if before else style
    chosen, style = enrolling.chosen(doors, wanted, config.doors, phone is not None)
    keyholder = before or _keyholder(name, chosen, style, until, windows)
    new = enrolling.Enrolment(keyholder, chosen, host or enrolling.this_host(), phone, config.site)
    files = enrolling.keycard_files(file, new.keycards()) if file is not None else {}
    if on_sheet:
        told = on_paper.hand_over(paths, config, kept, new, files, page, as_json)
    else:
        told = _enter(kept, new, files, known, as_json)
    try:
        _print(told, "" if on_sheet else _told(new, files), as_json)
    finally:  # also where nobody reads to the end, as behind `| head`
        if config.fleet is None:  # else every gateway hears of it from the store
            _tell_daemon(paths)


def _print(told: str, first: str, as_json: bool) -> None:
    click.echo(first, err=as_json, nl=bool(first))
    click.echo(told, file=bare(sys.stdout))  # a QR code has colours; what is in it was checked


def _keyholder(
    name: str, doors: tuple[Door, ...], style: Style, until: float | None, windows: Hours
) -> Keyholder:
    opened = tuple(one.name for one in doors)
    return Keyholder(name, opened, generate(secrets.token_bytes), style, until, windows)


def _as_before(before: Keyholder | None, style: Style | None, until: float | None, windows: Hours) -> None:
    """Raises Mistake where somebody who is enrolled already is to have another style, end or hours."""
    if before is not None and (until is not None or windows or style not in (None, before.style)):
        raise Mistake(
            f"{before.name} is already enrolled, with style, end and hours:"
            " leave out --style, --until and --hours"
        )


def _without_secret(on_sheet: bool, phone: str | None, keycard_again: bool) -> None:
    if on_sheet and (phone is not None or keycard_again):
        raise Mistake("--paper hands out no secret: leave out --phone, and --keycard unless NAME is new")


def _enter(kept: Kept, new: enrolling.Enrolment, files: dict[Path, str], known: bool, as_json: bool) -> str:
    """Write the keycards, and who is enrolled into the keyholders' file; what is to be shown."""
    enrolling.write_new(files)
    try:
        if known:
            kept.extend(new.keyholder.name, tuple(door.name for door in new.doors))
        else:
            kept.add(new.keyholder)
    except BaseException:
        enrolling.remove(files)
        raise
    return new.json() if as_json else enrolling.handed_over(new, _screen())


def _told(new: enrolling.Enrolment, files: dict[Path, str]) -> str:
    who = new.keyholder
    until = "" if who.until is None else f", until {expiry_text(who.until)}"
    until += f", {' and '.join(map(str, who.hours))}" if who.hours else ""
    doors = " and ".join(door.name for door in new.doors)
    lines = [f"{who.name} is enrolled for {doors} (style {who.style}){until}."]
    if files:
        lines.append(f"Written: {', '.join(str(path) for path in files)}. It holds the secret: mode 0600.")
    return "\n".join([*lines, ""])


def _screen() -> enrolling.Screen:
    if not sys.stdout.isatty():
        return enrolling.Screen(colour=False)
    colour = os.environ.get("TERM", "dumb") != "dumb"
    return enrolling.Screen(colour, shutil.get_terminal_size().columns)


def _tell_daemon(paths: Paths) -> None:
    """Have a running daemon take the keyholders in, by their text: it may have no right to read the file.

    Nobody changes the file meanwhile, or the daemon would be told of somebody who was just unenrolled.
    """
    file = paths.config.parent / FILE
    try:
        with enrolment.locked(file):
            text = file.read_text(encoding="utf-8")
            more: dict[str, Any] = {"text": text} if len(text.encode()) <= MOST_SENT else {}
            answer = control.ask(paths.socket, "keyholders", **more)
        if isinstance(answer, dict) and answer.get("credential"):
            warn(
                f"the daemon starts with a systemd credential, not with {file}: add the new entry to the "
                "credential, or it is forgotten at the next reload or start"
            )
    except control.NoDaemon:
        click.echo("No daemon running: the sequences are valid from its next start.", err=True)
    except Mistake as mistake:
        raise Mistake(
            *mistake.lines,
            "enrolled, but the running daemon did not take it: see above; it takes a changed configuration "
            "at a reload: systemctl reload portress",
        ) from None
