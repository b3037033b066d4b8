"""A rich console for what verbs show: colours of our own, but nothing of what it draws steers the terminal.

In: rich's texts and tables. Out: styled lines, unprintable characters escaped (shown.py), no markup.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TextIO

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from portress.shown import shown


class ShownConsole(Console):
    """Writes to `file`, `width` columns wide (None: as wide as the terminal)."""

    def __init__(self, file: TextIO, width: int | None = None) -> None:
        super().__init__(file=file, width=width, highlight=False, markup=False, emoji=False)

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """What rich would draw, escaped: a cursor movement of rich's own is left as it is."""
        for segment in super().render(renderable, options):
            text, style, control = segment
            yield segment if control or text.isprintable() else Segment(shown(text, "\n"), style)
