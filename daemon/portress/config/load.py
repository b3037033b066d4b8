"""A YAML file -> Config. All mistakes are told at once, each in a line with its place.

`yaml_tree.py` reads the YAML, `schema.py` holds the table of what may stand in it, `checks.py` checks what
the values mean together.
"""

from __future__ import annotations

import stat
from collections.abc import Callable
from ipaddress import IPv4Network, IPv6Network, collapse_addresses
from pathlib import Path
from typing import Any, Final

from attrs import evolve

from portress.config import calendar, checks, yaml_tree
from portress.config.fleet import settings
from portress.config.model import (
    CALLERS,
    STAY,
    STAY_OF_CONNECTIONS,
    Authenticator,
    Config,
    Door,
    Misses,
    Paper,
    Rotating,
)
from portress.config.routes import carriers
from portress.config.schema import CONFIGURATION
from portress.knock import PROTOCOLS, Knock, Sequence

# The sequence of the documentation and the examples. Everyone knows it: a readable file gives nothing away.
_PUBLISHED: Final = tuple(map(Knock.parse, ("tcp/4617", "udp/2953", "tcp/6381")))


def load(path: Path, *, here: bool = False) -> Config:
    """The configuration in a file. Raises Mistake. A file that others can read or change draws a warning.

    `here`: to be put in force now, so that `inside` must not name what carries this host's default route.
    """
    data, about = yaml_tree.slurp(path, "there is no such file: write it, or name another with --config")
    text = yaml_tree.decode(data, str(path))
    config = parse(text, str(path), carriers if here else frozenset)
    warnings = []
    name = yaml_tree.called(str(path))
    mode = stat.S_IMODE(about.st_mode)
    if mode & stat.S_IWOTH:
        warnings.append(f"{name}: mode {mode:04o}: writable by every user: chmod o-rwx {name}")
    elif mode & stat.S_IROTH and any(
        door.leaving_fixed or (door.fixed and door.fixed.knocks != _PUBLISHED)
        for door in config.doors.values()
    ):
        warnings.append(
            f"{name}: mode {mode:04o}: its sequences are readable by every user: chmod o-rwx {name}"
        )
    return evolve(config, text=text, warnings=(*warnings, *config.warnings))


def parse(text: str, name: str, carriers: Callable[[], frozenset[str]] = frozenset) -> Config:
    """The configuration in a text; `name` is what messages call it, `carriers` gives the interfaces by
    which default routes go. Raises Mistake with all that is wrong."""
    findings = yaml_tree.Findings(name)
    node = yaml_tree.tree(text, findings)
    top = CONFIGURATION.read(node, yaml_tree.Place.root(node), findings)
    checks.check(top, findings, carriers)
    findings.close()
    return _config(top.plain, findings.warnings())


def _config(values: dict[str, Any], warnings: tuple[str, ...]) -> Config:
    networks: tuple[IPv4Network | IPv6Network, ...] = values.pop("always", ())
    values.setdefault("decide", "kernel" if values["watch"] == "packet" else "daemon")
    values.setdefault("callers", CALLERS[values["decide"]])
    sections: dict[str, Any] = {
        "doors": {name: _door(name, door) for name, door in values.pop("doors").items()},
        "always": _fewest(networks),
        "warnings": warnings,
    }
    if "source_prefix" in values:
        prefix = values.pop("source_prefix")
        sections |= {"prefix_4": prefix["ipv4"], "prefix_6": prefix["ipv6"]}
    if "misses" in values:
        sections["misses"] = Misses(**values.pop("misses"))
    if "fleet" in values:
        fleet = settings(values.pop("fleet"))
        sections["fleet"], values["site"] = fleet, fleet.name
        if fleet.alone == "refuse" or any(door.claim == "first" for door in sections["doors"].values()):
            values["decide"] = "daemon"  # the door waits until the store has answered
    if "metrics" in values:
        sections["metrics"] = values.pop("metrics")["listen"]
    if "counter" in values:
        sections["counter_interval"] = values.pop("counter")["interval"]
    if "journal" in values:
        sections["journal_prefix"] = values.pop("journal")["prefix"]
    return Config(**sections, **values)


def _door(name: str, values: dict[str, Any]) -> Door:
    kinds: dict[str, Any] = {}
    unset = "stay" not in values
    if "fixed" in values:
        kinds["fixed_admits"] = values["fixed"].pop("admits")
        kinds["fixed"] = Sequence(**values.pop("fixed"))
    if "rotating" in values:
        rule = values.pop("rotating")
        protocols = tuple(sorted(PROTOCOLS[protocol] for protocol in rule.pop("protocols")))
        last = values["services"][0].protocol if rule["admits"] == "connection" else None
        kinds["rotating"] = Rotating(protocols=protocols, last=last, **rule)
    if "authenticator" in values:
        kinds["authenticator"] = Authenticator(**values.pop("authenticator"))
    if isinstance(values.get("leaving"), dict):
        rule = values.pop("leaving")
        kinds["leaving_fixed"] = Sequence(rule["knocks"], rule["gap"])
    if "hours" in values:
        kinds["hours"] = calendar.windows(values.pop("hours"))
    if "paper" in values:
        sheet = values.pop("paper")
        protocols = tuple(sorted(PROTOCOLS[protocol] for protocol in sheet.pop("protocols")))
        kinds["paper"] = Paper(protocols=protocols, **sheet)
    door = Door(name=name, **kinds, stay=values.pop("stay", STAY), **values)
    return evolve(door, stay=STAY_OF_CONNECTIONS) if unset and door.by_connection else door


def _fewest(networks: tuple[IPv4Network | IPv6Network, ...]) -> tuple[IPv4Network | IPv6Network, ...]:
    """The same addresses in as few networks as can be: an nftables set takes no overlaps."""
    fours = collapse_addresses(one for one in networks if isinstance(one, IPv4Network))
    sixes = collapse_addresses(one for one in networks if isinstance(one, IPv6Network))
    return (*fours, *sixes)
