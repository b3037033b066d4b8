"""`portress doctor`: what is wrong on this host, why it matters and what to do."""

from __future__ import annotations

from collections.abc import Iterable

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from portress.commands.common import as_json, common, console, print_json, root_only
from portress.config import load as configuration
from portress.doctor.examine import Examination, examine, examine_without
from portress.doctor.probe.finding import Finding
from portress.errors import Mistake
from portress.paths import Paths


@click.command()
@as_json
@common
@click.pass_context
def doctor(context: click.Context, paths: Paths, as_json: bool) -> None:
    """Check this host for problems. Exit status: 0 healthy, 1 something is wrong."""
    root_only("doctor looks at nftables and at other programs' sockets, which")
    try:
        config = configuration.load(paths.config)
    except Mistake as mistake:
        report = examine_without(mistake, paths)
    else:
        report = examine(config, paths)
    if as_json:
        print_json(
            {
                "healthy": not report.findings,
                "facts": {fact.subject: fact.told for fact in report.facts},
                "findings": [_plain(finding) for finding in report.findings],
            }
        )
    else:
        show(report, console())
    if report.findings:
        context.exit(1)


def _plain(finding: Finding) -> dict[str, str | None]:
    return {
        "name": finding.name,
        "severity": finding.severity,
        "door": finding.door,
        "what": finding.what,
        "why": finding.why,
        "do": finding.do,
    }


def show(report: Examination, screen: Console) -> None:
    """The report for people: facts, then findings, worst first."""
    facts = Table.grid(padding=(0, 2))
    facts.add_column(no_wrap=True)
    for fact in report.facts:
        facts.add_row(fact.subject, Text(fact.told))
    screen.print(facts)
    screen.print()
    for finding in report.findings:
        _tell(finding, screen)
    screen.print(Text(_sum(report.findings), style="bold"))


def _tell(finding: Finding, screen: Console) -> None:
    door = f"door {finding.door}: " if finding.door else ""
    style = "bold red" if finding.severity == "error" else "bold yellow"
    screen.print(Text(f"{finding.severity.upper()}  {door}{finding.what}", style=style))
    lines = Table.grid(padding=(0, 2))
    lines.add_column(no_wrap=True)
    lines.add_row("  why", Text(finding.why))
    lines.add_row("  do", Text(finding.do))
    screen.print(lines)
    screen.print()


def _sum(findings: Iterable[Finding]) -> str:
    severities = [finding.severity for finding in findings]
    if not severities:
        return "Nothing is wrong."
    counts = [(severities.count("error"), "error"), (severities.count("warning"), "warning")]
    return ", ".join(f"{number} {word}{'s' if number > 1 else ''}" for number, word in counts if number) + "."
