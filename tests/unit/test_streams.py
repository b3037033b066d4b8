"""Verbs whose standard streams are closed, full or read by nobody: a line at most, never a traceback."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from unit.config_texts import DOORS

PORTRESS = f"{sys.executable} -c 'from portress.commands import main; raise SystemExit(main())'"


def shell(place: Path, words: str) -> subprocess.CompletedProcess[str]:
    """A command line with `portress` in it, run where a right configuration stands."""
    (place / "portress.yaml").write_text(DOORS)
    (place / "portress.yaml").chmod(0o600)
    line = f'set -o pipefail; portress() {{ {PORTRESS} "$@"; }}; {words}'
    return subprocess.run(["bash", "-c", line], cwd=place, capture_output=True, text=True, timeout=60)


@pytest.mark.parametrize("verb", ["check", "rules", "keyholders", "strength", "check --help"])
def test_a_full_disk_is_one_line(verb: str, tmp_path: Path) -> None:
    done = shell(tmp_path, f"portress {verb} --config portress.yaml >/dev/full")
    assert (done.returncode, done.stderr) == (1, "portress: No space left on device\n")


@pytest.mark.parametrize("verb", ["check", "rules", "keyholders", "strength", "check --help"])
def test_a_closed_standard_output_is_nobody_who_listens(verb: str, tmp_path: Path) -> None:
    done = shell(tmp_path, f"portress {verb} --config portress.yaml >&-")
    # There are no keyholders.
    assert (done.returncode, done.stderr) == (int(verb == "keyholders"), "")


def test_a_reader_that_has_enough_ends_a_verb_quietly(tmp_path: Path) -> None:
    done = shell(tmp_path, "portress rules --config portress.yaml | true")
    assert done.stderr == ""


def test_a_root_without_devices_is_no_obstacle(tmp_path: Path) -> None:
    """As in a chroot that is being made; here only the name of the null device leads nowhere."""
    program = (
        "import os; os.devnull = '/nowhere/null'\n"
        "from portress.commands import main; raise SystemExit(main())"
    )
    words = [sys.executable, "-c", program, "--version"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "") and done.stdout.startswith("portress ")
