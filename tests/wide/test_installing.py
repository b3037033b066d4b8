"""Installing, on both Debians: as the README says, and on a bare one with nothing but its archive at hand."""

from __future__ import annotations

import subprocess

import pytest

from lab import scratch
from system.host import chroot, deb
from system.root import settings, sources
from system.test_readme import follow

SUITES = ("bookworm", "trixie")


@pytest.mark.parametrize("suite", SUITES)
def test_the_installation_works_as_it_is_written(suite: str) -> None:
    follow(suite)


@pytest.mark.parametrize("suite", SUITES)
def test_it_installs_on_a_bare_debian_from_its_archive_alone(suite: str) -> None:
    with scratch() as folder:
        root = folder / "root"
        install = "apt-get install --yes --quiet --no-install-recommends -o Dpkg::Options::=--force-unsafe-io"
        hooks = [
            f"--customize-hook=upload {deb()} /root/portress.deb",
            f'--customize-hook=chroot "$1" {install} /root/portress.deb',
        ]
        options = [f"--aptopt={place}" for place in settings()]
        words = ["mmdebstrap", "--quiet", "--mode=root", "--variant=apt", *hooks, *options, suite]
        made = subprocess.run(
            [*words, str(root), "-"], input=sources(suite), capture_output=True, text=True, timeout=900
        )
        assert made.returncode == 0, made.stderr
        assert chroot(root, "dpkg-query", "-W", "-f", "${db:Status-Status}", "portress") == "installed"
        assert chroot(root, "portress", "--version").strip() == "portress 1.0.0"
        assert chroot(root, "getent", "passwd", "portress").startswith("portress:")
        for client in (
            ["portress", "knock", "--print", "--to", "192.0.2.1"],
            ["portress-knock", "--print", "--to", "192.0.2.1"],
        ):
            assert "knocks     1" in chroot(root, *client, "tcp/4617")
