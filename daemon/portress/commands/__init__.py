"""The command line: a file a verb. A verb is loaded only when it is called, so that each starts fast."""

from __future__ import annotations

import contextlib
import os
import sys
from importlib import import_module
from typing import Final

import click

from portress import __version__
from portress.errors import Mistake
from portress.prose import say
from portress.shown import guarded, shown

VERBS: Final = {
    "begin": "set up this host, step by step",
    "check": "check a configuration: every mistake with its line",
    "rules": "print the ruleset that would be loaded, in nft syntax",
    "guard": "close the doors: load the guard, on trial if wanted",
    "unguard": "remove the guard",
    "run": "run the daemon that opens doors to those who knock",
    "status": "doors, admissions, callers",
    "follow": "what happens, as it happens",
    "admit": "admit a source by hand",
    "dismiss": "end a source's admissions",
    "enrol": "give a keyholder a secret and a keycard",
    "unenrol": "end a keyholder and their admissions",
    "keyholders": "list the keyholders",
    "knock": "knock on a door",
    "trace": "replay a capture or a journal: who knocked what, and why it opened a door or not",
    "why": "why a source's knocks opened a door, or not",
    "history": "who was admitted, when, from where",
    "strength": "how hard the doors are to guess",
    "doctor": "check this host for problems",
}


# Modules that PyPI does not have as they are needed, and Debian's packages with them.
_PACKAGES: Final = {"nftables": "python3-nftables", "systemd": "python3-systemd"}


class _Verbs(click.Group):
    """Finds a verb in the module of its name."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return None
        command = getattr(import_module(f"portress.commands.{cmd_name}"), cmd_name)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Verbs"):
            formatter.write_dl(list(VERBS.items()))


@click.group(
    cls=_Verbs,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    subcommand_metavar="VERB …",
    epilog="Each verb has its own --help. One layer of defence, never the only one.",
)
@click.version_option(__version__, message="portress %(version)s")
@click.pass_context
def portress(context: click.Context) -> None:
    """Guarded ports are closed to everyone; a source that knocks the right sequence is let in for a while."""
    if context.invoked_subcommand is None:
        click.echo(context.get_help(), err=True)
        context.exit(2)


def main() -> int:
    """Run the verb on the command line. Exit status: 0 done, 1 not done, 2 wrong usage."""
    _open_streams()
    with guarded():
        return _run()


def _run() -> int:
    try:
        code = portress.main(standalone_mode=False)
        sys.stdout.flush()
    except click.ClickException as wrong:
        wrong.message = shown(wrong.message)
        wrong.show()
        return 2
    except click.Abort:
        return 1
    except Mistake as mistake:
        for line in mistake.lines or (str(mistake),):
            say(f"portress: {line}", err=True)
        return 1
    except ModuleNotFoundError as error:
        say(f"portress: {_missing(error)}", err=True)
        return 1
    except OSError as error:
        if not isinstance(error, BrokenPipeError):
            say(f"portress: {_reason(error)}", err=True)
        # What is left in the buffer goes nowhere, or Python would fail once more at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return 1
    return code if isinstance(code, int) else 0  # click hands back what a verb gave to context.exit()


def _missing(error: ModuleNotFoundError) -> str:
    """Which distribution package has a missing module, and how a virtual environment gets to see it."""
    module = (error.name or "").partition(".")[0]
    if module not in _PACKAGES:
        return f"the Python module {module or error} is missing: install Portress's requirements again"
    venv = "make the virtual environment with /usr/bin/python3 -m venv --system-site-packages"
    return f"the Python module {module} is missing: apt install {_PACKAGES[module]}, and {venv}"


def _reason(error: OSError) -> str:
    """What the system refused, and where."""
    return ": ".join(str(part) for part in (error.filename, error.strerror or error) if part is not None)


def _open_streams() -> None:
    """A standard stream that was closed is /dev/null: no socket gets its number, printing does no harm."""
    with contextlib.suppress(OSError):  # a root without devices, as an image under construction has
        while (descriptor := os.open(os.devnull, os.O_RDWR)) <= 2:
            pass
        os.close(descriptor)
    sys.stdout = sys.stdout or open(1, "w")  # noqa: SIM115
    sys.stderr = sys.stderr or open(2, "w")  # noqa: SIM115
