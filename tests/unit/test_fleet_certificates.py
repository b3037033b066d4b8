"""The certificates that shared/doc/fleet.md makes are accepted by Debian 13's Python, too.

Judged by OpenSSL's own strict check (openssl-verify(1), -x509_strict; RFC 5280), which Python 3.13 makes its
default (ssl.VERIFY_X509_STRICT).
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

from lab.etcd import certificates

PAGE = Path(__file__).resolve().parents[2] / "shared/doc/fleet.md"


def _accepted(folder: Path, name: str) -> None:
    words = ["openssl", "verify", "-x509_strict", "-CAfile", "ca.pem", "-purpose", "sslserver", name]
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True, timeout=30)
    assert done.returncode == 0, done.stdout + done.stderr


def test_those_of_the_page(tmp_path: Path) -> None:
    (block,) = [one for one in re.findall(r"```sh\n(.*?)```", PAGE.read_text(), re.DOTALL) if "sign()" in one]
    subprocess.run(["sh", "-ec", block], cwd=tmp_path, check=True, capture_output=True, timeout=60)
    for name in ("store-1.pem", "edge-1.pem"):
        _accepted(tmp_path, name)


def test_those_of_the_tests(tmp_path: Path) -> None:
    certificates(tmp_path, "gateway")
    _accepted(tmp_path, "gateway.pem")
