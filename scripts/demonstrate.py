"""The main job, step by step, on a real kernel: `scripts/demo` runs it.

Each step does one thing, says what it observed, and compares that with what was expected. The exit status
is 0 only if every observation was the expected one. Everything is in namespaces that are removed at the end.
"""

# ruff: noqa: E402
from __future__ import annotations

import signal

signal.signal(signal.SIGINT, signal.SIG_DFL)  # so early there is nothing to clean up, and nothing to tell

import contextlib
import os
import select
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from lab.portress import Daemon, daemon
from lab.probe import tcp_state
from lab.space import LabError, Namespace
from lab.ssh import Sshd, sshd
from lab.worlds import World, world

STAY = 10  # seconds: short, for the demo
CONFIG = f"""\
watch: packet
closed: alike
doors:
  ssh:
    services: [tcp/22]
    stay: {STAY}s
    linger: true
    fixed: {{knocks: [tcp/4617, udp/2953, tcp/6381], gap: 5s}}
"""
RIGHT = ["tcp/4617", "udp/2953", "tcp/6381"]
WRONG = ["tcp/4617", "tcp/6381", "udp/2953"]
CLIENT = Path(__file__).resolve().parent / "portress-knock"
HOST = World.host4


class Show:
    """Prints the steps and remembers whether all went as expected."""

    def __init__(self) -> None:
        self.number = 0
        self.wrong: list[str] = []
        colour = sys.stdout.isatty()
        self._bold, self._green, self._red, self._dim, self._end = (
            ("\033[1m", "\033[32m", "\033[31m", "\033[2m", "\033[0m") if colour else ("",) * 5
        )

    def step(self, text: str) -> None:
        """Begin a step."""
        self.number += 1
        print(f"\n{self._bold}{self.number}. {text}{self._end}", flush=True)

    def expect(self, text: str, observed: object, wanted: object) -> None:
        """Say what was observed; it was expected if it is `wanted`."""
        good = observed == wanted
        mark = f"{self._green}as expected" if good else f"{self._red}NOT EXPECTED, wanted {wanted}"
        print(f"   {text}: {observed}   [{mark}{self._end}]", flush=True)
        if not good:
            self.wrong.append(f"step {self.number}: {text}: {observed}, wanted {wanted}")

    def quote(self, text: str) -> None:
        """What a command printed."""
        for line in text.rstrip().splitlines():
            print(f"   {self._dim}│ {line}{self._end}", flush=True)


def port_22(ns: Namespace) -> str:
    return tcp_state(ns, HOST, 22)


def knock(ns: Namespace, knocks: list[str]) -> None:
    ns.run([sys.executable, "-I", str(CLIENT), "--to", HOST, *knocks])
    time.sleep(0.2)


def nmap(ns: Namespace, *words: str) -> str:
    """What nmap prints of its ports, without the lines about itself."""
    done = ns.run(["nmap", "-n", "-Pn", *words, HOST], timeout=120)
    return done.stdout


def nmap_look(printed: str, port: str) -> str:
    """What nmap says of a port, as `22/tcp`: its state, and by what answer it knows it (--reason)."""
    words = next((line.split() for line in printed.splitlines() if line.startswith(f"{port} ")), [])
    return f"{words[1]}, {words[3]}" if len(words) > 3 else "not shown"


def wait_until(true: Callable[[], bool], seconds: float) -> bool:
    until = time.monotonic() + seconds
    while not true():
        if time.monotonic() > until:
            return False
        time.sleep(0.1)
    return True


def answer(session: subprocess.Popen[str], line: str) -> str:
    """What the far end of an ssh session makes of a line within 10 s."""
    assert session.stdin is not None and session.stdout is not None
    with contextlib.suppress(BrokenPipeError):
        session.stdin.write(f"{line}\n")
    heard, _, _ = select.select([session.stdout], [], [], 10)
    return (session.stdout.readline().strip() if heard else "") or "nothing"


def a_stranger(show: Show, w: World) -> None:
    show.step("A stranger finds the port of the OpenSSH server closed, like any other port")
    show.expect("port 22, by a plain connection", port_22(w.stranger), "closed")
    printed = nmap(w.stranger, "-sS", "--reason", "-p", "22,23,4617,6381,6382")
    show.quote("\n".join(line for line in printed.splitlines() if "/tcp" in line))
    looks = {nmap_look(printed, f"{port}/tcp") for port in (22, 23, 4617, 6381, 6382)}
    show.expect("port 22, the knock ports and ports beside them", ", ".join(sorted(looks)), "closed, reset")


def wrong_order(show: Show, w: World) -> None:
    show.step("The right knocks in the wrong order leave it closed")
    knock(w.stranger, WRONG)
    show.expect("port 22", port_22(w.stranger), "closed")


def sweep(show: Show, w: World) -> None:
    show.step("A sweep of every TCP port, and of UDP ports near the knocks, does not open it")
    begun = time.monotonic()
    nmap(w.stranger, "-sS", "-p-", "-T5", "--max-retries", "1")
    nmap(w.stranger, "-sU", "-p", "2900-2999", "-T5", "--max-retries", "0", "--host-timeout", "8s")
    print(f"   nmap took {time.monotonic() - begun:.1f} s")
    show.expect("port 22", port_22(w.stranger), "closed")


def right_knocks(show: Show, w: World, server: Sshd, d: Daemon) -> None:
    show.step("The right knocks open it, and ssh logs in with a key")
    time.sleep(0.3)
    knock(w.stranger, RIGHT)
    begun = time.monotonic()
    done = server.ssh(w.stranger, HOST, "echo", "logged in from ${SSH_CLIENT%% *}")
    show.expect("ssh says", done.stdout.strip() or done.stderr.strip(), f"logged in from {w.stranger4}")
    print(f"   the login took {time.monotonic() - begun:.2f} s")
    show.quote(d.verb("status").stdout)


def another(show: Show, w: World) -> None:
    show.step("Another address still finds it closed")
    show.expect(f"port 22 for {w.another4}", port_22(w.another), "closed")


def the_end_of_the_stay(show: Show, w: World, server: Sshd, d: Daemon) -> None:
    show.step(f"The stay ends after {STAY} s: no new connections, but the session continues")
    session = server.session(w.stranger, HOST)
    try:
        show.expect("the established session answers", answer(session, "before"), "before")
        ended = wait_until(lambda: not d.status()["admissions"], STAY + 5)
        show.expect("the admission", "ended" if ended else "still in force", "ended")
        show.expect("port 22, a new connection", port_22(w.stranger), "closed")
        show.expect("the established session answers", answer(session, "after"), "after")
    finally:
        session.kill()
        session.wait()
    show.quote(d.verb("status").stdout)


@contextlib.contextmanager
def stoppable() -> Iterator[None]:
    """SIGTERM and SIGHUP end it as Ctrl-C does: everything is cleaned up, whatever signals follow."""
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)

    def stop(number: int, _frame: object) -> None:
        for each in numbers:
            signal.signal(each, signal.SIG_IGN)
        raise KeyboardInterrupt(signal.Signals(number).name)

    for number in numbers:
        signal.signal(number, stop)
    yield


def wanting() -> str | None:
    """What this machine lacks for the demo, in one line; None if nothing."""
    if os.geteuid() != 0:
        return "it needs root: sudo scripts/demo"
    if not os.access("/proc/sys/net/ipv4/ip_forward", os.W_OK):
        return (
            "it needs a writable /proc/sys, for the settings of its own network namespaces: run it on the"
            " host, or in a container started with --privileged"
        )
    return None


def main() -> int:
    if (lack := wanting()) is not None:
        print(f"The demo cannot run here: {lack}", file=sys.stderr)
        return 1
    show = Show()
    begun = time.monotonic()
    print("Portress: guarded ports are closed to everyone; who knocks right is let in.")
    print("A stranger, a host with OpenSSH, another stranger: three network namespaces.")
    try:
        with stoppable(), world() as w, sshd(w.host) as server, daemon(w.host, CONFIG) as d:
            show.quote(CONFIG)
            a_stranger(show, w)
            wrong_order(show, w)
            sweep(show, w)
            right_knocks(show, w, server, d)
            another(show, w)
            the_end_of_the_stay(show, w, server, d)
            print("\nThe daemon's log:")
            show.quote(d.log)
    except KeyboardInterrupt:
        print("\nStopped; everything is cleaned up.")
        return 130
    except LabError as error:
        print(f"\nThe demo cannot continue: {error}")
        return 1
    print()
    if show.wrong:
        print("NOT as expected:\n" + "\n".join(show.wrong))
        return 1
    print(f"All {show.number} steps as expected, in {time.monotonic() - begun:.0f} s. All is cleaned up.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
