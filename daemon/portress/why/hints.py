"""What would have been right: follows the knocks that one source gets right in a row. Pure.

In: knocks with their verdicts, and the sequences in force. Out: a `Hint` for the words of a verdict.
"""

from __future__ import annotations

from portress.knock import UNSURE
from portress.sequence.trie import Node, Trie
from portress.verdict import (
    Advanced,
    Closed,
    Completed,
    Doubted,
    Echoed,
    Expired,
    Lapsed,
    Left,
    Missed,
    Repeated,
    Replayed,
    Verdict,
)
from portress.verdict_words import Hint


class Run:
    """Follows the knocks one source gets right in a row; `path` is None where they are not known."""

    __slots__ = ("path",)

    def __init__(self) -> None:
        self.path: tuple[int, ...] | None = None

    def follow(self, knock: int, verdict: Verdict | Expired) -> None:
        """Take note of the next knock and what came of it."""
        if isinstance(verdict, Advanced):
            if verdict.stage == 1:
                self.path = (knock,)
            elif self.path is not None:
                self.path = (*self.path, knock) if len(self.path) == verdict.stage - 1 else None
        elif isinstance(verdict, Missed | Lapsed):
            self.path = (knock,) if verdict.anew else ()
        elif isinstance(verdict, Completed | Closed | Left | Replayed | Doubted | Echoed):
            self.path = None if self.path is None else (*self.path, knock)
        elif not isinstance(verdict, Repeated):
            self.path = ()

    def hint(self, trie: Trie, knock: int, verdict: Verdict) -> Hint:
        """For a verdict not followed yet: what was expected by the sequences in `trie`."""
        if knock == UNSURE:
            return Hint(unsure=True)
        if not isinstance(verdict, Missed) or self.path is None or len(self.path) != verdict.stage:
            return Hint(knock)
        node = trie.at(self.path)
        if node is None:
            return Hint(knock)
        return Hint(knock, tuple(node.children), early=_beyond(node, knock))


def _beyond(node: Node, knock: int) -> bool:
    """Whether the knock belongs to a sequence that goes on from there."""
    return any(knock in one.sequence.knocks for one in node.beyond())
