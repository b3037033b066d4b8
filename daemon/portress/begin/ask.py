"""The questions of `portress begin`, each with a default that is right for most.

In: what was found on the host. Out: Answers. Nothing is changed while these are asked. Input that ends, and
Ctrl-C, raise click.Abort.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Final

import click

from portress.begin.keyboard import answer, confirmed
from portress.begin.look import Host, Open
from portress.begin.plan import Answers, Shut, Way
from portress.config.schema import network
from portress.keyholders.file import checked_name
from portress.keyholders.keycard import checked_host
from portress.knock import Service

WAYS: Final[dict[str, tuple[Way, str]]] = {
    "1": ("rotating", "from a laptop: a keycard file, then plain `ssh` just works (recommended)"),
    "2": ("phone", "from a phone: a page in its browser, nothing to install"),
    "3": ("authenticator", "with an authenticator app: its code says which ports to dial"),
    "4": ("fixed", "a fixed sequence: works with anything, but anyone who sees it can repeat it"),
}


_SHARING: Final = """
In a hotel, an office or a mobile network many people share one public address.
A knock can let in that address, and so all of them, or your own connection
only. The latter needs portress-knock's relay, which ssh starts by itself."""


def ask(host: Host, this_host: str) -> Answers:
    """Ask everything. `this_host`: the name this host seems to be reached by; empty if there is none."""
    services = _services(host)
    way = _way()
    keyholder = ""
    if way != "fixed":
        keyholder = _until("Who gets the first keycard? A name", "admin", checked_name)
    name = _until("What name or address do clients use to reach this host?", this_host or None, checked_host)
    always = _always(host)
    connection = way in ("rotating", "fixed") and _connection(way, services)
    return Answers(services, way, keyholder, name, always, connection)


def _until(question: str, default: str | None, parse: Callable[[str], Any]) -> Any:
    """The first answer that `parse` takes; it raises ValueError whose text says what would be right."""
    while True:
        given = answer(f"{question} [{default}]" if default else question) or default or ""
        if not given:
            continue
        try:
            return parse(given)
        except ValueError as error:
            click.echo(f"  {given!r}: {error}")


def usual(host: Host) -> list[Open]:
    """What is shut unless something else is asked for: the service one is logged in by, or ssh."""
    wanted = [one for one in host.services if one.shut.service == host.login]
    return wanted or [one for one in host.services if one.shut.program.startswith("sshd")]


def _services(host: Host) -> tuple[Shut, ...]:
    suggestion = " ".join(str(one.shut.service) for one in usual(host)) or "tcp/22"
    click.echo("\nWhich services should be closed to everyone who has not knocked?")
    return tuple(_until("Services, separated by spaces", suggestion, lambda text: chosen(host, text.split())))


def chosen(host: Host, words: Iterable[str]) -> list[Shut]:
    """The services named. Raises ValueError."""
    programs = {one.shut.service: one.shut.program for one in host.services}
    found: list[Shut] = []
    for word in words:
        service = Service.parse(word.strip(","))
        if any(service.overlaps(other.service) for other in found):
            raise ValueError(f"{service} is named twice")
        found.append(Shut(service, programs.get(service, "")))
    if not found:
        raise ValueError("name at least one, for example tcp/22")
    return found


def _way() -> Way:
    click.echo("\nHow will you knock?")
    for key, (_, text) in WAYS.items():
        click.echo(f"  {key}  {text}")

    def parse(text: str) -> Way:
        if text not in WAYS:
            raise ValueError("1, 2, 3 or 4")
        return WAYS[text][0]

    way: Way = _until("Choose", "1", parse)
    return way


def _always(host: Host) -> tuple[Any, ...]:
    click.echo(
        "\nIs there an address or network that should never have to knock?\nIt must be yours permanently."
    )
    if host.here:
        click.echo(f"  You are connected from {host.here[0]}. If that can change, leave it out.")

    def parse(text: str) -> tuple[Any, ...]:
        return () if text in ("none", "") else tuple(network(word) for word in text.replace(",", " ").split())

    found: tuple[Any, ...] = _until("Addresses, or none", "none", parse)
    return found


def _connection(way: Way, services: tuple[Shut, ...]) -> bool:
    click.echo(_SHARING)
    return confirmed("Let in the connection only?", default=way == "rotating" and _only_ssh(services))


def _only_ssh(services: tuple[Shut, ...]) -> bool:
    return all(one.program.startswith("sshd") for one in services)
