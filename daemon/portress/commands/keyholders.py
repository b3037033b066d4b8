"""`portress keyholders`: list them, with their last use and never a secret."""

from __future__ import annotations

import contextlib
import json
import math
import os
import time
from collections.abc import Callable, Container, Mapping, Sequence
from typing import Any, Final

import click
from rich import box
from rich.table import Table
from rich.text import Text

from portress import control, durations
from portress.commands.common import as_json, common, console, found, warn
from portress.commands.narrowing import Wanted, json_lines, narrowed, print_listed
from portress.config import load as configuration
from portress.durations import counted, expiry_text, utc
from portress.errors import Mistake
from portress.keyholders import file as keyholding
from portress.keyholders.keyholder import Keyholder
from portress.keyholders.place import InFleet, move, together
from portress.ledger import witness
from portress.ledger.ledger import DoorUse, LedgerError, NoLedger, Reader
from portress.narrow import Narrow, near
from portress.paths import Paths

Uses = dict[tuple[bytes, str], DoorUse]
_VOID: Final = "void"


@click.command()
@click.option("--to-fleet", is_flag=True, help="move the keyholders of the file into the fleet's store")
@as_json
@json_lines
@common
@narrowed("name", "until", "used", what="listed")
def keyholders(paths: Paths, asked: Wanted, to_fleet: bool, as_json: bool, json_lines: bool) -> None:
    """List the keyholders: their doors, style, end, paper and last use. --source: last used from there.

    Without --limit the first 200. Exit status 1: nothing matches.
    """
    config = configuration.load(paths.config)
    if to_fleet:
        if config.fleet is None:
            raise Mistake(f"{paths.config}: no fleet is configured: add a section fleet first")
        count = move(paths.config, config.fleet, lambda text: click.echo(text, err=True))
        click.echo(f"Moved {counted(count, 'keyholder')} to fleet {config.fleet.name}.")
        return
    everybody = keyholding.load(keyholding.locate(paths.config), config.doors)
    uses, used, now = _uses(paths), _used_paper(paths), time.time()
    present = witness.read(paths.witnesses[:1])
    era = None if present is None else present.era
    if config.fleet is not None:
        store = InFleet(config.fleet)
        everybody, era = together(everybody, store.all()), store.era()
    dialled = {name for name, door in config.doors.items() if door.paper is not None}
    paper = {one.name: paper_left(one, era, used, dialled) for one in everybody}
    _warn_of_credential(paths)
    meant = _sorted([one for one in everybody if _meant(one, asked.narrow, uses)], asked.narrow, uses)
    listed = meant[: asked.most]
    if as_json or json_lines:
        told = (values(one, uses, now) | {"paper": paper[one.name]} for one in listed)
        lines = (json.dumps(one, ensure_ascii=False) for one in told)
        print_listed({"totals": {"keyholders": len(meant)}}, "keyholders", lines, bare=json_lines)
    elif meant:
        console().print(table(listed, uses, now, paper))
    elif everybody:
        click.echo("No matching keyholders.")
    else:
        click.echo("Nobody is enrolled: portress enrol NAME --door DOOR makes a keyholder.")
    if len(listed) < len(meant) and not as_json:
        click.echo(f"… and {len(meant) - len(listed):,} more (--limit 0 shows all)", err=True)
    found(len(meant))


def _warn_of_credential(paths: Paths) -> None:
    """The daemon may know others than the file has."""
    with contextlib.suppress(Mistake):
        status = control.ask(paths.socket, "status", most=0)
        if status.get("credential") and "CREDENTIALS_DIRECTORY" not in os.environ:
            warn(
                f"the running daemon got {counted(status['keyholders'], 'keyholder')} from a systemd "
                "credential; this list is the file's"
            )


def _meant(keyholder: Keyholder, narrow: Narrow, uses: Uses) -> bool:
    """Whether it is one of those asked for."""
    if narrow.door is not None and narrow.door not in keyholder.doors:
        return False
    if narrow.keyholder not in (None, keyholder.name):
        return False
    source = narrow.source
    return source is None or any(near(source, use.source) for use in _last(keyholder, uses).values())


def _last(keyholder: Keyholder, uses: Uses) -> dict[str, DoorUse]:
    """Its last uses, by door."""
    claims = {door: (keyholder.claim(door), door) for door in keyholder.doors}
    return {door: uses[claim] for door, claim in claims.items() if claim in uses}


def _sorted(found: list[Keyholder], narrow: Narrow, uses: Uses) -> list[Keyholder]:
    def used(one: Keyholder) -> float:
        return max((use.at for use in _last(one, uses).values()), default=0.0)

    keys: dict[str, Callable[[Keyholder], Any]] = {
        "name": lambda one: one.name,
        "until": lambda one: math.inf if one.until is None else one.until,
        "used": used,
    }
    return sorted(found, key=keys[narrow.sort.removeprefix("-")], reverse=narrow.backwards)


def _uses(paths: Paths) -> Uses:
    """The last use by claim and door; nothing, with a warning, where the ledger cannot be read."""
    try:
        with Reader(paths.ledger) as reader:
            return reader.last_uses()
    except NoLedger:
        return {}
    except LedgerError as error:
        warn(f"no last uses: {error}")
        return {}


def _used_paper(paths: Paths) -> dict[bytes, float]:
    try:
        with Reader(paths.ledger) as reader:
            return reader.used_paper()
    except LedgerError:
        return {}  # `_uses` warns of it


def paper_left(
    one: Keyholder, era: str | None, used: Container[bytes], dialled: Container[str]
) -> dict[str, dict[str, Any]]:
    """What a keyholder has left on paper, by door. Paper of another era than `era` is void, and so is paper
    for doors other than those `dialled`, which have paper in the configuration."""
    return {
        door: {
            "left": sum(one.paper_claim(door, number) not in used for number in sheet.numbers),
            "of": sheet.count,
            _VOID: sheet.era != era or door not in dialled,
        }
        for door, sheet in one.paper.items()
    }


def _of_paper(paper: dict[str, dict[str, Any]]) -> str:
    parts = []
    for door, one in paper.items():
        left = _VOID if one[_VOID] else f"{one['left']} of {one['of']} left"
        parts.append(f"{door}: {left}")
    return ", ".join(parts)


def values(keyholder: Keyholder, uses: Uses, now: float) -> dict[str, Any]:
    """A keyholder for programs; moments in UTC."""
    until = keyholder.until
    last = {door: utc(use.at) for door, use in _last(keyholder, uses).items()}
    return {
        "name": keyholder.name,
        "doors": list(keyholder.doors),
        "style": keyholder.style,
        "until": None if until is None else utc(until),
        "over": until is not None and until <= now,
        "hours": [str(one) for one in keyholder.hours],
        "last_use": last,
    }


def table(
    found: Sequence[Keyholder],
    uses: Uses,
    now: float,
    paper: Mapping[str, dict[str, dict[str, Any]]] | None = None,
) -> Table:
    """The keyholders as a table, moments of the host's zone."""
    shown = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False)
    some = any(one.paper for one in found)
    for heading in ("name", "doors", "style", "until", *(["paper"] if some else []), "last use"):
        shown.add_column(heading, overflow="fold")
    for keyholder in found:
        last = max((use.at for use in _last(keyholder, uses).values()), default=0.0)
        over = keyholder.until is not None and keyholder.until <= now
        until = "" if keyholder.until is None else expiry_text(keyholder.until)
        shown.add_row(
            Text(keyholder.name),
            Text(", ".join(keyholder.doors)),
            Text(keyholder.style),
            Text(
                "\n".join([f"{until} (over)" if over else until, *map(str, keyholder.hours)]).strip(),
                "yellow" if over else "",
            ),
            *([Text(_of_paper((paper or {}).get(keyholder.name, {})))] if some else []),
            Text(durations.moment(last)[:16] if last else "never", "" if last else "dim"),
        )
    return shown
