"""Whether nft and this kernel can do what a guard that decides needs; where not, the daemon decides.

In: the configuration. Out: the same, or one with `decide: daemon` and a warning that says why.
"""

from __future__ import annotations

from collections.abc import Callable

from attrs import evolve

from portress.config.model import Config
from portress.guard.language import FAMILY, TABLE
from portress.guard.libnftables import Nft
from portress.guard.ruleset import build, render

_TRY = "portress_try"


def refused(text: str) -> str | None:
    """Why nft or the kernel would not load a table; None: they would. Nothing is changed."""
    nft = Nft()
    nft.set_dry_run(True)
    code, _, error = nft.cmd(text)
    if code == 0:
        return None
    lines = [line.partition("Error: ")[2] or line for line in error.splitlines() if line.strip(" ^~")]
    return lines[0] if lines else "libnftables gave no reason"


def settled(config: Config, ask: Callable[[str], str | None] = refused) -> Config:
    """The configuration with the way to decide that this host is able to."""
    if config.decide == "daemon":
        return config
    head = f"table {FAMILY} {TABLE} "
    why = ask(render(build(config, ())).replace(head, f"table {FAMILY} {_TRY} ", 1))
    if why is None or "not permitted" in why:  # that is for others to tell
        return config
    other = render(build(evolve(config, decide="daemon"), ()))
    asked = ask(other.replace(head, f"table {FAMILY} {_TRY} ", 1))
    if asked is not None:  # no guard at all can be loaded
        return config
    text = f"decide: kernel is not possible here, so the daemon decides: {why}"
    return evolve(config, decide="daemon", warnings=(*config.warnings, text))
