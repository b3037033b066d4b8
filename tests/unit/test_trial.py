"""A guard on trial: by what is known that the trial which a process waits for is over already."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from portress.run import trial


@pytest.mark.parametrize(
    ("number", "told", "left", "over"),
    [
        ("7-1", "7-1", None, True),  # the daemon is about to take the guard away
        ("7-1", None, "7-1", True),  # it has, and was started again since
        ("7-1", "6-9", "6-9", False),  # those were earlier ones
        ("7-1", None, None, False),  # it died before: the process that waits will do it
        ("", "", "", False),  # begun without a daemon
    ],
)
def test_a_trial_is_over_if_its_own_daemon_says_so(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    number: str,
    told: str | None,
    left: str | None,
    over: bool,
) -> None:
    socket = tmp_path / "control.sock"
    if left is not None:
        trial.ended_file(socket).write_text(left)
    monkeypatch.setattr(trial, "_noted", lambda _: SimpleNamespace(number=number))
    assert trial.is_over(socket, told) is over


def test_without_a_trial_none_is_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trial, "_noted", lambda _: None)
    assert not trial.is_over(tmp_path / "control.sock", "7-1")
