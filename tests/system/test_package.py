"""The package: what is in it, that it installs from the archive alone, and what it leaves alone."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

from lab import scratch, tcp_state
from lab.portress import REPOSITORY
from system.host import config, configure, deb, installed
from system.machine import Machines
from system.root import RUNTIME


def test_lintian_has_nothing_to_say() -> None:
    words = ["lintian", "--fail-on", "error,warning", "--allow-root", str(deb())]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_same_tree_gives_the_same_bytes() -> None:
    with scratch() as folder:
        copy = folder / "tree"
        for name in ("daemon", "systemd", "scripts", "shared", "config"):
            shutil.copytree(REPOSITORY / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(REPOSITORY / "README.md", copy)
        for path in copy.rglob("*"):
            os.utime(path, (63, 63))
        words = [str(copy / "scripts/build-deb"), str(folder / "out")]
        built = subprocess.run(words, capture_output=True, text=True, check=True, umask=0o077)
        assert _digest(Path(built.stdout.strip())) == _digest(deb())


def _digest(file: Path) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest()


def test_it_needs_no_package_but_what_the_machines_have() -> None:
    """So what is missing among the dependencies is missing in every test here."""
    words = ["dpkg-deb", "--field", str(deb()), "Depends"]
    needed = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    names = [one.split()[0] for one in needed.split(",")]
    assert sorted(names) == sorted([*RUNTIME, "systemd"])


def test_installing_switches_nothing_on(machines: Machines) -> None:
    with machines.boot() as machine:
        machine.copy(deb(), "/root/portress.deb")
        machine.run("dpkg", "--install", "/root/portress.deb")
        for unit in ("portress.service", "portress-guard.service"):
            assert machine.show(unit, "UnitFileState") == "disabled"
            assert machine.show(unit, "UnitFilePreset") == "disabled"
            assert machine.show(unit, "ActiveState") == "inactive"
        assert machine.run("nft", "list", "ruleset").stdout == ""
        assert tcp_state(machine.stranger, machine.host4, 22) == "open"
        modes = machine.run("stat", "-c", "%a %U %G %n", *ETC).stdout.splitlines()
        assert modes == [
            "750 root portress /etc/portress",
            "640 root portress /etc/portress/portress.yaml",
            "600 portress portress /etc/portress/keyholders.yaml",
        ]


ETC = ("/etc/portress", "/etc/portress/portress.yaml", "/etc/portress/keyholders.yaml")


def test_every_page_of_the_manual_is_clean() -> None:
    for page in sorted((REPOSITORY / "shared/man").iterdir()):
        words = ["groff", "-man", "-ww", "-z", "-Tutf8", str(page)]
        done = subprocess.run(words, capture_output=True, text=True, check=True)
        assert done.stderr == "", page.name


def test_install_without_dpkg_and_uninstall_leave_only_what_is_the_administrators(machines: Machines) -> None:
    with machines.boot() as machine:
        for name in ("daemon", "systemd", "scripts", "shared", "config", "README.md"):
            machine.copy(REPOSITORY / name, f"/root/tree/{name}")
        before = _files(machine.path("/usr"))
        machine.run("/root/tree/scripts/install")
        assert machine.run("/usr/local/bin/portress", "--version").stdout == "portress 1.0.0\n"
        assert machine.show("portress.service", "UnitFileState") == "disabled"
        configure(machine, config())
        machine.systemctl("start", "portress.service")
        assert tcp_state(machine.stranger, machine.host4, 22) == "filtered"
        machine.run("/root/tree/scripts/install", "--uninstall")
        assert tcp_state(machine.stranger, machine.host4, 22) == "open"
        assert _files(machine.path("/usr")) == before
        assert machine.path("/etc/portress/portress.yaml").exists()


def test_install_without_dpkg_names_what_is_missing(machines: Machines) -> None:
    with machines.boot() as machine:
        for name in ("daemon", "systemd", "scripts", "shared", "config", "README.md"):
            machine.copy(REPOSITORY / name, f"/root/tree/{name}")
        machine.run("dpkg", "--remove", "--force-depends", "python3-segno", "nftables")
        done = machine.run("/root/tree/scripts/install", check=False)
        assert done.returncode == 1
        assert "nft: the nftables package, 1.0.6 or newer" in done.stderr
        assert "Python module segno" in done.stderr
        assert "Python module rich" not in done.stderr


def _files(folder: Path) -> set[Path]:
    return {path for path in folder.rglob("*") if not path.is_dir() and "__pycache__" not in path.parts}


def test_removal_opens_the_doors_and_purge_leaves_nothing() -> None:
    with installed().boot() as machine:
        configure(machine, config())
        machine.systemctl("enable", "--now", "portress.service")
        assert tcp_state(machine.stranger, machine.host4, 22) == "filtered"
        machine.run("dpkg", "--remove", "portress")
        assert machine.run("nft", "list", "ruleset").stdout == ""
        assert tcp_state(machine.stranger, machine.host4, 22) == "open"
        assert machine.path("/etc/portress/portress.yaml").read_text() == config()
        machine.run("dpkg", "--purge", "portress")
        for place in ("/etc/portress", "/var/lib/portress", "/var/lib/portress-guard", "/usr/share/portress"):
            assert not machine.path(place).exists()
        machine.reboot()
        assert tcp_state(machine.stranger, machine.host4, 22) == "open"


def test_removal_opens_the_doors_even_with_an_unusable_configuration() -> None:
    with installed().boot() as machine:
        configure(machine, config())
        machine.systemctl("start", "portress.service")
        configure(machine, "doors: [\x00")
        machine.run("dpkg", "--remove", "portress")
        assert tcp_state(machine.stranger, machine.host4, 22) == "open"
