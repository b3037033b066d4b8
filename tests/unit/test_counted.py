"""The guard's counters are asked over one socket, and over another after it has gone wrong."""

from __future__ import annotations

import threading
from types import SimpleNamespace
from typing import Any

import pytest

from portress.guard import table as module
from portress.guard.report import FULL
from portress.guard.table import GuardError, Table


def test_after_an_answer_that_does_not_come_another_socket_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    """What comes late is no answer to the next question."""
    asked: list[tuple[str, Any]] = []
    closed: list[str] = []
    first: Any = SimpleNamespace(close=lambda: closed.append("first"))
    second: Any = SimpleNamespace(close=lambda: closed.append("second"))

    def counted(name: str, netfilter: Any) -> int:
        asked.append((name, netfilter))
        if netfilter is first:
            raise TimeoutError("timed out")
        return 7

    monkeypatch.setattr(module.listing, "counted", counted)
    monkeypatch.setattr(module, "Netfilter", lambda: second)
    table = Table.__new__(Table)
    table._questions, table._asking = first, threading.Lock()
    with pytest.raises(GuardError):
        table.counted("untold")
    assert closed == ["first"]
    assert table.counted("untold") == 7 and table.found_no_room() == 7
    assert asked == [("untold", first), ("untold", second), (FULL, second)]
