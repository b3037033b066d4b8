"""The pictures of the pages in shared/doc/, from the real program: `scripts/pictures` runs it.

Screens are what the verbs print on a coloured terminal of 100 columns, drawn by rich's own export; the phone
page is what a real Chromium shows. In: names of pictures. Out: shared/doc/NAME.svg, and of the page phone.png
and desktop.png.
"""

# ruff: noqa: E402
from __future__ import annotations

import contextlib
import io
import os
import pty
import re
import sys
import time
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "tests/unit")]

from rich.console import Console
from rich.terminal_theme import MONOKAI
from rich.text import Text

from lab.packets import sender
from lab.portress import Daemon, daemon
from lab.worlds import World, world

OUT: Final = ROOT / "shared/doc"
WIDTH: Final = 100
CONFIG: Final = """\
always: [203.0.113.0/24]
misses: {limit: 5, within: 10m, shun: 30m}
doors:
  ssh:
    services: [tcp/22]
    stay: 8h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 30s}
  wiki:
    services: [tcp/8443]
    stay: 1h
    fixed: {knocks: [tcp/5117, udp/7342, tcp/3219], gap: 30s}
"""
RIGHT: Final = ("tcp/4617", "udp/2953", "tcp/6381")
WIKI: Final = ("tcp/5117", "udp/7342", "tcp/3219")
# Fira Code would be fetched from elsewhere: a picture of ours loads nothing.
_FETCHED: Final = re.compile(r"@font-face \{.*?\}\n", re.DOTALL)


def svg(printed: str, command: str) -> str:
    """What a verb printed, with its colours, as a picture of a terminal."""
    terminal = Console(record=True, width=WIDTH, file=io.StringIO(), force_terminal=True)
    terminal.print(Text(f"$ {command}", style="bold"))
    terminal.print(Text.from_ansi(printed.rstrip()))
    drawn = terminal.export_svg(title="portress", theme=MONOKAI, unique_id="portress")
    return re.sub(r"Fira Code(?=, ?monospace)", "ui-monospace", _FETCHED.sub("", drawn))


def screen(d: Daemon, verb: str, *words: str) -> None:
    """Run a verb as on a coloured terminal, and keep its picture."""
    program = str(ROOT / ".venv/bin/portress")
    terminal = ["env", "-u", "NO_COLOR", f"COLUMNS={WIDTH}", "COLORTERM=truecolor", "TERM=xterm-256color"]
    ours, theirs = pty.openpty()
    running = d.ns.popen([*terminal, program, verb, *words, *d.options], stdout=theirs)
    os.close(theirs)
    printed = b""
    with contextlib.suppress(OSError):  # EIO once nobody has the terminal open any more
        while part := os.read(ours, 65536):
            printed += part
    os.close(ours)
    running.wait()
    (OUT / f"{verb}.svg").write_text(svg(printed.decode(), " ".join(["portress", verb, *words])))
    print(f"shared/doc/{verb}.svg")


def screens(wanted: set[str]) -> None:
    """A host with sources admitted, part-way and mistaken; then the screens."""
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        send.knocks(w.stranger4, w.host4, RIGHT, pause=0.05)
        send.knocks(w.stranger6, w.host6, WIKI, pause=0.05)
        d.verb("admit", "203.0.113.9", "wiki", "--for", "30m")
        send.knocks("192.0.2.7", w.host4, [*RIGHT[:2], "tcp/6382"], pause=0.05)
        send.knocks("192.0.2.7", w.host4, RIGHT[:2], pause=0.05)
        send.knocks("192.0.2.8", w.host4, RIGHT[:1], pause=0.05)
        time.sleep(1)
        if "status" in wanted:
            screen(d, "status")
        if "why" in wanted:
            screen(d, "why", "192.0.2.7")


def pages(wanted: set[str]) -> None:
    """The page with one keycard on it, as on a phone and in a window of a desktop."""
    from phone.browser import browser
    from phone.page import Phone, keycard

    with (
        world() as w,
        browser(w.stranger, hosts=f"{World.host4} gate.example.org") as chromium,
        Phone(chromium) as page,
    ):
        page.page.looks(width=390, height=700)
        page.add(keycard(host="gate.example.org"))
        if "phone" in wanted:
            page.page.picture(OUT / "phone.png")
            print("shared/doc/phone.png")
        if "desktop" in wanted:
            page.page.looks(width=1000, height=620)
            page.page.picture(OUT / "desktop.png")
            print("shared/doc/desktop.png")


def main(names: list[str]) -> int:
    known = ("status", "why", "phone", "desktop")
    wanted = set(names or known)
    if wanted - {*known}:
        print(f"scripts/pictures: known are {', '.join(known)}", file=sys.stderr)
        return 2
    if wanted & {"status", "why"}:
        screens(wanted)
    if wanted & {"phone", "desktop"}:
        pages(wanted)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
