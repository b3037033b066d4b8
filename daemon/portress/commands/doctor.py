"""`portress doctor`: what is wrong on this host, why it matters and what to do."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Final

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from portress.commands.common import as_json, common, console, root_only
from portress.commands.narrowing import json_lines, print_listed
from portress.config import load as configuration
from portress.doctor.examine import Examination, examine, examine_without
from portress.doctor.probe.finding import Finding, Group, grouped
from portress.errors import Mistake
from portress.paths import Paths

FEW: Final = 8  # doors of a finding that are named


@click.command()
@as_json
@json_lines
@common
@click.pass_context
def doctor(context: click.Context, paths: Paths, as_json: bool, json_lines: bool) -> None:
    """Check this host for problems. Exit status: 0 healthy, also with warnings; 1 there are errors."""
    root_only("doctor looks at nftables and at other programs' sockets, which")
    try:
        config = configuration.load(paths.config)
    except Mistake as mistake:
        report = examine_without(mistake, paths)
    else:
        report = examine(config, paths)
    groups = grouped(report.findings)
    if as_json or json_lines:
        head = {"healthy": report.healthy, "facts": {fact.subject: fact.told for fact in report.facts}}
        lines = (json.dumps(_plain(one), ensure_ascii=False) for one in groups)
        print_listed(head, "findings", lines, bare=json_lines)
    else:
        show(report, console())
    if not report.healthy:
        context.exit(1)


def _plain(group: Group) -> dict[str, str | list[str]]:
    first = group.finding
    return {
        "name": first.name,
        "severity": first.severity,
        "doors": list(group.doors),
        "what": first.what,
        "why": first.why,
        "do": first.do,
    }


def show(report: Examination, screen: Console) -> None:
    """The report for people: facts, then findings, worst first."""
    facts = Table.grid(padding=(0, 2))
    facts.add_column(no_wrap=True)
    for fact in report.facts:
        facts.add_row(fact.subject, Text(fact.told))
    screen.print(facts)
    screen.print()
    groups = grouped(report.findings)
    for group in groups:
        _tell(group, screen)
    screen.print(Text(_sum([one.finding for one in groups]), style="bold"))


def _tell(group: Group, screen: Console) -> None:
    finding = group.finding
    style = "bold red" if finding.severity == "error" else "bold yellow"
    screen.print(Text(f"{finding.severity.upper()}  {_doors(group.doors)}{finding.what}", style=style))
    lines = Table.grid(padding=(0, 2))
    lines.add_column(no_wrap=True)
    lines.add_row("  why", Text(finding.why))
    lines.add_row("  do", Text(finding.do))
    screen.print(lines)
    screen.print()


def _doors(doors: tuple[str, ...]) -> str:
    """Which doors a finding is about; the first of many."""
    if not doors:
        return ""
    more = f" and {len(doors) - FEW} more" if len(doors) > FEW else ""
    return f"door{'s' if len(doors) > 1 else ''} {', '.join(doors[:FEW])}{more}: "


def _sum(findings: Iterable[Finding]) -> str:
    severities = [finding.severity for finding in findings]
    if not severities:
        return "Nothing is wrong."
    counts = [(severities.count("error"), "error"), (severities.count("warning"), "warning")]
    return ", ".join(f"{number} {word}{'s' if number > 1 else ''}" for number, word in counts if number) + "."
