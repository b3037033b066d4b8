"""Every configuration that the project shows can be used as it is: no mistake, no warning, from any verb.

The files in config/, and the YAML blocks of the README, of shared/doc/ and of the manual page.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from lab.etcd import certificates
from portress.commands.check import check
from portress.commands.enrol import enrol
from portress.commands.strength import strength
from portress.config import load as configuration
from portress.config.pitfalls import Surroundings, pitfalls

ROOT = Path(__file__).resolve().parents[2]
# cloud-init.yaml is no configuration of Portress's own.
FILES = sorted(file for file in (ROOT / "config").glob("*.yaml") if "\ndoors:" in file.read_text())
PAGES = [ROOT / "README.md", *sorted((ROOT / "shared/doc").glob("*.md"))]
# Linux's default: Documentation/networking/ip-sysctl.rst, ip_local_port_range.
EPHEMERAL = (32768, 60999)


def _blocks(page: Path) -> list[str]:
    """The YAML blocks of a page that are whole configurations."""
    blocks = re.findall(r"^```yaml\n(.*?)^```", page.read_text(), re.MULTILINE | re.DOTALL)
    return [block for block in blocks if re.search(r"^doors:", block, re.MULTILINE)]


def _manual() -> str:
    text = (ROOT / "shared/man/portress.yaml.5").read_text().partition(".SH EXAMPLE")[2]
    return text.partition(".nf\n")[2].partition(".fi")[0].replace("\\-", "-")


EXAMPLES = {file.name: file.read_text() for file in FILES} | {"portress.yaml.5": _manual()}
EXAMPLES |= {f"{page.name} {n}": block for page in PAGES for n, block in enumerate(_blocks(page), 1)}


def _with_fleets_files(text: str, folder: Path) -> str:
    """The text, with the files that its section `fleet` names made in `folder`."""
    if "\nfleet:" not in text:
        return text
    certificates(folder, "edge-1", days=365)
    for name in ("secret", "password", "edge-1.key"):
        file = folder / name
        if not file.exists():
            file.write_bytes(bytes(range(32)))
        file.chmod(0o600)
    (folder / "password").write_text("of the store")
    return text.replace("/etc/portress/fleet/", f"{folder}/")


def test_there_are_examples_in_the_readme_and_in_the_manual() -> None:
    assert len(FILES) >= 4
    assert "README.md 1" in EXAMPLES
    assert "doors:" in EXAMPLES["portress.yaml.5"]


@pytest.mark.parametrize("name", EXAMPLES)
def test_no_example_draws_a_warning(name: str, tmp_path: Path) -> None:
    file = tmp_path / "portress.yaml"
    file.write_text(EXAMPLES[name])
    file.chmod(0o644)
    common = ["--config", str(file), "--state", str(tmp_path), "--socket", str(tmp_path / "none.sock")]
    config = configuration.load(file)
    for door in config.doors.values():
        if not door.fixed:
            file.write_text(EXAMPLES[name].partition("\nfleet:")[0] + "\n")  # no store is asked
            words = [f"ana-{door.name}", "--door", door.name, "--host", "gate.example.org", *common]
            assert CliRunner().invoke(enrol, words, catch_exceptions=False).exit_code == 0
    file.write_text(_with_fleets_files(EXAMPLES[name], tmp_path))
    for verb in (check, strength):
        done = CliRunner().invoke(verb, [*common, "--json"], catch_exceptions=False)
        assert done.exit_code == 0
        assert json.loads(done.stdout)["warnings"] == []
    assert pitfalls(config, Surroundings(ephemeral=EPHEMERAL)) == ()


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_an_example_draws_no_warning_where_it_is(file: Path) -> None:
    assert configuration.load(file).warnings == ()
    if "\nfleet:" in file.read_text():
        return  # its certificates are on the gateways: test_no_example_draws_a_warning makes them
    done = CliRunner().invoke(check, ["--config", str(file)], catch_exceptions=False)
    assert done.exit_code == 0 and "no errors" in done.output and "warning" not in done.output


def test_taking_the_comment_signs_of_the_installed_configuration_away_is_enough(tmp_path: Path) -> None:
    head, doors, rest = (ROOT / "systemd/debian/portress.yaml").read_text().partition("\ndoors:\n")
    taken = head + doors + re.sub(r"^#(?=  )", "", rest, flags=re.MULTILINE)
    file = tmp_path / "portress.yaml"
    for one in (
        taken,
        re.sub(r"^# ?((?:metrics|inside|always|public): .*)$", r"\1", taken, flags=re.MULTILINE),
    ):
        file.write_text(one)
        file.chmod(0o600)
        done = CliRunner().invoke(check, ["--config", str(file)], catch_exceptions=False)
        assert done.exit_code == 0, done.output
        assert "ssh: tcp/22" in done.output
