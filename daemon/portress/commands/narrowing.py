"""The options that narrow what a verb lists or ends, the same for each: --door, --source, --keyholder,
--limit and --sort; and --json, --json-lines for what it lists.

In: the command line. Out: a `Wanted`, which the verb gets as its second argument.
"""

from __future__ import annotations

import functools
import json
import sys
from collections.abc import Callable, Iterable, Mapping
from itertools import islice
from typing import Any, Final, TypeVar

import click
from attrs import frozen

from portress.commands.common import read_source
from portress.narrow import SORTS, Narrow

Verb = TypeVar("Verb", bound=Callable[..., Any])
_TOGETHER: Final = 100  # lines written at once
FEW: Final = 200  # listed unless --limit says otherwise, on a screen and for programs

_NAMES: Final = ("door", "source", "keyholder", "limit", "sort")

json_lines = click.option("--json-lines", is_flag=True, help="print JSON, one object a line for each listed")


@frozen
class Wanted:
    """What is asked for. `limit`: None if it was not given, 0: all."""

    narrow: Narrow
    limit: int | None

    @property
    def most(self) -> int | None:
        """How many are listed, None: all."""
        return FEW if self.limit is None else self.limit or None


def narrowed(*sorts: str, what: str = "listed") -> Callable[[Verb], Verb]:
    """Add the options to a verb. `sorts`: by what it sorts, its own order first; default: as admissions."""

    def add(verb: Verb) -> Verb:
        @functools.wraps(verb)
        def with_asked(paths: Any, *args: Any, **kwargs: Any) -> Any:
            door, source, keyholder, limit, sort = (kwargs.pop(name) for name in _NAMES)
            read = None if source is None else read_source(source)
            return verb(paths, Wanted(Narrow(door, keyholder, read, sort), limit), *args, **kwargs)

        for option in reversed(_options(sorts or SORTS, what)):
            with_asked = option(with_asked)
        return with_asked  # type: ignore[return-value]  # click keeps the callable's place, not its type

    return add


def _options(orders: tuple[str, ...], what: str) -> tuple[Callable[[Any], Any], ...]:
    known = [one.removeprefix("-") for one in orders]

    def order(_context: click.Context, _option: click.Parameter, value: str) -> str:
        if value.removeprefix("-") not in known:
            raise click.BadParameter(f"'{value}': one of {', '.join(known)}")
        return value

    sort_help = f"{', '.join(known)}; -KEY: the other way round"
    return (
        click.option("--door", metavar="NAME", help="only this door"),
        click.option("--source", metavar="SOURCE", help="only this address, or this network"),
        click.option("--keyholder", metavar="NAME", help="only this keyholder"),
        click.option("--limit", type=click.IntRange(0), metavar="N", help=f"the first N {what}, 0: all"),
        click.option("--sort", default=orders[0], callback=order, metavar="KEY", help=sort_help),
    )


def print_listed(head: Mapping[str, Any], name: str, lines: Iterable[str], *, bare: bool) -> None:
    """One object on standard output: `head`'s fields, and at last the list `name`, a line of JSON each,
    written as they come. `bare`: those lines alone."""
    write, left = sys.stdout.write, iter(lines)
    if bare:
        while part := list(islice(left, _TOGETHER)):
            write("\n".join((*part, "")))
        return
    told = json.dumps(head, indent=2, ensure_ascii=False).removesuffix("}").rstrip()
    write(f'{told}{"," if head else ""}\n  "{name}": [')
    between = "\n    "
    while part := list(islice(left, _TOGETHER)):
        write(between + ",\n    ".join(part))
        between = ",\n    "
    write("]\n}\n" if between == "\n    " else "\n  ]\n}\n")
