"""What is done about a sequence that was right and yet opens nothing, for its door is closed at this hour.

In: the verdict, and what of it was closed. Out: which uses have to be noted all the same.
"""

from __future__ import annotations

from collections.abc import Collection

from portress.knock import Expected
from portress.verdict import Closed, Completed


def used_up(judged: Completed | Closed, shut: Collection[Expected]) -> list[Expected]:
    """Of each secret in `shut` one sequence, unless another of it opens a door anyway.

    What is closed is used up like any other: who listens must not be able to repeat it when the door opens.
    """
    opening = {one.claim for one in judged.openings} if isinstance(judged, Completed) else set()
    return [*{one.claim: one for one in shut if one.step is not None and one.claim not in opening}.values()]
