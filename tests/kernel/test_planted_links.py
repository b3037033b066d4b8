"""What the daemon's user can plant where root works: links to files of root's. None is written through."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from lab import daemon, until, world
from lab.portress import Daemon

CONFIG = """\
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 5s}
"""
NOBODY = 65534
SECRET = "root's own\n"
# Runs as the daemon's user: whatever root is about to make there is a link before it can.
_PLANT = """
import contextlib, os, sys, time
names = ("trial", "unguarded", "trial-ended", "last-good", "owed", "clock", "guard.nft", ".trial")
folder, victims = sys.argv[1], sys.argv[2:]
print("planting", flush=True)
turn = 0
while True:
    turn += 1
    for name in names:
        path = os.path.join(folder, name)
        try:
            os.symlink(victims[turn % len(victims)], path)
        except FileExistsError:
            if turn % 5 == 0:
                with contextlib.suppress(FileNotFoundError):  # root has removed it
                    os.unlink(path)
    time.sleep(0.0002)
"""


@contextlib.contextmanager
def _planting(d: Daemon, *victims: Path) -> Iterator[None]:
    """The daemon's user owns the directory of the control socket and plants links there in a loop."""
    d.folder.chmod(0o755)
    os.chown(d.socket.parent, NOBODY, NOBODY)
    words = [sys.executable, "-c", _PLANT, str(d.socket.parent), *map(str, victims)]
    with subprocess.Popen(words, user=NOBODY, group=NOBODY, stdout=subprocess.PIPE, text=True) as planter:
        assert planter.stdout is not None and planter.stdout.readline() == "planting\n"
        try:
            yield
            assert planter.poll() is None, "it stopped planting"
        finally:
            planter.kill()


def test_root_writes_through_no_link_that_the_daemons_user_plants() -> None:
    with world() as w, daemon(w.host, CONFIG, guard=False, start=False) as d:
        kept = d.folder / "kept"
        kept.mkdir(mode=0o700)
        victim, unmade = kept / "victim", kept / "unmade"
        victim.write_text(SECRET)
        victim.chmod(0o600)
        with _planting(d, victim, unmade):
            for _ in range(3):
                d.verb("guard", "--trial", "60s")
                d.verb("guard", "--keep")
                d.verb("guard", "--trial", "60s")
                assert "Guard removed" in d.verb("unguard").stdout
            d.verb("guard", "--trial", "1s")
            until(lambda: not w.host.run(["nft", "list", "tables"]).stdout, 20)
            time.sleep(0.2)
        assert victim.read_text() == SECRET
        assert victim.stat().st_mode & 0o777 == 0o600
        assert [one.name for one in kept.iterdir()] == ["victim"]


def test_a_directory_that_is_not_roots_own_is_refused_in_one_line() -> None:
    with world() as w, daemon(w.host, CONFIG, guard=False, start=False) as d:
        place, elsewhere = d.folder / "run-guard", d.folder / "elsewhere"
        elsewhere.mkdir()
        for plant in (lambda: place.symlink_to(elsewhere), lambda: place.mkdir()):
            plant()
            if not place.is_symlink():
                os.chown(place, NOBODY, NOBODY)
            done = d.verb("guard", "--trial", "60s", check=False)
            assert done.returncode == 1
            assert done.stderr.startswith(f"portress: {place}: ") and done.stderr.count("\n") == 1
            assert not w.host.run(["nft", "list", "tables"]).stdout
            place.unlink() if place.is_symlink() else place.rmdir()
        assert not list(elsewhere.iterdir())
