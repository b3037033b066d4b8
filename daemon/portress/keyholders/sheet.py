"""Sheets of paper: sequences for the day when a clock fails, numbered, each good once.

In: a keyholder, a door, what the sheet holds. Out: the sheet as plain text, as PDF, and as JSON. It holds the
ports to dial and nothing of the secret they come from.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Collection, Iterable
from typing import Any, Final

from attrs import frozen

from portress.config.model import Door, Paper
from portress.durations import spell
from portress.errors import Mistake
from portress.keyholders.file import LAST_NUMBER
from portress.keyholders.keyholder import Keyholder, Sheet
from portress.knock import PROTOCOL_NAMES, TCP, Sequence
from portress.sequence import paper

_TRIES: Final = 1000
_COUNTS: Final = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def new(
    keyholder: Keyholder, door: Door, era: str, site: str, deaf: Collection[int], below: Callable[[int], int]
) -> Sheet:
    """A sheet that nobody has had before: from a number drawn by `below`, as `secrets.randbelow`. None of its
    knocks is one of `deaf`, at which none is heard. Raises Mistake.
    """
    rule = door.paper
    if rule is None:
        raise Mistake(f"door {door.name} has no `paper:` in the configuration: add  paper: {{sequences: 10}}")
    for _ in range(_TRIES):
        sheet = Sheet(1 + below(LAST_NUMBER - rule.sequences), rule.sequences, era)
        if not any(knock in deaf for one in sequences(keyholder, door, sheet, site) for knock in one.knocks):
            return sheet
    raise Mistake(
        f"door {door.name}: too much of paper's pool is guarded or public for {rule.sequences} sequences:"
        " choose another `pool`"
    )


def sequences(keyholder: Keyholder, door: Door, sheet: Sheet, site: str) -> list[Sequence]:
    """The sequences of a sheet, in their order."""
    assert door.paper is not None
    return [paper.derive(keyholder.secret, door.name, door.paper, one, site) for one in sheet.numbers]


@frozen
class Printout:
    """A sheet as it is handed over. `printed`: the day, as 2026-11-25."""

    keyholder: str
    door: Door
    host: str
    sequences: tuple[Sequence, ...]
    printed: str

    @property
    def title(self) -> str:
        return f"Paper for door {self.door.name} of {self.host}"

    @property
    def rows(self) -> list[tuple[str, str]]:
        """Each sequence's number on the sheet, and what to dial."""
        return [(str(n), self._dialled(one)) for n, one in enumerate(self.sequences, 1)]

    def _dialled(self, one: Sequence) -> str:
        if self._rule.protocols == (TCP,):
            return "  ".join(f"{knock.port:5}" for knock in one.knocks)
        return "  ".join(f"{PROTOCOL_NAMES[knock.protocol]} {knock.port:5}" for knock in one.knocks)

    @property
    def _rule(self) -> Paper:
        assert self.door.paper is not None
        return self.door.paper

    def how(self) -> list[str]:
        """What to do with it, a paragraph each."""
        rule, services = self._rule, " or ".join(str(one) for one in self.door.services)
        many = _COUNTS[rule.length] if rule.length < len(_COUNTS) else str(rule.length)
        tcp = rule.protocols == (TCP,)
        gap = spell(rule.gap)
        told = [
            f"{len(self.sequences)} sequences for {self.keyholder}, printed {self.printed}. Each line works"
            " once, in any order, at any time; no clock is needed.",
            f"Dial the {many} {'TCP ' if tcp else ''}ports of one line from left to right, each within {gap}"
            " of the one before, all over IPv4 or all over IPv6. No answer comes. Any program that opens"
            " connections will do"
            + (":" if tcp else " for the tcp ports, any that sends a datagram for the udp ports."),
        ]
        if tcp:
            told.append(f'    for p in PORTS; do timeout 1 bash -c "</dev/tcp/{self.host}/$p"; done')
        stay = spell(self.door.stay)
        told.append(f"Then connect to {services} within {stay}. Cross the line out: it is used up.")
        return told

    def warning(self) -> str:
        """What to take care of."""
        again = f"portress enrol {self.keyholder} --door {self.door.name} --paper"
        return f"Anyone who has this page can open the door. If it is lost, a new one voids it: {again}"


def text(page: Printout, width: int = 78) -> str:
    """The page in plain text."""
    from textwrap import fill

    parts = [page.title, "=" * len(page.title), ""]
    for one in page.how():
        parts += [one if one.startswith(" ") else fill(one, width), ""]
    parts += [f"  [ ] {number:>3}   {dialled}    ____________" for number, dialled in page.rows]
    parts += ["", fill(page.warning(), width)]
    return "\n".join(parts) + "\n"


def plain(page: Printout) -> dict[str, Any]:
    """The page for programs."""
    return {
        "keyholder": page.keyholder,
        "door": page.door.name,
        "host": page.host,
        "sequences": [[str(knock) for knock in one.knocks] for one in page.sequences],
    }


def pdf(pages: Iterable[Printout]) -> bytes:
    """The pages as one PDF of A4, each beginning on a page of its own. Raises Mistake without reportlab."""
    try:
        from reportlab.lib.pagesizes import A4
        from reportlab.pdfgen.canvas import Canvas
    except ImportError:
        raise Mistake("a PDF needs reportlab: apt install python3-reportlab; or name a file .txt") from None
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=A4)
    for page in pages:
        canvas.setTitle("Portress")  # a title is shown where others can read it: it names no host
        for lines in _leaves(text(page, 84).splitlines(), page.title):
            height = A4[1] - 60
            for line in lines:
                canvas.setFont(_FONT, min(_SIZE, (A4[0] - 2 * _MARGIN) / (_WIDTH * max(1, len(line)))))
                canvas.drawString(_MARGIN, height, line)
                height -= _LEADING
            canvas.showPage()
    canvas.save()
    return out.getvalue()


def _leaves(lines: list[str], title: str) -> Iterable[list[str]]:
    """The lines of each leaf: one that follows says again what it belongs to."""
    yield lines[:_LINES]
    rest = lines[_LINES:]
    while rest:
        yield [f"{title}, continued", "", *rest[: _LINES - 2]]
        rest = rest[_LINES - 2 :]


_FONT: Final = "Courier"
_SIZE: Final = 9.5  # points; a line that is too long for that is printed smaller
_WIDTH: Final = 0.6  # of a letter of this font, in its size
_MARGIN: Final = 45  # points
_LEADING: Final = 15.0  # points from line to line: room to strike out
_LINES: Final = 49  # of them on a page
