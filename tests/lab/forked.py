"""The program in processes forked from one that has it loaded: loading costs more than most of the work.

    done = finished(ns.path, ["status", "--json"], text=None, timeout=30)

Each process of the tests has one server, started with the first call, which forks for each and ends with the
tests. A forked process is the program as `portress` starts it, but for its loading: its own session, network
namespace, environment, directory and standard streams, no other descriptor, the entry point `main()`. Only
/proc shows the server's command line and environment. With LAB_EXEC=1 in the environment all of them are
started by their file, as in the machines of tests/system.
"""

from __future__ import annotations

import array
import contextlib
import ctypes
import faulthandler
import gc
import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
import zoneinfo
from collections.abc import Mapping, Sequence
from importlib import import_module
from pathlib import Path
from typing import IO, Any, Final

_CLONE_NEWNET: Final = 0x40000000
_LOADED: Final = (
    "portress.run.daemon",
    "portress.status.screen",
    "portress.doctor.examine",
    "portress.why.screen",
)
_lock = threading.Lock()


class Forked:
    """One such process, as subprocess.Popen would have it. `pid`, `returncode`, `stdout`."""

    def __init__(self, pid: int, end: int, stdout: IO[str] | None) -> None:
        self.pid = pid
        self.returncode: int | None = None
        self.stdout = stdout
        self._end = end  # the server writes its exit status there

    def poll(self) -> int | None:
        """Its exit status; None as long as it runs."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.wait(0)
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end; its exit status. Raises subprocess.TimeoutExpired."""
        with _lock:
            if self.returncode is not None:
                return self.returncode
        if not select.select([self._end], [], [], timeout)[0]:
            raise subprocess.TimeoutExpired(["portress"], timeout or 0)
        with _lock:
            if self.returncode is None:
                said = os.read(self._end, 64)
                os.close(self._end)
                self.returncode = int(said) if said else -signal.SIGKILL
            return self.returncode

    def send_signal(self, number: int) -> None:
        """Send it a signal, if it still runs."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        """SIGTERM."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """SIGKILL."""
        self.send_signal(signal.SIGKILL)


class _Server:
    """The process that has the program loaded, and the way to it."""

    def __init__(self) -> None:
        self._mine, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        words = [sys.executable, "-P", str(Path(__file__)), str(theirs.fileno())]
        paths = os.pathsep.join(sys.path)
        environment = {**os.environ, "PYTHONPATH": paths}
        self._process = subprocess.Popen(
            words,
            pass_fds=[theirs.fileno()],
            env=environment,
            stdin=subprocess.DEVNULL,
            start_new_session=True,  # Ctrl-C is for those that are forked, and for the tests
        )
        self._turn = threading.Lock()
        theirs.close()

    def start(self, request: dict[str, Any], descriptors: list[int]) -> int:
        """Have a process started; its pid. Raises OSError if the server is gone."""
        data = json.dumps(request).encode()
        rights = [(socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", descriptors))]
        with self._turn:
            self._mine.sendmsg([data], rights)
            answer = self._mine.recv(64)
        if not answer:
            raise OSError("the server of forked processes is gone")
        return int(answer)


_servers: dict[int, _Server] = {}


def _server() -> _Server:
    with _lock:
        if os.getpid() not in _servers:
            _servers.clear()
            _servers[os.getpid()] = _Server()
        return _servers[os.getpid()]


def started(
    namespace: Path,
    words: Sequence[str],
    stdin: int,
    stdout: int,
    stderr: int,
    ahead: float = 0.0,
    environment: Mapping[str, str] | None = None,
) -> tuple[int, int]:
    """Start `portress WORDS` in a network namespace with these standard streams: its pid, and the descriptor
    from which its exit status can be read once. Its wall clock is `ahead` seconds ahead, its environment this
    process's if none is given."""
    end, told = os.pipe2(os.O_CLOEXEC)
    there = os.open(namespace, os.O_RDONLY | os.O_CLOEXEC)
    try:
        given = dict(os.environ if environment is None else environment)
        request = {"words": list(words), "environment": given, "directory": os.getcwd()}
        request["ahead"] = ahead
        return _server().start(request, [stdin, stdout, stderr, there, told]), end
    finally:
        os.close(there)
        os.close(told)


def piped(namespace: Path, words: Sequence[str], ahead: float = 0.0) -> Forked:
    """Start `portress WORDS` with no input and all its output at `stdout`, as text. Its wall clock is `ahead`
    seconds ahead."""
    out, there = os.pipe2(os.O_CLOEXEC)
    nothing = os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC)
    try:
        pid, end = started(namespace, words, nothing, there, there, ahead)
    finally:
        os.close(there)
        os.close(nothing)
    return Forked(pid, end, os.fdopen(out, "r", buffering=1))


def finished(
    namespace: Path, words: Sequence[str], *, text: str | None, timeout: float
) -> subprocess.CompletedProcess[str]:
    """Run `portress WORDS` to its end. Raises subprocess.TimeoutExpired; then it is killed."""
    out, out_there = os.pipe2(os.O_CLOEXEC)
    err, err_there = os.pipe2(os.O_CLOEXEC)
    given, mine = (None, None) if text is None else os.pipe2(os.O_CLOEXEC)
    if given is None:
        given = os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC)
    try:
        pid, end = started(namespace, words, given, out_there, err_there)
    finally:
        for one in (given, out_there, err_there):
            os.close(one)
    process = Forked(pid, end, None)
    if mine is not None:
        assert text is not None
        _give(mine, text.encode())
    until = time.monotonic() + timeout
    left = {out, err}
    said = {out: b"", err: b""}
    while left:
        ready = select.select(list(left), [], [], max(0.0, until - time.monotonic()))[0]
        if not ready:
            process.kill()
            for one in (out, err):
                os.close(one)
            raise subprocess.TimeoutExpired(["portress", *words], timeout, said[out], said[err])
        for one in ready:
            data = os.read(one, 1 << 16)
            said[one] += data
            if not data:
                left.discard(one)
    for one in (out, err):
        os.close(one)
    code = process.wait(max(0.1, until - time.monotonic()))
    command = ["portress", *words]
    return subprocess.CompletedProcess(command, code, said[out].decode(), said[err].decode())


def _give(descriptor: int, data: bytes) -> None:
    def write() -> None:
        with contextlib.suppress(BrokenPipeError), open(descriptor, "wb") as file:
            file.write(data)

    threading.Thread(target=write, daemon=True).start()


# The server


def _serve(channel: socket.socket) -> None:
    """Fork for each request, and tell each one's end, until the tests are over."""
    from portress.commands import VERBS

    for name in (*(f"portress.commands.{verb}" for verb in VERBS), *_LOADED):
        import_module(name)
    gc.collect()
    gc.freeze()
    ends: dict[int, int] = {}
    woken, waker = os.pipe2(os.O_CLOEXEC | os.O_NONBLOCK)
    signal.set_wakeup_fd(waker, warn_on_full_buffer=False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    while True:
        ready = select.select([channel, woken], [], [])[0]
        if woken in ready:
            os.read(woken, 4096)
            _tell(ends)
        if channel in ready:
            data, descriptors, _, _ = socket.recv_fds(channel, 1 << 20, 5)
            if not data:
                return
            pid = os.fork()
            if pid == 0:
                _become(json.loads(data), descriptors)
            ends[pid] = descriptors[4]
            for one in descriptors[:4]:
                os.close(one)
            channel.send(str(pid).encode())


def _tell(ends: dict[int, int]) -> None:
    with contextlib.suppress(ChildProcessError):
        while True:
            pid, status = os.waitpid(-1, os.WNOHANG)
            if not pid:
                return
            with contextlib.suppress(OSError):
                os.write(ends[pid], str(os.waitstatus_to_exitcode(status)).encode())
            os.close(ends.pop(pid))


def _become(request: dict[str, Any], descriptors: list[int]) -> None:
    """This process is `portress` from now on. Does not return."""
    code = 1
    try:
        signal.set_wakeup_fd(-1)
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        os.setsid()
        if ctypes.CDLL(None, use_errno=True).setns(descriptors[3], _CLONE_NEWNET):
            raise OSError(ctypes.get_errno(), "setns")
        for number, one in enumerate(descriptors[:3]):
            os.dup2(one, number)
        faulthandler.enable(2)
        os.closerange(3, max(64, *descriptors) + 1)
        os.chdir(request["directory"])
        os.environ.clear()
        os.environ.update(request["environment"])
        zoneinfo.reset_tzpath()
        if request["ahead"]:
            time.time = lambda true=time.time: true() + request["ahead"]
        words = [str(Path(sys.prefix, "bin", "portress")), *request["words"]]
        sys.argv = words
        sys.stdin, sys.stdout, sys.stderr = (os.fdopen(one, mode) for one, mode in enumerate("rww"))
        from portress.commands import main

        code = main()
    except SystemExit as done:
        code = done.code if isinstance(done.code, int) else int(done.code is not None)
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        with contextlib.suppress(BaseException):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    _serve(socket.socket(fileno=int(sys.argv[1])))
