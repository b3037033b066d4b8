"""A capture of a million packets through `portress trace`: packets a second and peak memory.

One packet in a hundred is a knock of one of 500 sources; the rest is what else a host sees: connections to
a public port, and noise at random ports from sources that come once.
"""

from __future__ import annotations

import contextlib
import random
import re
import struct
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from benchmarks.figures import Figure
from benchmarks.hosts import PROGRAM, RIGHT, doors
from lab.packets import knock, syn, tcp
from lab.space import LabError, scratch
from lab.worlds import World, crowd

SUBJECT: Final = "A capture through trace"
MANY, FEW = 1_000_000, 10_000


def measure(quick: bool) -> Iterator[Figure]:
    many = MANY // 5 if quick else MANY
    with scratch() as folder:
        config = folder / "portress.yaml"
        config.write_text(doors())
        config.chmod(0o600)
        for name, count in (("few", FEW), ("many", many)):
            _write(folder / f"{name}.pcap", count)
        few = _run([PROGRAM, "trace", "--config", str(config), "--json", str(folder / "few.pcap")])
        took, peak = _run([PROGRAM, "trace", "--config", str(config), "--json", str(folder / "many.pcap")])
        plain, plain_peak = _run(
            ["tcpdump", "-nn", "-r", str(folder / "many.pcap"), "-w", "/dev/null", "tcp or udp"]
        )
        size = (folder / "many.pcap").stat().st_size / 1e6
        yield Figure(
            SUBJECT,
            f"{count:,} packets ({size:.0f} MB), packets a second",
            count / took,
            "",
            count / plain,
            "tcpdump reading and writing it",
        )
        yield Figure(
            SUBJECT,
            f"{count:,} packets, peak memory",
            peak,
            "MB",
            few[1],
            f"{FEW:,} packets",
            note=f"tcpdump: {plain_peak:.0f} MB",
        )


def _write(path: Path, count: int) -> None:
    """A capture in the pcap format (little-endian, microseconds, Ethernet)."""
    dice = random.Random(3)  # noqa: S311 — noise, not secrets
    host, sources = World.host4, crowd(500)
    noise = [
        syn(
            f"{dice.randrange(1, 223)}.{dice.randrange(256)}.1.{dice.randrange(256)}",
            host,
            dice.randrange(1, 65536),
        )
        for _ in range(2000)
    ]
    stream = [tcp(sources[n % 500], host, 80, 40000, flags=0x10) for n in range(500)]
    right = [knock(source, host, text) for text in RIGHT for source in sources]
    frames = [bytes(12) + b"\x08\x00" + packet for packet in (*noise, *stream, *right)]
    with path.open("wb") as out:
        out.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1))
        for number in range(count):
            if number % 100 == 99:
                frame = frames[2500 + number // 100 % 1500]
            else:
                frame = frames[dice.randrange(2500)]
            seconds, micro = divmod(number * 100, 1_000_000)
            out.write(struct.pack("<IIII", 1_800_000_000 + seconds, micro, len(frame), len(frame)) + frame)


def _run(command: list[str]) -> tuple[float, float]:
    """Run it; seconds it took, and its peak resident memory in MB.

    The peak is read from the running process: what wait4(2) tells counts what its parent held before it.
    """
    begun, peak = time.perf_counter(), 0
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=said)
        while process.poll() is None:
            with contextlib.suppress(OSError):
                found = re.search(
                    r"^VmHWM:\s*(\d+)", Path(f"/proc/{process.pid}/status").read_text(), re.MULTILINE
                )
                peak = max(peak, int(found[1]) if found is not None else 0)
            time.sleep(0.002)
        took = time.perf_counter() - begun
        if process.returncode:
            said.seek(0)
            raise LabError(f"{' '.join(command)}: {said.read().decode(errors='replace')}")
    return took, peak * 1024 / 1e6
