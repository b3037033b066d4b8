"""The manual and the completions know every verb and every option, and none that does not exist."""

from __future__ import annotations

import re
import subprocess
from importlib.util import find_spec
from pathlib import Path

import click
import pytest

from portress import commands
from portress.commands import portress

SHARED = Path(__file__).resolve().parents[2] / "shared"
VERBS = [verb for verb in commands.VERBS if find_spec(f"portress.commands.{verb}") is not None]
COMMON = {"--config", "--socket", "--state", "--help"}


def _options(verb: str) -> set[str]:
    """The long options of a verb, without those that all have."""
    command = portress.get_command(click.Context(portress), verb)
    assert command is not None
    shown = [option for option in command.params if not getattr(option, "hidden", False)]
    found = {name for option in shown for name in option.opts if name.startswith("--")}
    return found - COMMON


def _page(verb: str) -> str:
    return (SHARED / f"man/portress-{verb}.1").read_text().replace("\\-", "-")


@pytest.mark.parametrize("verb", VERBS)
def test_each_verb_has_a_page_with_its_options_and_no_others(verb: str) -> None:
    text = _page(verb)
    found = {name for term in _terms(text) for name in re.findall(r"--[a-z][a-z-]*", term)}
    if verb == "knock":  # the page is the stand-alone client's too
        found &= set(re.findall(r"--[a-z][a-z-]*", text.partition("OF THE VERB")[2].partition(".SH")[0]))
        found |= {"--quiet", "--verbose"} if "-q\\fR" in text else set()
    assert found - COMMON == _options(verb)


def _terms(text: str) -> list[str]:
    return re.findall(r"^\.TP\n(.*)$", text, re.MULTILINE)


@pytest.mark.parametrize("verb", VERBS)
def test_the_main_page_names_each_verb(verb: str) -> None:
    assert f"portress-{verb}(1)" in (SHARED / "man/portress.1").read_text().replace("\\-", "-")


@pytest.mark.parametrize("verb", VERBS)
def test_bash_completes_the_options_of_each_verb(verb: str) -> None:
    script = f"""
        source {SHARED / "completions/portress.bash"}
        COMP_WORDS=(portress {verb} --) COMP_CWORD=2
        _portress
        printf '%s\\n' "${{COMPREPLY[@]}}"
    """
    said = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True).stdout
    assert set(said.split()) - COMMON == _options(verb)


def test_bash_completes_verbs_and_door_names(tmp_path: Path) -> None:
    config = tmp_path / "portress.yaml"
    config.write_text(
        "doors:\n  ssh:\n    services: [tcp/22]\n  vpn-2:  # a comment\n    stay: 1h\nmetrics: {}\n"
    )
    script = f"""
        source {SHARED / "completions/portress.bash"}
        COMP_WORDS=(portress "") COMP_CWORD=1
        _portress
        echo "${{COMPREPLY[@]}}"
        COMP_WORDS=(portress admit --config {config} 192.0.2.1 "") COMP_CWORD=5
        _portress
        echo "${{COMPREPLY[@]}}"
    """
    said = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True).stdout
    verbs, doors = said.splitlines()
    assert set(verbs.split()) == {*commands.VERBS, "--help", "--version"}
    assert doors == "ssh vpn-2"


@pytest.mark.parametrize("verb", VERBS)
def test_zsh_completes_the_options_of_each_verb(verb: str) -> None:
    text = (SHARED / "completions/_portress").read_text()
    assert f"'{verb}:" in text
    case = re.search(rf"^ +(?:[a-z |]+ )?{verb}(?: \|[a-z |]+)?\)(.*?);;", text, re.MULTILINE | re.DOTALL)
    assert case is not None
    found = set(re.findall(r"--[a-z][a-z-]*(?=[\[}])", case[1]))
    found |= {"--json"} if "$json" in case[1] else set()
    assert found == _options(verb)
