"""What this kernel and this nft can do: the guard's parts one by one, and the watchers.

Each part is asked of the kernel itself, in a transaction that is checked and thrown away. Nothing is changed.
"""

from __future__ import annotations

import json
import os
import subprocess
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from attrs import frozen

from portress.config.model import Config, Watch
from portress.doctor.probe.finding import Fact, Finding
from portress.errors import Mistake
from portress.guard.able import settled
from portress.guard.language import FAMILY, OWNED, TABLE
from portress.guard.libnftables import Nft
from portress.guard.ruleset import build, render
from portress.watch.entries import look_for_files
from portress.watch.packet import PacketWatcher

OLDEST_NFT: Final = (1, 0, 6)  # Debian 12's; older ones do not read all of the guard
_TRY: Final = "portress_doctor"  # a table that never comes into being
_GROUPS: Final = Path("/proc/thread-self/net/netfilter/nfnetlink_log")
_LOGGERS: Final = Path("/proc/thread-self/net/netfilter/nf_log")
_JOURNALD: Final = Path("/run/systemd/journal/socket")
_ELSEWHERE: Final = "/proc/sys/net/netfilter/nf_log_all_netns"  # there in the first network namespace only

# What it is called, the rule that needs it, and the kernel's option for it.
_PARTS: Final[dict[str, tuple[str, str]]] = {
    "connection tracking": ("ct state established accept", "CONFIG_NFT_CT"),
    "look-up of local addresses": (
        "fib daddr type != { local, broadcast, multicast, anycast } accept",
        "CONFIG_NFT_FIB_INET",
    ),
    "maps of ports to doors": ("meta l4proto . th dport vmap @m", "CONFIG_NF_TABLES_INET"),
    "sets that packets add to": ("update @s { ip saddr timeout 60s }", "CONFIG_NF_TABLES_INET"),
    "reject": ("meta l4proto tcp reject with tcp reset", "CONFIG_NFT_REJECT_INET"),
    "packet log": ("log group 7507 snaplen 96 queue-threshold 1", "CONFIG_NFT_LOG"),
    "kernel log": ('log prefix "portress: " flags tcp sequence', "CONFIG_NFT_LOG"),
    "counting sets": (
        "update @h { ip saddr . meta l4proto . th dport timeout 60s counter }",
        "CONFIG_NF_TABLES_INET",
    ),
}
_ALWAYS: Final = tuple(_PARTS)[:4]
_WATCHED: Final[dict[Watch, str]] = {
    "packet": "packet log",
    "journal": "kernel log",
    "counter": "counting sets",
}


@frozen
class Kernel:
    """`missing` maps what is missing to the kernel's reason; `watchers` each watcher to why it fails."""

    release: str
    nft: tuple[int, ...]
    missing: Mapping[str, str]
    watchers: Mapping[Watch, str | None]  # None: works
    refused: str | None  # why the kernel would not load the guard as configured; None: it would
    ownership: bool  # the guard's table can have an owner, and cannot be flushed by others
    undecided: str | None = None  # why the daemon decides although the configuration says the kernel


def read(config: Config) -> Kernel:
    """Ask the kernel. Raises Mistake where nftables may not be asked."""
    able = settled(config)
    nft = Nft()
    nft.set_json_output(True)
    version = _version(nft)
    nft.set_dry_run(True)
    missing = {part: why for part, (rule, _) in _PARTS.items() if (why := _try_rule(nft, rule)) is not None}
    return Kernel(
        os.uname().release,
        version,
        missing,
        _watchers(missing),
        None if missing.keys() & _needed(config) else _try_guard(nft, able),
        _try_owner(nft) is None and version >= (1, 1),
        _try_guard(nft, config) if able.decide != config.decide else None,
    )


def _version(nft: Any) -> tuple[int, ...]:
    code, output, error = nft.cmd("list chains")  # `list tables` reads every element of every set
    if code != 0:
        if "not permitted" in error:
            raise Mistake("doctor looks at nftables, which takes CAP_NET_ADMIN: run it as root")
        raise Mistake(f"this kernel has no nftables: {_reason(error)}")
    text = next(one["metainfo"]["version"] for one in json.loads(output)["nftables"] if "metainfo" in one)
    return tuple(int(part) for part in text.split(".") if part.isdecimal())


def _reason(error: str) -> str:
    lines = [line.partition("Error: ")[2] or line for line in error.splitlines() if line.strip(" ^~")]
    return lines[0] if lines else "libnftables gave no reason"


def _try_rule(nft: Any, rule: str) -> str | None:
    """Why a guard with this rule would be refused; None: it would not."""
    table = f"{FAMILY} {_TRY}"
    code, _, error = nft.cmd(
        f"add table {table}; add chain {table} c {{ type filter hook prerouting priority -300; }};"
        f"add set {table} s {{ type ipv4_addr; flags dynamic,timeout; size 8; }};"
        f"add set {table} h {{ type ipv4_addr . inet_proto . inet_service; flags dynamic,timeout; size 8; }};"
        f"add map {table} m {{ type inet_proto . inet_service : verdict; flags interval; }};"
        f"add rule {table} c {rule}"
    )
    return None if code == 0 else _reason(error)


def _try_owner(nft: Any) -> str | None:
    """Why a table with an owner would be refused; None: it would not."""
    code, _, error = nft.cmd(f"add table {FAMILY} {_TRY} {{ {OWNED}; }}")
    return None if code == 0 else _reason(error)


def _try_guard(nft: Any, config: Config) -> str | None:
    """Why the guard as configured would be refused, under another table's name; None: it would not."""
    text = render(build(config, ()))
    code, _, error = nft.cmd(text.replace(f"table {FAMILY} {TABLE} ", f"table {FAMILY} {_TRY} ", 1))
    return None if code == 0 else _reason(error)


def _watchers(missing: Mapping[str, str]) -> dict[Watch, str | None]:
    return {
        "packet": missing.get("packet log") or _packet_log(),
        "journal": missing.get("kernel log") or _journal(),
        "counter": missing.get("counting sets"),
    }


def groups() -> dict[int, int]:
    """The packet log groups somebody listens to, and the netlink port of each."""
    try:
        lines = _GROUPS.read_text().splitlines()
    except OSError:
        return {}
    return {int(words[0]): int(words[1]) for words in map(str.split, lines) if len(words) > 1}


def _packet_log() -> str | None:
    """Why no group of the packet log can be had; a free one is tried."""
    taken = groups()
    free = next(group for group in range(65535, 0, -1) if group not in taken)
    try:
        with PacketWatcher(free, time.monotonic_ns):
            return None
    except Mistake as mistake:
        return str(mistake)


def _journal() -> str | None:
    try:
        lines = _LOGGERS.read_text().splitlines()
    except OSError as error:
        return f"{_LOGGERS}: {error.strerror}"
    for number, family in ((2, "IPv4"), (10, "IPv6")):
        logger = next((words[1] for words in map(str.split, lines) if words[:1] == [str(number)]), "NONE")
        if logger == "NONE":
            return f"the kernel logs no {family} packets: modprobe nf_log_syslog"
    try:
        import systemd.journal  # noqa: F401
    except ImportError:
        return "Python's systemd module is missing: apt install python3-systemd"
    if not _JOURNALD.exists():
        return "no systemd journal is kept here"
    try:
        look_for_files()
    except Mistake as mistake:
        return str(mistake)
    return _silenced()


def _silenced() -> str | None:
    """In network namespaces but the first the kernel logs packets only if that was allowed in the first."""
    if Path(_ELSEWHERE).exists():
        return None
    first = ["nsenter", "--target", "1", "--net", "cat", _ELSEWHERE]
    try:
        if subprocess.run(first, capture_output=True, text=True, timeout=5).stdout.strip() == "1":
            return None
    except (OSError, subprocess.TimeoutExpired):
        pass
    return "the kernel logs no packets of this network namespace: on the host, nf_log_all_netns is 0"


def _needed(config: Config) -> set[str]:
    rejecting = ("reject",) if config.closed == "reject" else ()
    return {*_ALWAYS, _WATCHED[config.watch], *rejecting}


def facts(kernel: Kernel) -> Iterator[Fact]:
    yield Fact("kernel", kernel.release)
    yield Fact("nft", ".".join(map(str, kernel.nft)))
    for watch, reason in kernel.watchers.items():
        yield Fact(f"watch: {watch}", "works here" if reason is None else f"does not work here: {reason}")
    yield Fact(
        "table ownership",
        "there is: no other program can flush the guard"
        if kernel.ownership
        else "none (kernel 6.9 and nft 1.1 have it): if others flush the guard, the daemon puts it back",
    )


def judge(config: Config, kernel: Kernel) -> Iterator[Finding]:
    """What the guard or the watcher as configured lacks here."""
    if kernel.nft < OLDEST_NFT:
        yield Finding(
            "nft-old",
            "error",
            f"nft {'.'.join(map(str, kernel.nft))} is older than {'.'.join(map(str, OLDEST_NFT))}",
            "it does not read all of the guard's rules",
            "install a newer nftables: Debian 12's or later",
        )
    needed = _needed(config) - {_WATCHED[config.watch]}
    for part in (part for part in _PARTS if part in needed and part in kernel.missing):
        yield Finding(
            "kernel-feature",
            "error",
            f"this kernel has no {part}: {kernel.missing[part]}",
            "the guard cannot be loaded; only the host's own firewall applies",
            f"use a kernel with {_PARTS[part][1]}",
        )
    if kernel.refused is not None:
        yield Finding(
            "guard-refused",
            "error",
            f"the kernel would refuse the guard as configured: {kernel.refused}",
            "it cannot be loaded; the old guard stays, or else only the host's own firewall applies",
            "see what it is with: portress rules | nft -c -f -",
        )
    if kernel.undecided is not None:
        yield Finding(
            "daemon-decides",
            "warning",
            f"decide: kernel is not possible here: {kernel.undecided}",
            "the daemon decides: doors open a moment later, and not while it does not run",
            "use a newer kernel or nftables, or write decide: daemon",
        )
    yield from _judge_watcher(config, kernel)


def _judge_watcher(config: Config, kernel: Kernel) -> Iterator[Finding]:
    """Whether the watcher as configured can hear anything here."""
    reason = kernel.watchers[config.watch]
    if reason is not None:
        others = [watch for watch, why in kernel.watchers.items() if why is None]
        yield Finding(
            "watcher",
            "error",
            f"watch: {config.watch} does not work here: {reason}",
            "no knock is seen, so nobody is admitted",
            f"write watch: {others[0]}" if others else "use a kernel with CONFIG_NFT_LOG",
        )
