"""`portress knock`: knock on a door of another host, with the code of the stand-alone client."""

from __future__ import annotations

import sys
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from types import ModuleType

import click

from portress.commands.common import common
from portress.errors import Mistake
from portress.paths import Paths


@click.command()
@click.argument("words", nargs=-1, required=True, metavar="KEYCARD | --to HOST KNOCK…")
@click.option("--to", metavar="HOST", help="send the given knocks to HOST")
@click.option(
    "--pause", type=float, default=50.0, show_default=True, metavar="MS", help="pause between two knocks"
)
@click.option("--offset", type=float, default=0.0, metavar="S", help="seconds to add to a clock that is slow")
@click.option("-4", "only_4", is_flag=True, help="IPv4 only")
@click.option("-6", "only_6", is_flag=True, help="IPv6 only")
@click.option("--print", "only_print", is_flag=True, help="print what would be done and send nothing")
@click.option("--leave", is_flag=True, help="end your own admission, where the keycard's door allows it")
@click.option("-q", "--quiet", is_flag=True, help="errors only")
@click.option("-v", "--verbose", is_flag=True, help="print what is done; with --print, show the knocks")
@common
def knock(
    paths: Paths, words: tuple[str, ...], to: str | None, pause: float, offset: float, **flags: bool
) -> None:
    """Knock with KEYCARD's current sequence (-: standard input), or send knocks such as tcp/4617 to HOST.

    A fixed sequence goes to both the IPv4 and the IPv6 address of a name. A keycard's goes to one of them,
    and to the other only if the door stays shut.
    """
    options = {"only_4": "-4", "only_6": "-6", "only_print": "--print", "quiet": "-q", "verbose": "-v"}
    options["leave"] = "--leave"
    arguments = [f"--pause={pause}", f"--offset={offset}", *(options[name] for name in flags if flags[name])]
    arguments += ["--", *words] if to is None else [f"--to={to}", "--", *words]
    sys.exit(_client().main(arguments))


def _place() -> Path:
    """The client's file: beside `daemon/` in the source tree, under share/ when installed."""
    here = Path(__file__).resolve()
    if here.parents[2].name == "daemon":
        return here.parents[3] / "scripts/portress-knock"
    for above in here.parents:
        if (above / "share/portress/portress-knock").is_file():
            return above / "share/portress/portress-knock"
    return Path("/usr/share/portress/portress-knock")


class _Unsaved(SourceFileLoader):
    """Leaves no compiled copy in a directory of scripts or of shared files."""

    def set_data(self, path: str, data: object, *, _mode: int = 0) -> None:
        pass


def _client() -> ModuleType:
    place = _place()
    spec = spec_from_loader("portress_client", _Unsaved("portress_client", str(place)))
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    sys.modules[spec.name] = module
    try:
        spec.loader.exec_module(module)
    except OSError as error:
        raise Mistake(f"{place}: {error.strerror}: the stand-alone client is missing") from None
    return module
