"""Network namespaces and the links between them, as context managers.

A name begins with `pt-PID-`, PID being the process that made it: that is how what a killed run left behind is
told from what another run is using.
"""

from __future__ import annotations

import array
import contextlib
import ctypes
import errno
import fcntl
import itertools
import os
import shutil
import signal
import socket
import struct
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from ipaddress import IPv6Address
from pathlib import Path
from types import TracebackType
from typing import Any, Final, ParamSpec, TypeVar

from lab import forked
from lab.forked import Forked

NEEDS_ROOT: Final = "tests in network namespaces need root: run them as root, or tests/unit alone without"
PREFIX: Final = "pt-"
_CLONE_NEWNET: Final = 0x40000000  # linux/sched.h
_SIOCSIFFLAGS: Final = 0x8914  # linux/sockios.h
_SIOCGIFHWADDR: Final = 0x8927
_SIOCETHTOOL: Final = 0x8946
_ETHTOOL_GLINK: Final = 0x0A  # linux/ethtool.h
_IFF_UP: Final = 1  # linux/if.h
_RTF_LOCAL: Final = 0x80000000  # linux/ipv6_route.h
_MS_BIND: Final = 0x1000  # linux/mount.h
_MNT_DETACH: Final = 2
_NAMES: Final = Path("/run/netns")

P = ParamSpec("P")
T = TypeVar("T")

_libc = ctypes.CDLL(None, use_errno=True)
_serial = itertools.count(1)
_swept = threading.Event()


class LabError(Exception):
    """Something in the laboratory itself did not work; the text says what."""


def _command(command: Sequence[str], *, text: str | None = None) -> str:
    done = subprocess.run(command, input=text, capture_output=True, text=True, timeout=30)
    if done.returncode:
        raise LabError(f"{' '.join(command)}: {done.stderr.strip() or done.returncode}\n{text or ''}")
    return done.stdout


def _setns(fd: int) -> None:
    if _libc.setns(fd, _CLONE_NEWNET):
        raise LabError(f"setns: {os.strerror(ctypes.get_errno())}")


class _Started(subprocess.Popen[str]):
    """Nobody waits for it whose `with` ends with an exception."""

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None:
            self.kill()
        super().__exit__(kind, value, trace)


class Namespace:
    """One network namespace: loopback up, no reverse-path filter, no duplicate address detection."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._started: list[subprocess.Popen[str] | Forked] = []

    def __repr__(self) -> str:
        return f"Namespace({self.name!r})"

    @property
    def path(self) -> Path:
        """The file that stands for the namespace, as for `nsenter --net=`."""
        return _NAMES / self.name

    def _inside(self, command: Sequence[str]) -> list[str]:
        return ["ip", "netns", "exec", self.name, *map(str, command)]

    def run(
        self, command: Sequence[str], *, check: bool = True, text: str | None = None, timeout: float = 30
    ) -> subprocess.CompletedProcess[str]:
        """Run a program to its end (at most `timeout` seconds). With `check`, LabError if it fails."""
        done = subprocess.run(
            self._inside(command),
            input=text,
            stdin=subprocess.DEVNULL if text is None else None,
            capture_output=True,
            text=True,
            timeout=timeout,
        )
        if check and done.returncode:
            what = f"{' '.join(map(str, command))} in {self.name}: exit {done.returncode}"
            raise LabError(f"{what}\n{done.stdout}{done.stderr}")
        return done

    def popen(self, command: Sequence[str], **options: Any) -> subprocess.Popen[str]:
        """Start a program; it is killed, with its children, when the namespace goes.

        `options` are Popen's; without them there is no input and all output goes nowhere.
        """
        for stream in ("stdin", "stdout", "stderr"):
            options.setdefault(stream, subprocess.DEVNULL)
        process = _Started(self._inside(command), text=True, start_new_session=True, **options)
        self._started.append(process)
        return process

    def forked(self, words: Sequence[str], ahead: float = 0.0) -> Forked:
        """Start `portress WORDS`, with all output at its `stdout`; its wall clock is `ahead` seconds ahead.

        It is killed when the namespace goes.
        """
        process = forked.piped(self.path, words, ahead)
        self._started.append(process)
        return process

    @contextlib.contextmanager
    def enter(self) -> Iterator[None]:
        """The current thread is in the namespace meanwhile: sockets made there stay there."""
        home = os.open("/proc/thread-self/ns/net", os.O_RDONLY | os.O_CLOEXEC)
        try:
            there = os.open(self.path, os.O_RDONLY | os.O_CLOEXEC)
            try:
                _setns(there)
            finally:
                os.close(there)
            try:
                yield
            finally:
                _setns(home)
        finally:
            os.close(home)

    def call(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """What the function returns or raises when called inside."""
        with self.enter():
            return function(*args, **kwargs)

    def ip(self, *lines: str) -> None:
        """Run `ip` commands, one a line, all in one process: `ns.ip("link set eth0 down")`."""
        with self.enter():
            _command(["ip", "-batch", "-"], text="".join(f"{line}\n" for line in lines))

    def own(self, device: str, *addresses: str) -> None:
        """Give these addresses, each of one host, to a device that is up: usable from the first packet on."""
        sizes = {one: "128" if ":" in one else "32" for one in addresses}
        nodad = {one: " nodad" if ":" in one else "" for one in addresses}
        self.ip(*(f"address add {one}/{sizes[one]} dev {device}{nodad[one]}" for one in addresses))
        _wait(lambda: self.takes(addresses), f"{device} of {self.name} does not get its addresses")

    def takes(self, addresses: Iterable[str]) -> bool:
        """Whether packets to these addresses are taken for its own. To IPv6 ones they are a moment after the
        address is there: a worker of the kernel's adds the route (addrconf.c, addrconf_dad_completed)."""
        with self.enter():
            routes = [
                one.split() for one in Path("/proc/thread-self/net/ipv6_route").read_text().splitlines()
            ]
        local = {one[0] for one in routes if int(one[8], 16) & _RTF_LOCAL}
        return {IPv6Address(one).packed.hex() for one in addresses if ":" in one} <= local

    def sysctl(self, **values: int | str) -> None:
        """Set this namespace's network sysctls; `__` is a slash: `sysctl(net__ipv4__ip_forward=1)`."""
        with self.enter():
            for key, value in values.items():
                Path("/proc/sys", key.replace("__", "/")).write_text(f"{value}\n")

    def nft(self, text: str) -> None:
        """Load a ruleset from its text."""
        self.run(["nft", "-f", "-"], text=text)

    def remove(self) -> None:
        """End what was started inside and remove the namespace with its links."""
        for process in self._started:
            if process.poll() is None:
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(process.pid, signal.SIGKILL)
                process.wait(10)
        _remove(self.name)


def _add(name: str) -> None:
    """As `ip netns add`, which makes the first one on this machine: it prepares /run/netns."""
    place = _NAMES / name
    with Path("/run", f"{PREFIX}netns.lock").open("w") as turn:
        fcntl.flock(turn, fcntl.LOCK_EX)  # two at once would prepare it twice
        if not _shared():
            _command(["ip", "netns", "add", name])
            return
    place.touch(mode=0, exist_ok=False)
    failed: list[str] = []

    def make() -> None:
        if _libc.unshare(_CLONE_NEWNET) or _libc.mount(
            b"/proc/thread-self/ns/net", os.fsencode(place), b"none", _MS_BIND, None
        ):
            failed.append(os.strerror(ctypes.get_errno()))

    maker = threading.Thread(target=make)
    maker.start()
    maker.join()
    if failed:
        place.unlink()
        raise LabError(f"no network namespace {name}: {failed[0]}")


def _shared() -> bool:
    """Whether /run/netns is a mount of which a removal is seen everywhere."""
    mounts = [line.split() for line in Path("/proc/thread-self/mountinfo").read_text().splitlines()]
    return any(fields[4] == str(_NAMES) and fields[6].startswith("shared:") for fields in mounts)


def _remove(name: str) -> None:
    """Kills what runs in the namespace: its links live on as long as a process in it does."""
    place = _NAMES / name
    with contextlib.suppress(FileNotFoundError):
        this = place.stat().st_ino
        for entry in os.listdir("/proc"):
            if entry.isdecimal() and int(entry) != os.getpid():
                with contextlib.suppress(OSError):  # it has ended
                    if os.stat(f"/proc/{entry}/ns/net").st_ino == this:
                        os.kill(int(entry), signal.SIGKILL)
        _unmade(place)


def _unmade(place: Path) -> None:
    """Unmount the name of a namespace, as often as it is mounted, and remove it.

    Where something else of this machine changes how mounts are shared meanwhile, a mount may be out of reach
    below another one: then the name stays, an empty file for whoever looks, until the machine ends.
    """
    while not _libc.umount2(os.fsencode(place), _MNT_DETACH):
        pass
    try:
        place.unlink()
    except OSError as error:
        if error.errno != errno.EBUSY:
            raise


def _maker(name: str) -> int | None:
    """The process that made a thing of this name, or None if the name isn't ours."""
    number = name.removeprefix(PREFIX).partition("-")[0]
    return int(number) if name.startswith(PREFIX) and number.isdecimal() else None


def abandoned(folder: Path) -> list[str]:
    """The names in the folder that a run now dead gave."""
    makers = [(entry.name, _maker(entry.name)) for entry in folder.glob(f"{PREFIX}*")]
    return [name for name, maker in makers if maker is not None and not Path(f"/proc/{maker}").exists()]


def sweep() -> None:
    """Remove the namespaces and directories that runs now dead have left; those of living runs stay."""
    for name in abandoned(_NAMES):
        _remove(name)
    # Tests in machines have their folders elsewhere than others (tests/system/conftest.py).
    for temporary in {Path(tempfile.gettempdir()), Path("/tmp"), Path("/var/tmp")}:
        for name in abandoned(temporary):
            mounted = [line.split()[1] for line in Path("/proc/mounts").read_text().splitlines()]
            for place in reversed(mounted):
                if place.startswith(f"{temporary / name}/"):
                    subprocess.run(["umount", "--lazy", place], check=False)
            shutil.rmtree(temporary / name, ignore_errors=True)


def require_root() -> None:
    """Raises LabError, whose text says that root is needed; on the first call sweeps up, too."""
    if os.geteuid() != 0:
        raise LabError(NEEDS_ROOT)
    if not _swept.is_set():
        _swept.set()
        sweep()


def _state(thread: Path) -> str:
    """A thread's state, as in proc(5): R, S, T, …"""
    return (thread / "stat").read_text().rpartition(")")[2].split()[0]


def halt(pid: int) -> None:
    """SIGSTOP, and wait until no thread of it runs: on a busy machine it runs on until the thread that the
    signal was given has its turn. Raises LabError if it does not stop."""
    os.kill(pid, signal.SIGSTOP)
    until = time.monotonic() + 10
    while any(_state(one) != "T" for one in Path(f"/proc/{pid}/task").iterdir()):
        if time.monotonic() > until:
            raise LabError(f"process {pid} does not stop")
        time.sleep(0.002)


@contextlib.contextmanager
def namespace(role: str = "lab") -> Iterator[Namespace]:
    """A new network namespace; `role` is a word for its name, to tell it by in `ip netns`."""
    require_root()
    ns = Namespace(f"{PREFIX}{os.getpid()}-{next(_serial)}-{role}")
    try:
        _add(ns.name)
        with ns.enter(), socket.socket() as any_socket:
            fcntl.ioctl(any_socket, _SIOCSIFFLAGS, struct.pack("16sH14x", b"lo", _IFF_UP))
        for kind in ("all", "default"):
            ns.sysctl(
                **{
                    f"net__ipv4__conf__{kind}__rp_filter": 0,
                    f"net__ipv6__conf__{kind}__accept_dad": 0,
                    f"net__ipv6__conf__{kind}__accept_ra": 0,
                }
            )
        yield ns
    finally:
        ns.remove()


def link(
    one: Namespace,
    one_device: str,
    one_addresses: Sequence[str],
    two: Namespace,
    two_device: str,
    two_addresses: Sequence[str],
    *,
    one_routes: Sequence[str] = (),
    two_routes: Sequence[str] = (),
) -> None:
    """A cable between two namespaces. Addresses are written with their prefix length, routes as for `ip`.

    Usable when this returns, from the first packet on: each end knows the other's hardware address.
    """
    one.ip(f"link add {one_device} type veth peer name {two_device} netns {two.name}")
    ends = [(one, one_device, one_addresses, one_routes), (two, two_device, two_addresses, two_routes)]
    hardware = [_hardware(ns, device) for ns, device, _, _ in ends]
    for (ns, device, mine, routes), (_, _, others, _), other in zip(
        ends, ends[::-1], hardware[::-1], strict=True
    ):
        ns.ip(
            *(f"address add {each} dev {device}{' nodad' if ':' in each else ''}" for each in mine),
            f"link set {device} up",
            *(f"neigh add {each.split('/')[0]} lladdr {other} dev {device} nud permanent" for each in others),
            *(f"route add {route}" for route in routes),
        )
    _wait(
        lambda: all(_ready(ns, device, mine) for ns, device, mine, _ in ends),
        f"the link from {one.name} to {two.name} does not come up",
    )


def _wait(true: Callable[[], bool], otherwise: str) -> None:
    """Wait until it is so, for 5 s at the most; LabError if it is not then."""
    until = time.monotonic() + 5
    while not true():
        if time.monotonic() > until:
            raise LabError(otherwise)
        time.sleep(0.002)


def _hardware(ns: Namespace, device: str) -> str:
    with ns.enter(), socket.socket() as any_socket:
        answer = fcntl.ioctl(any_socket, _SIOCGIFHWADDR, struct.pack("16s16x", device.encode()))
    return answer[18:24].hex(":")


def _ready(ns: Namespace, device: str, addresses: Sequence[str]) -> bool:
    """Whether the device has its link-local address, as it has once the kernel has noticed the carrier, and
    packets to its addresses are taken."""
    with ns.enter(), socket.socket() as any_socket:
        # Left to itself the kernel takes up to a second to notice; asking for the carrier makes it look.
        answer = array.array("I", [_ETHTOOL_GLINK, 0])
        request = struct.pack("16sP16x", device.encode(), answer.buffer_info()[0])
        fcntl.ioctl(any_socket, _SIOCETHTOOL, request)
        known = [line.split() for line in Path("/proc/thread-self/net/if_inet6").read_text().splitlines()]
    up = any(name == device and address.startswith("fe80") for address, *_, name in known)
    return up and ns.takes(one.partition("/")[0] for one in addresses)


@contextlib.contextmanager
def scratch() -> Iterator[Path]:
    """A directory of this run, removed afterwards."""
    folder = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{os.getpid()}-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
