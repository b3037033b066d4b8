"""`portress rules`: what would be loaded, to the letter: nft text that `nft -c -f` accepts."""

from __future__ import annotations

import time

import click

from portress.clock import step_at
from portress.commands.common import as_json, common, print_json
from portress.config import load as configuration
from portress.doctor.probe.closed_ports import known
from portress.guard.ruleset import build, render
from portress.keyholders import file as keyholding
from portress.paths import Paths
from portress.sequence.in_force import SequencesInForce


@click.command()
@as_json
@common
def rules(paths: Paths, as_json: bool) -> None:
    """Print the guard that this configuration means. It shows the first knock of each sequence."""
    config = configuration.load(paths.config)
    holders = keyholding.load(keyholding.locate(paths.config), config.doors)
    opening = SequencesInForce(config, holders).trie(step_at(time.time())).opening
    ruleset = build(config, opening, answers=known(config), now=time.time())
    text = render(ruleset)
    if as_json:
        print_json({"rules": text, "comment": ruleset.comment})
    else:
        click.echo(text, nl=False)
