"""`portress begin`: from nothing to a guarded host, step by step."""

from __future__ import annotations

import contextlib
import json
import secrets
import signal
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from portress.begin import ask, hand_over, look, plan
from portress.begin.act import Begun, give, login_name, says_something, verb
from portress.begin.keyboard import confirmed
from portress.begin.listen import Followed, keep, listen
from portress.commands.common import DURATION, common, console, print_json, root_only, working
from portress.config import load as configuration
from portress.config.schema import network
from portress.durations import spell
from portress.errors import Mistake
from portress.keyholders import file as keyholding
from portress.keyholders.enrolling import this_host
from portress.keyholders.file import checked_name
from portress.keyholders.keycard import checked_host
from portress.knock import SECOND
from portress.paths import Paths
from portress.prose import say
from portress.shown import shown


@click.command()
@click.option("--yes", is_flag=True, help="ask nothing: for cloud-init and configuration management")
@click.option(
    "--service", "services", multiple=True, metavar="SERVICE", help="with --yes: a service to guard (tcp/22)"
)
@click.option(
    "--style",
    type=click.Choice([way for way, _ in ask.WAYS.values()]),
    default="rotating",
    help="with --yes: how people knock",
)
@click.option("--keyholder", metavar="NAME", default="admin", help="with --yes: who gets the keycard")
@click.option("--host", metavar="NAME", help="with --yes: how clients reach this host")
@click.option(
    "--keycard", "card", type=click.Path(path_type=Path), metavar="FILE", help="where the keycard goes"
)
@click.option(
    "--always", multiple=True, metavar="SOURCE", help="with --yes: a source that never has to knock"
)
@click.option("--admits-connection", is_flag=True, help="with --yes: let in the connection, not the address")
@click.option(
    "--trial", type=DURATION, default="15m", metavar="DURATION", help="how long the guard is on trial"
)
@click.option("--keep", "kept", is_flag=True, help="with --yes: the guard stays; needs --always or --console")
@click.option("--console", "has_console", is_flag=True, help="with --yes: I have another way in")
@click.option("--replace", is_flag=True, help="with --yes: replace an existing configuration, keeping a copy")
@common
def begin(paths: Paths, yes: bool, **given: Any) -> None:
    """Set up Portress on this host: look, ask, write, close the doors on trial, and listen with you.

    Ctrl-C, at any time, leaves everything as it was.
    """
    root_only("portress begin")
    with _hang_up_is_interrupt():
        try:
            if yes:
                _unattended(paths, given)
            else:
                _guided(paths, given["card"], given["trial"])
        except (KeyboardInterrupt, click.Abort):
            if not yes:
                with contextlib.suppress(OSError):
                    click.echo()  # a question may have been asked on this line
            raise Mistake("stopped: nothing was changed") from None


@contextlib.contextmanager
def _hang_up_is_interrupt() -> Iterator[None]:
    """A connection that is lost, or a SIGTERM, takes back what was begun, as Ctrl-C does, whatever whoever
    started this ignores."""

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM):
        signal.signal(number, interrupt)
    yield


# With somebody at the keyboard


def _guided(paths: Paths, card: Path | None, trial: int) -> None:
    if not sys.stdin.isatty():
        raise Mistake("portress begin asks questions: run it in a terminal, or with --yes and its options")
    with working("looking at this host"):
        host = look.read()
    _show(host)
    answers = ask.ask(host, _own_name())
    planned = plan.doors(answers, host.taken, secrets.randbelow)
    text = plan.text(answers, planned, f"{datetime.now(UTC):%Y-%m-%d}")
    say(f"\nThis goes into {paths.config}:\n")
    click.echo(text)
    exists = says_something(paths.config)
    question = f"{paths.config} exists: replace it (a copy is kept)?" if exists else "Write it?"
    if not confirmed(question, default=not exists):
        raise Mistake("nothing was changed")
    with Begun(paths) as begun:
        begun.write(text, time.time())
        until = time.monotonic() + trial / SECOND
        said = _close(begun, trial)
        for source in host.here:
            begun.admit(source, [one.name for one in planned], _short(trial))
        said.append(f"The guard is on trial: removed in {spell(trial)} unless you keep it.")
        say("\n".join(["", *said, *_of_yourself(host, trial)]))
        card = _enrol(begun, answers, planned, card)
        ears = Followed(paths)  # from here on: whoever knocks before the last line is printed is heard
        with working("checking this host (portress doctor)"):
            found = [
                one for one in findings(paths) if "not loaded at boot" not in one
            ]  # that comes with keeping
        say("\n".join(["", *how_strong(paths), *found]))
        away = not host.here
        click.echo("\n".join(["", *hand_over.commands(answers, planned, card, login_name(), away=away), ""]))
        say("Listening. Knock from the other machine now; press Enter to go on.")
        login = listen(ears, [one.shut.service for one in planned], until)
        if login is not None:
            say(f"\n{login} is connected, let in by a knock: it works.")
        if not keep(until):
            raise Mistake("not kept: everything was restored")
        say("\n".join(begun.keep()))
    say("\nportress status shows who is in; portress why SOURCE, why somebody is not.")


def _of_yourself(host: look.Host, trial: int) -> list[str]:
    """That you are admitted, and what follows."""
    if not host.here:
        return []
    you = " and ".join(str(one) for one in host.here)
    return [
        f"You are connected from {you}, admitted for {spell(trial)} so that you can copy files. A login from "
        "there proves nothing: knock from another network, or watch below what becomes of your knocks."
    ]


def _close(begun: Begun, trial: int) -> list[str]:
    """Check what was written, close the doors on trial, start the daemon; what `portress guard` said."""
    with working("checking the configuration (portress check)"):
        config = configuration.load(begun.paths.config, here=True)
        keyholding.load(keyholding.locate(begun.paths.config), config.doors)
    with working("closing the doors on trial (portress guard)"):
        said = begun.guard(_short(trial))
    with working("starting the daemon"):
        begun.start()
    return said


def _short(ns: int) -> str:
    """A duration as the command line takes it."""
    return f"{ns // SECOND}s"


def _own_name() -> str:
    try:
        return this_host()
    except Mistake:
        return ""


def _show(host: look.Host) -> None:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    screen = console()
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False)
    for heading in ("service", "program", "open to"):
        table.add_column(heading)
    for one in host.services:
        reach = "everyone" if one.everybody else ", ".join(one.addresses)
        here = " (you are logged in through it)" if one.shut.service == host.login else ""
        table.add_row(str(one.shut.service), Text(shown(one.shut.program) + here), Text(reach))
    screen.print(Text("What listens on this host\n", style="bold"))
    screen.print(table)
    screen.print()
    facts = Table.grid(padding=(0, 2))
    facts.add_column(no_wrap=True)
    where = ", ".join(str(one) for one in host.here)
    you = f"connected from {where}" if where else "at this host's console"
    for subject, told in (("you", you), *host.facts):
        facts.add_row(subject, Text(told))
    screen.print(facts)


def _enrol(
    begun: Begun, answers: plan.Answers, planned: list[plan.Planned], card: Path | None
) -> Path | None:
    """The first keycard: for a laptop in a file, else on the screen."""
    if answers.way == "fixed":
        return None
    more = ["--host", answers.host]
    if answers.way == "rotating":
        card = card or Path.cwd() / f"{answers.keyholder}.keycard"
    if card is not None:
        more += ["--keycard", str(card)]
    if answers.way == "phone":
        more += ["--phone"]
    cards, aloud = _cards(card, planned), answers.way != "rotating"
    if aloud:
        click.echo()
    begun.enrol(answers.keyholder, [one.name for one in planned], *more, files=cards, aloud=aloud)
    for path in cards:
        give(path)
    if not aloud:
        say(f"{answers.keyholder} is enrolled. The secret is in {', '.join(map(str, cards))} (mode 0600).")
    return card


def _cards(card: Path | None, planned: list[plan.Planned]) -> list[Path]:
    """The files that `enrol --keycard` makes."""
    if card is None:
        return []
    if len(planned) == 1:
        return [card]
    return [card.with_name(f"{card.stem}-{one.name}{card.suffix}") for one in planned]


def findings(paths: Paths) -> list[str]:
    """What the doctor finds wrong on this host now, a line each: what, and what to do."""
    report = json.loads(verb("doctor", "--json", paths=paths, check=False).stdout or "{}")
    return [
        f"{one['severity']}: {shown(one['what'])}: {shown(one['do'])}" for one in report.get("findings", [])
    ]


def how_strong(paths: Paths) -> list[str]:
    """What `portress strength` says of each door, and what it warns of: all but its last line."""
    with working("estimating the strength of each door (portress strength)"):
        parts = verb("strength", paths=paths).stdout.rstrip().split("\n\n")
    return [line for part in parts[:-1] for line in part.splitlines()]


# With nobody there


def _unattended(paths: Paths, given: dict[str, Any]) -> None:
    if given["kept"] and not given["always"] and not given["has_console"]:
        raise Mistake("--keep can lock you out: add --always SOURCE, or --console if you have another way in")
    if says_something(paths.config) and not given["replace"]:
        raise Mistake(f"{paths.config} exists: --replace keeps a copy and writes a new one")
    host = look.read()
    answers = _answers(host, given)
    planned = plan.doors(answers, host.taken, secrets.randbelow)
    text = plan.text(answers, planned, f"{datetime.now(UTC):%Y-%m-%d}")
    with Begun(paths) as begun:
        begun.write(text, time.time())
        _close(begun, given["trial"])
        cards: list[Path] = []
        if answers.way != "fixed":
            cards = _cards(given["card"], planned)
            more = ["--host", answers.host, "--keycard", str(given["card"])]
            begun.enrol(answers.keyholder, [one.name for one in planned], *more, files=cards)
        said = begun.keep() if given["kept"] else begun.leave_on_trial()
    print_json(
        {
            "config": str(paths.config),
            "saved": None if begun.saved is None else str(begun.saved),
            "doors": {one.name: [str(one.shut.service)] for one in planned},
            "style": answers.way,
            "keyholder": answers.keyholder or None,
            "keycards": [str(one) for one in cards],
            "kept": given["kept"],
            "trial": None if given["kept"] else given["trial"] // SECOND,
            "said": said,
            "strength": how_strong(paths),
            "findings": findings(paths),
        }
    )


def _answers(host: look.Host, given: dict[str, Any]) -> plan.Answers:
    """The command line as answers. Raises Mistake, or UsageError."""
    way: plan.Way = given["style"]
    if way != "fixed" and given["card"] is None:
        raise Mistake("--keycard FILE says where the secret goes: it is not printed, for logs would keep it")
    try:
        services = tuple(ask.chosen(host, given["services"] or ("tcp/22",)))
        always = tuple(network(one) for one in given["always"])
        keyholder = "" if way == "fixed" else checked_name(given["keyholder"])
        name = checked_host(given["host"]) if given["host"] else this_host()
    except ValueError as error:
        raise Mistake(str(error)) from None
    return plan.Answers(services, way, keyholder, name, always, given["admits_connection"])
