"""scripts/demo cleans up after itself, however it is stopped."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from lab.portress import REPOSITORY
from lab.space import PREFIX


def test_a_demo_that_is_stopped_twice_over_leaves_nothing_behind() -> None:
    command = [sys.executable, "-u", str(REPOSITORY / "scripts/demonstrate.py")]
    demo = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    )
    assert demo.stdout is not None
    told = []
    for line in demo.stdout:
        told.append(line)
        if line.startswith("2. "):
            break
    # As a terminal does it: to all programs of the demo, and once more by an impatient hand.
    os.killpg(demo.pid, signal.SIGINT)
    time.sleep(0.05)
    demo.send_signal(signal.SIGINT)
    told += demo.communicate(timeout=60)[0].splitlines()
    text = "\n".join(told)
    assert demo.returncode == 130, text
    assert told[-1] == "Stopped; everything is cleaned up." and "Traceback" not in text
    mine = f"{PREFIX}{demo.pid}-*"
    assert not [*Path("/run/netns").glob(mine), *Path(tempfile.gettempdir()).glob(mine)]


def test_where_proc_sys_is_read_only_it_says_so_in_one_line() -> None:
    """As in most containers: nothing is begun, and nothing is left behind."""
    script = "mount --bind /proc/sys /proc/sys && mount -o remount,ro,bind /proc/sys && exec scripts/demo"
    words = ["unshare", "--mount", "--net", "sh", "-c", script]
    done = subprocess.run(words, cwd=REPOSITORY, capture_output=True, text=True, timeout=120)
    assert done.returncode == 1
    (line,) = done.stderr.strip().splitlines()
    assert line.startswith("The demo cannot run here: it needs a writable /proc/sys")


def test_the_demo_of_a_fleet_ends_as_expected() -> None:
    command = [sys.executable, "-u", str(REPOSITORY / "scripts/demonstrate_fleet.py")]
    demo = subprocess.run(command, capture_output=True, text=True, timeout=150)
    assert demo.returncode == 0, demo.stdout + demo.stderr
    assert "All 6 steps as expected" in demo.stdout and "Traceback" not in demo.stdout + demo.stderr
