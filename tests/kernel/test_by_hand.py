"""The lines that `enrol` and `begin` print for a system on which nothing of ours is installed, run by six
shells; the one for PowerShell is run where there is a PowerShell, and else only read by its grammar.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
import tree_sitter_powershell
from tree_sitter import Language, Parser

from kernel.test_rotating import CONFIG, holders
from lab import daemon, sshd, tcp_state, until, world
from lab.portress import REPOSITORY
from portress import by_hand
from portress.config.load import load

FIXED = """\
doors:
  ssh:
    services: [tcp/22]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381, udp/7342], gap: 5s}
"""
PAPER = """\
decide: daemon
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    rotating: {pool: 20000-49999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
    paper: {sequences: 4}
"""
SHELLS = [
    ["dash", "-c"],
    ["bash", "-c"],
    ["bash", "--posix", "-c"],
    ["busybox", "sh", "-c"],
    ["mksh", "-c"],
    ["zsh", "-c"],
]
POWERSHELL = shutil.which("pwsh")


@pytest.mark.parametrize("shell", SHELLS, ids=" ".join)
def test_a_fixed_sequence_from_a_shell_opens_the_door_over_both_families(shell: list[str]) -> None:
    with world() as w, sshd(w.host), daemon(w.host, FIXED) as d:
        knocks = load(d.config).doors["ssh"].fixed
        assert knocks is not None
        for own, host in ((w.stranger4, w.host4), (w.stranger6, w.host6)):
            done = w.stranger.run([*shell, by_hand.posix(host, by_hand.written(knocks.knocks))], timeout=20)
            assert (done.stdout, done.stderr) == ("", "")
            d.wait_for("admitted", own)
            assert tcp_state(w.stranger, host, 22) == "open"


def test_a_fixed_sequence_from_powershell_opens_the_door() -> None:
    """Run where there is a PowerShell. Where there is none (Debian has none, nor has any registry we use) the
    line is only read: by a grammar of PowerShell that is not ours (tree-sitter-powershell)."""
    line = by_hand.powershell("198.51.100.1", "tcp 4617 udp 2953 tcp 6381 udp 7342")
    assert understood(line)
    if POWERSHELL is None:
        return
    with world() as w, sshd(w.host), daemon(w.host, FIXED) as d:
        w.stranger.run([POWERSHELL, "-NoProfile", "-Command", line], timeout=60)
        d.wait_for("admitted", w.stranger4)


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("}}", "}"),
        ("(10)", "(10"),
        ("elseif", "elsif"),
        ("-in ", "-inn "),
        ("foreach(", "forech("),
        ("'", '"'),
    ],
)
def test_a_line_that_powershell_would_not_take_is_noticed(right: str, wrong: str) -> None:
    line = by_hand.powershell("gate.example.org", by_hand.KNOCKS)
    assert understood(line) and not understood(line.replace(right, wrong, 1))


def understood(line: str) -> bool:
    """Whether the grammar takes the line, and no more commands are called, no other types used and no other
    variables read than are there in every Windows."""
    tree = Parser(Language(tree_sitter_powershell.language())).parse(line.encode())
    found: dict[str, set[str]] = {}
    waiting = [tree.root_node]
    while waiting:
        node = waiting.pop()
        waiting += node.children
        found.setdefault(node.type, set()).add((node.text or b"").decode())
    types = {
        "Net.Dns",
        "Net.Sockets.UdpClient",
        "Net.Sockets.TcpClient",
        "Net.IPEndPoint",
        "byte[]",
        "void",
        "int",
    }
    made = {one.partition("(")[0] for one in found.get("generic_token", set())}
    return (
        not tree.root_node.has_error
        and found.get("command_name") == {"New-Object", "Start-Sleep"}
        and {one.strip("[]") for one in found.get("type_literal", set())} | made <= types | {"byte"}
        and found.get("variable", set()) - {"$null"} == {"$a", "$p", "$k", "$s"}
    )


def test_paper_as_it_is_printed_goes_into_the_line_that_enrol_prints() -> None:
    with world() as w, sshd(w.host), daemon(w.host, PAPER) as d:
        out = d.verb("enrol", "ana", "--door", "ssh", "--host", w.host4, "--paper").stdout
        (line,) = (one.strip() for one in out.splitlines() if "/dev/$p/" in one)
        (row,) = (one for one in out.splitlines() if one.startswith("  [ ]   2 "))
        printed = " ".join(row.removeprefix("  [ ]   2 ").replace("_", "").split())
        until(lambda: d.status()["keyholders"] == 1)
        w.stranger.run(["dash", "-c", line.replace(by_hand.KNOCKS, printed)], timeout=20)
        assert "paper 2 of 4" in d.wait_for("admitted to ssh", w.stranger4)
        assert tcp_state(w.stranger, w.host4, 22) == "open"
        page = d.folder / "ana.txt"
        hidden = d.verb("enrol", "ana", "--door", "ssh", "--host", w.host4, "--page", str(page)).stdout
        assert by_hand.posix(w.host4) in hidden and by_hand.powershell(w.host4) in hidden
        assert not any(one in hidden for one in re.findall(r"\b\d{5}\b", page.read_text()))


def test_the_ssh_line_that_enrol_prints_knocks_and_connects(tmp_path: Path) -> None:
    with world() as w, sshd(w.host), daemon(w.host, CONFIG, keyholders=holders(["ben"])) as d:
        card = tmp_path / "ana.keycard"
        words = ["--door", "vpn", "--host", w.host4, "--keycard", str(card)]
        out = d.verb("enrol", "ana", *words).stdout
        (line,) = re.findall(r"Linux, macOS: +(ssh .*)", out)
        until(lambda: d.status()["keyholders"] == 2)
        shutil.copy(REPOSITORY / "scripts/portress-knock", tmp_path)
        # No login: that sshd has answered through the relay is enough, and its host key is not known.
        strict = line.replace("ssh ", "ssh -o BatchMode=yes -o UserKnownHostsFile=/dev/null ", 1)
        done = w.stranger.run(["sh", "-c", f"cd {tmp_path} && {strict}"], check=False, timeout=60)
        d.wait_for("admitted", w.stranger4, "keyholder ana")
        assert "Host key verification failed" in done.stderr
