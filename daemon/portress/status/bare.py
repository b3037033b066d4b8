"""The status where no daemon runs: what the kernel alone knows, in the same fields as the daemon's answer.

In: the guard in the kernel, and the configuration as far as it can be read. Out: values for JSON; what only
a daemon knows is None, or empty.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from portress import __version__
from portress.admissions import Admission, How
from portress.config import load as configuration
from portress.durations import utc
from portress.errors import Mistake
from portress.guard.table import GuardError, Table
from portress.narrow import Narrow
from portress.paths import Paths
from portress.run import status_answer as answers


def told(
    nobody: Mistake, paths: Paths, narrow: Narrow, now: int, unix: float
) -> tuple[dict[str, Any], Iterator[dict[str, Any]]]:
    """All but the admissions, and those that are meant, in order. `nobody`: that no daemon answers.

    Raises Mistake if there is no guard either, or it cannot be read.
    """
    if narrow.keyholder is not None:
        raise Mistake(f"{nobody}; the guard alone does not know whose an admission is")
    doors, counts, found = _read(nobody, narrow, now)
    if narrow.door is not None and narrow.door not in doors:
        raise Mistake(f"there is no door '{narrow.door}'; the doors are {', '.join(doors)}")
    values: dict[str, Any] = {
        **dict.fromkeys(("pid", "watch", "up", "step", "as_configured", "credential", "refusing")),
        "daemon": False,
        "version": __version__,
        "config": str(paths.config),
        "guard": {"present": True, "restorations": {}, "trial": None, "open": _open(paths)},
        "doors": [_door(door, counts[door]) for door in doors if narrow.door in (None, door)],
        "totals": {"admissions": len(found), "callers": 0, "shunned": 0},
        "callers": [],
        "caller_limit": None,
        "shunned": [],
        "knocks": {},
        "lost": None,
        "overruns": None,
        "odd": {},
        "keyholders": None,
        "followers": 0,
        "paper": [],
        "time": utc(unix),
        "ledger": None,
        "closed": {"configured": None, "answers": []},
        "fleet": None,
        "events": [],
    }
    return values, (answers.admission(one, now, unix) for one in found)


def _read(nobody: Mistake, narrow: Narrow, now: int) -> tuple[list[str], Counter[str], list[Admission]]:
    """The doors in the kernel, how many are admitted to each, and the admissions that are meant, in order."""
    table = Table()
    try:
        listing = table.listing()
    except GuardError:
        raise Mistake(f"{nobody}; and only root can see whether a guard is loaded") from None
    if listing is None:
        raise Mistake(f"{nobody}; UNGUARDED: no guard loaded, only the host's own firewall applies")
    held = table.admissions(listing)
    found = [
        Admission(one.door, one.source, now - one.since, now + one.left, None, How.FOUND)
        for one in held
        if narrow.covers(one.door, one.source, None)
    ]
    found.sort(key=narrow.key, reverse=narrow.backwards)
    return listing.doors, Counter(one.door for one in held), found


def _door(name: str, admitted: int) -> dict[str, Any]:
    unknown = dict.fromkeys(("stay", "linger", "places", "admits", "leaving", "hours", "dial"))
    return {"name": name, "services": [], "openers": [], **unknown, "admitted": admitted}


def _open(paths: Paths) -> dict[str, str]:
    """Doors that are open to strangers by the configuration as it is now, if that can be read."""
    from portress.doctor.open_doors import probe

    try:
        return dict(probe(configuration.load(paths.config)).open)
    except Mistake:
        return {}
