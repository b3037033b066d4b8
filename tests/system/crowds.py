"""Strangers who never stop, and an admitted source that keeps connecting, while something happens."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator

from lab import Namespace, capture, crowd, sender, tcp_state
from system.machine import Machine


class Strangers:
    """SYNs from a crowd of forged sources to the machine's port 22; `answers` after the `with`."""

    def __init__(self) -> None:
        self.sent = 0
        self.answers: list[str] = []  # what came back: a SYN that got through is answered, be it by a reset


@contextlib.contextmanager
def strangers(machine: Machine, port: int = 22, pause: float = 0.003) -> Iterator[Strangers]:
    """Strangers dial the port, about one every `pause` seconds, until the `with` ends."""
    result, stop = Strangers(), threading.Event()
    sources = crowd(512)

    def dial() -> None:
        with sender(machine.stranger) as send:
            while not stop.is_set():
                with contextlib.suppress(OSError):  # the machine's end of the link is down
                    send.syn(sources[result.sent % len(sources)], machine.host4, port)
                    result.sent += 1
                time.sleep(pause)

    with capture(machine.stranger, f"src host {machine.host4} and tcp src port {port}") as taken:
        thread = threading.Thread(target=dial, daemon=True)
        thread.start()
        try:
            yield result
        finally:
            stop.set()
            thread.join(10)
        time.sleep(0.2)
        result.answers = taken.lines()


class Guest:
    """A source that connects over and over; `met` counts what it found: open, closed or filtered."""

    def __init__(self) -> None:
        self.met: dict[str, int] = {}


@contextlib.contextmanager
def guest(machine: Machine, ns: Namespace, port: int = 22, pause: float = 0.05) -> Iterator[Guest]:
    """It connects from `ns`, one SYN each time, until the `with` ends."""
    result, stop = Guest(), threading.Event()

    def dial() -> None:
        while not stop.is_set():
            state = tcp_state(ns, machine.host4, port)
            result.met[state] = result.met.get(state, 0) + 1
            time.sleep(pause)

    thread = threading.Thread(target=dial, daemon=True)
    thread.start()
    try:
        yield result
    finally:
        stop.set()
        thread.join(10)
