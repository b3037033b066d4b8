"""What portress-clock.service notes is what the daemon reads where it may not ask the kernel itself."""

from __future__ import annotations

import json
import runpy
import time
from pathlib import Path

import pytest

from portress.doctor.probe.clock import ClockState, noted

WRITER = Path(__file__).resolve().parents[2] / "systemd/clock-error"


def test_a_note_of_the_last_minutes_is_believed(tmp_path: Path) -> None:
    note = tmp_path / "clock"
    note.write_text('{"at": 1700000000, "synchronised": true, "error": 0.25}')
    assert noted(note, 1_700_000_100) == ClockState(synchronised=True, error=0.25)


def test_an_old_note_is_not(tmp_path: Path) -> None:
    note = tmp_path / "clock"
    note.write_text('{"at": 1700000000, "synchronised": true, "error": 0.25}')
    assert noted(note, 1_700_001_000) is None


@pytest.mark.parametrize(
    "text", ["", "[]", "7", "{}", '{"at": "now"}', '{"at": 1, "synchronised": 1}', "\x80"]
)
def test_a_damaged_or_missing_note_is_no_note(tmp_path: Path, text: str) -> None:
    note = tmp_path / "clock"
    assert noted(note, 1.0) is None
    note.write_bytes(text.encode("latin-1"))
    assert noted(note, 1.0) is None


def test_the_writer_writes_what_the_reader_reads(tmp_path: Path) -> None:
    note = tmp_path / "clock"
    writer = runpy.run_path(str(WRITER))
    writer["main"].__globals__["read"] = lambda: {
        "at": int(time.time()),
        "synchronised": False,
        "error": 16.0,
    }
    writer["main"](str(note))
    assert noted(note, time.time()) == ClockState(synchronised=False, error=16.0)
    assert note.stat().st_mode & 0o777 == 0o640
    assert set(json.loads(note.read_text())) == {"at", "synchronised", "error"}
