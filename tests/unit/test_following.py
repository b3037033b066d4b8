"""What the guard decided is noted; where that fails, the daemon goes on and reads the guard again."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from portress.admissions import Grant
from portress.guard.table import GuardError
from portress.knock import Source
from portress.run.follower import MirrorListener


@pytest.mark.parametrize("refused", [True, False])
def test_a_refusal_while_admissions_are_noted_is_told_and_the_guard_read_again(refused: bool) -> None:
    log: list[str] = []

    def opened(grants: list[Grant]) -> None:
        log.append(f"opened {len(grants)}")
        if refused:
            raise GuardError("no such table")

    listener: Any = SimpleNamespace(
        tracker=SimpleNamespace(trie=SimpleNamespace(rotating=())),
        withdraw=lambda claims: None,
        leaving=SimpleNamespace(put_back=lambda grants: None),
        opening=SimpleNamespace(observe=lambda seconds: log.append("observed")),
        _doorkeeper=SimpleNamespace(opened=opened),
        _events=SimpleNamespace(tell=lambda event, text: log.append(f"{event}: {text}")),
        _look_soon=lambda: log.append("look"),
        _clock=lambda: 0,
    )
    grants = [Grant("ssh", Source.parse(f"192.0.2.{number}"), 60) for number in (1, 2)]
    MirrorListener._note_opened(listener, grants)
    told = "warning: 2 sources admitted, but not all noted; reading the guard again: no such table"
    assert log == ["opened 2", *([told, "look"] if refused else []), "observed", "observed"]
