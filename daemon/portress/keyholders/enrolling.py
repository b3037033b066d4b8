"""The steps of `portress enrol`: what is asked for is checked whole before anything is written.

In: a configuration and what the command line said. Out: an Enrolment, and the text that hands it over.
"""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from attrs import frozen

from portress import by_hand
from portress.config.browsers import obstacles
from portress.config.model import Door
from portress.durations import utc
from portress.errors import Mistake
from portress.keyholders import keycard
from portress.keyholders.file import unsuited
from portress.keyholders.keyholder import STYLES, Keyholder, Style
from portress.knock import TCP
from portress.prose import fitted


@frozen
class Enrolment:
    """A new keyholder and how each of their doors' keycards is handed over.

    `phone`: None, or the address of the page (empty: unknown) for a phone's browser.
    """

    keyholder: Keyholder
    doors: tuple[Door, ...]
    host: str
    phone: str | None = None
    site: str = ""

    def keycards(self) -> list[dict[str, Any]]:
        """One for each door."""
        return [keycard.make(self.keyholder, door, self.host, self.site) for door in self.doors]

    def otpauth(self) -> str | None:
        """The key URI for authenticator apps, where it is of use."""
        if self.keyholder.style == "derived":
            return None
        return keycard.otpauth(self.keyholder, self.host)

    def addresses(self) -> list[str]:
        """The page's address with each door's keycard in it, if a page is known."""
        return [keycard.page_address(card, self.phone) for card in self.keycards()] if self.phone else []

    def json(self) -> str:
        """All of it for programs."""
        told = {
            "keyholder": self.keyholder.name,
            "until": None if self.keyholder.until is None else utc(self.keyholder.until),
            "hours": [str(one) for one in self.keyholder.hours],
            "keycards": self.keycards(),
            "otpauth": self.otpauth(),
            "phone": self.addresses(),
        }
        return json.dumps(told, ensure_ascii=False, indent=2)


def chosen(
    names: tuple[str, ...], style: Style | None, doors: Mapping[str, Door], phone: bool
) -> tuple[tuple[Door, ...], Style]:
    """The doors called `names`, and the style they are opened in (default: what all of them offer).

    With `phone`, a page must be able to knock there. Raises Mistake with everything that stands in the way.
    """
    names = tuple(dict.fromkeys(names))
    styles: tuple[Style, ...] = (style,) if style else STYLES
    faults: list[str] = []
    for one in styles:
        told = [f"door {name}: {fault}" for name in names if (fault := unsuited(name, one, doors))]
        if not told:
            found = tuple(doors[name] for name in names)
            if phone and (hindrances := [text for door in found for text in obstacles(door, one)]):
                raise Mistake(*hindrances)
            return found, one
        faults += [line for line in told if line not in faults]
    if style is None and all(name in doors for name in names):
        listed = " and ".join(names)
        raise Mistake(
            f"no style suits {listed}: a door needs `rotating:` or `authenticator:`, doors together the same"
        )
    raise Mistake(*(line for line in faults if style or "no such door" in line))


def this_host() -> str:
    """The name this host is reached by, as far as it knows itself. Raises Mistake."""
    name = socket.gethostname()
    if "." not in name:
        name = socket.getfqdn(name)
    try:
        host = keycard.checked_host(name)
    except ValueError:
        host = ""
    if not host or host.partition(".")[0] == "localhost":
        raise Mistake(
            f"this host calls itself {name!r}: say what name it is reached by: --host vpn.example.org"
        )
    return host


def keycard_files(path: Path, cards: list[dict[str, Any]]) -> dict[Path, str]:
    """What is written where: one card to `path`, several each with its door in the name (ana-vpn.json)."""
    if len(cards) == 1:
        return {path: keycard.text(cards[0]) + "\n"}
    return {
        path.with_name(f"{path.stem}-{card['door']}{path.suffix}"): keycard.text(card) + "\n"
        for card in cards
    }


def write_new(files: Mapping[Path, str | bytes]) -> None:
    """Write files that must not exist yet, mode 0600; all or none. Raises Mistake."""
    made: list[Path] = []
    try:
        for path, text in files.items():
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
            made.append(path)
            with open(handle, "wb") as file:
                file.write(text if isinstance(text, bytes) else text.encode())
                file.flush()
                os.fsync(file.fileno())
    except OSError as error:
        remove(made)
        what = "is there already: take another name" if isinstance(error, FileExistsError) else error.strerror
        raise Mistake(f"{path}: {what}") from error


def remove(paths: Iterable[Path]) -> None:
    """Take files away again."""
    for path in paths:
        path.unlink(missing_ok=True)


@frozen
class Screen:
    """What the codes are shown on: whether it takes colours, and how many columns it has (None: enough)."""

    colour: bool
    columns: int | None = None

    def picture(self, content: str) -> str:
        """A QR code for `content`, or where there is no room for one the content itself, and why."""
        try:
            width = len(keycard.matrix(content)[0])
        except ValueError as error:
            return f"({error}) {content}"
        if self.columns is not None and self.columns < width:
            return f"(a QR code needs {width} columns, this terminal has {self.columns})\n{content}"
        return keycard.picture(content, self.colour)


def handed_over(enrolment: Enrolment, screen: Screen) -> str:
    """The text for a terminal, with a QR code for each thing to scan."""
    parts = []
    uri = enrolment.otpauth()
    if uri is not None and enrolment.phone is None:
        parts.append(
            f"Scan this with an authenticator app (8 digits, SHA-1, 30 seconds):\n\n{screen.picture(uri)}\n\n"
            f"{uri}\n"
        )
        for door in enrolment.doors:
            told = f"Door {door.name} of {enrolment.host}: {keycard.dialling(door)}"
            parts.append(f"{fitted(told, screen.columns)}\n")
        parts.append("\n".join([*by_hand.lines(enrolment.host), f"{by_hand.KNOCKS}: the four ports.\n"]))
    elif enrolment.phone is not None:
        parts += [_for_phone(enrolment, card, screen) for card in enrolment.keycards()]
    else:
        for card in enrolment.keycards():
            told = f"Keycard for door {card['door']} of {enrolment.host}:"
            parts.append(f"{told}\n\n{screen.picture(keycard.text(card))}\n")
        parts += [_ssh(enrolment, door) for door in enrolment.doors if _tcp(door)]
    parts.append("Anyone who sees this can open the door: hand it over, then clear the screen.")
    return "\n".join(parts)


def _tcp(door: Door) -> list[int]:
    """The TCP ports it guards, 22 first."""
    ports = [one.first for one in door.services if one.protocol == TCP]
    return sorted(ports, key=lambda port: port != 22)


def _ssh(enrolment: Enrolment, door: Door) -> str:
    """One line for each system by which ssh knocks and connects."""
    file, port = f"{enrolment.keyholder.name}.keycard", _tcp(door)[0]
    at = f"-p {port} " if port != 22 else ""
    relay = f"portress-knock {file} --relay %h %p"
    return (
        f"With portress-knock (one file) and {file} in one folder:\n"
        f"    Linux, macOS:  ssh {at}-o 'ProxyCommand=python3 {relay}' {enrolment.host}\n"
        f'    Windows:       ssh {at}-o "ProxyCommand=py {relay}" {enrolment.host}\n'
        "Without Python: open the knocking page in a browser; it takes the same keycard.\n"
    )


def _for_phone(enrolment: Enrolment, card: dict[str, Any], screen: Screen) -> str:
    door = f"door {card['door']} of {enrolment.host}"
    if enrolment.phone:
        address = keycard.page_address(card, enrolment.phone)
        return f"Scan this with the phone's camera for {door}:\n\n{screen.picture(address)}\n\n{address}\n"
    told = f"Scan this with the phone's camera and paste the text into the knocking page, for {door}:"
    return (
        f"{fitted(told, screen.columns)}\n\n"
        f"{screen.picture(keycard.text(card))}\n\n"
        f"Or open the page with this behind its address (--phone URL makes that the code):\n\n"
        f"#{keycard.fragment(card)}\n"
    )
