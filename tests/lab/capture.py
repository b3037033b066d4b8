"""What was on the wire: tcpdump into a file."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from lab.space import LabError, Namespace, scratch


class Capture:
    """A running capture. Its file is complete after `stop()` or, with a path of its own, after the `with`."""

    def __init__(self, path: Path, process: subprocess.Popen[str]) -> None:
        self.path = path
        self._process = process

    def stop(self) -> Path:
        """End the capture, all packets so far written. Safe to call twice."""
        if self._process.poll() is None:
            # Packets reach the capture by a soft interrupt: those sent just now are about to.
            time.sleep(0.1)
            self._process.send_signal(signal.SIGINT)
            self._process.wait(10)
        return self.path

    def lines(self) -> list[str]:
        """Ends the capture; one line of text a packet, as `tcpdump -nn` prints it."""
        words = ["tcpdump", "-nn", "-r", str(self.stop())]
        return subprocess.run(words, capture_output=True, text=True, check=True).stdout.splitlines()


@contextlib.contextmanager
def capture(
    ns: Namespace, expression: str = "", *, device: str = "eth0", path: Path | None = None
) -> Iterator[Capture]:
    """Capture what passes `device` (or `any`) and fits the pcap-filter `expression`; on when this returns."""
    with scratch() as folder:
        target = path or folder / "capture.pcap"
        words = ["tcpdump", "-i", device, "-nn", "-U", "--immediate-mode", "-Z", "root", "-w", str(target)]
        # In immediate mode the kernel's buffer holds as many packets as whole snap lengths fit in.
        words += ["-s", "2048", "-B", "32768"]
        process = ns.popen([*words, *expression.split()], stderr=subprocess.PIPE)
        try:
            assert process.stderr is not None
            said = []
            for line in process.stderr:
                said.append(line)
                if "listening on" in line:
                    break
            else:
                raise LabError(f"tcpdump did not start: {''.join(said)}")
            threading.Thread(target=process.stderr.read, daemon=True).start()
            taken = Capture(target, process)
            yield taken
            taken.stop()
        finally:
            process.kill()
            process.wait(10)
