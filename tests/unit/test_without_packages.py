"""In a plain virtual environment, where the distribution's bindings are not to be seen."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

HIDDEN = """
import sys
for name in ("nftables", "systemd", "systemd.daemon", "systemd.journal"):
    sys.modules[name] = None  # as if it were not installed: importing it raises ModuleNotFoundError
sys.argv[0] = "portress"
from portress.commands import main
sys.exit(main())
"""


@pytest.mark.parametrize(
    ("verb", "package"), [("guard", "nftables"), ("run", "nftables"), ("doctor", "nftables")]
)
def test_a_verb_names_the_missing_package_in_one_line(verb: str, package: str, tmp_path: Path) -> None:
    file = tmp_path / "portress.yaml"
    file.write_text(
        "doors:\n  ssh:\n    services: [tcp/22]\n    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}\n"
    )
    file.chmod(0o600)
    words = [sys.executable, "-c", HIDDEN, verb, "--config", str(file)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60)
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert f"apt install python3-{package}" in line and "--system-site-packages" in line


@pytest.mark.parametrize("verb", ["check", "strength"])
def test_what_needs_no_kernel_works_all_the_same(verb: str, tmp_path: Path) -> None:
    file = tmp_path / "portress.yaml"
    file.write_text(
        "doors:\n  ssh:\n    services: [tcp/22]\n    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}\n"
    )
    file.chmod(0o600)
    words = [sys.executable, "-c", HIDDEN, verb, "--config", str(file)]
    assert subprocess.run(words, capture_output=True, timeout=60).returncode == 0
