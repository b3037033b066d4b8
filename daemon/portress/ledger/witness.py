"""The witness of paper: what proves that the ledger holds every use of a sequence on paper.

A sequence on paper has no time step that would end it, so a ledger from before its use would make it good
again. In: how many uses the ledger holds, and a digest of them in their order. Out: small files outside
the ledger's directory, written after the ledger and before the door opens; they outlive a boot. A ledger
that has less than they say, or something else, is not the one that was written last: then another era
begins, and all paper of the one before is void.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Final

from attrs import evolve, frozen

from portress import files

NAME: Final = "paper-uses"
SUFFIX: Final = "-paper"  # of the directory beside the ledger's
ERA: Final = 8  # bytes of an era's name


@frozen
class Witness:
    """`uses` of the era `era` have the digest `chain`. `number` is higher the later an era began."""

    number: int
    era: str
    uses: int = 0
    chain: str = ""

    def after(self, row: tuple[object, ...]) -> Witness:
        """With one more use: its row in the ledger."""
        chain = hashlib.sha256(f"{self.chain} {row!r}".encode()).hexdigest()
        return evolve(self, uses=self.uses + 1, chain=chain)

    def whole(self, rows: Iterable[tuple[object, ...]]) -> Witness | None:
        """The witness of these rows of its era, in their order; None if they are not those that it has
        seen, and perhaps some more.
        """
        one = Witness(self.number, self.era)
        fits = one == self
        for row in rows:
            one = one.after(row)
            fits = fits or one == self
        return one if fits else None


def begun(before: Witness | None, unix: float, era: bytes) -> Witness:
    """The witness of a new era, after `before`. `unix`: seconds; `era`: ERA random bytes."""
    number = max(int(unix), 0 if before is None else before.number + 1)
    return Witness(number, era.hex())


def read(places: Sequence[Path]) -> Witness | None:
    """The latest witness; None if there is none, or if two contradict each other."""
    found = [one for place in places if (one := _read(place)) is not None]
    if not found:
        return None
    last = max(found, key=lambda one: (one.number, one.uses))
    same = [one for one in found if one.number == last.number]
    return last if all(one.era == last.era for one in same) else None


def _read(place: Path) -> Witness | None:
    try:
        told: Any = json.loads((place / NAME).read_bytes())
        one = Witness(int(told["number"]), str(told["era"]), int(told["uses"]), str(told["chain"]))
        bytes.fromhex(one.era)
    except (OSError, ValueError, TypeError, KeyError, OverflowError, RecursionError):
        return None
    return one if len(one.era) == 2 * ERA and one.uses >= 0 else None


def write(places: Sequence[Path], witness: Witness) -> None:
    """Put it in the place of the one before in every one of the directories `places`, durably. Raises
    OSError.
    """
    told = {"number": witness.number, "era": witness.era, "uses": witness.uses, "chain": witness.chain}
    for place in places:
        made = not place.exists()
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        if made and os.geteuid() == 0 and place.parent.exists():
            _give(place)
        files.replace(place / NAME, json.dumps(told) + "\n")


def _give(place: Path) -> None:
    """Root makes it for whoever owns the ledger's directory beside it."""
    beside = place.with_name(place.name.removesuffix(SUFFIX))
    if beside != place and beside.is_dir():
        about = beside.stat()
        os.chown(place, about.st_uid, about.st_gid)


def places(state: Path, cache: str = "") -> tuple[Path, ...]:
    """Where the witnesses of the ledger in `state` are: beside its directory, and in the cache directory that
    systemd gives the service (`cache`), which no backup brings back."""
    beside = state.with_name(state.name + SUFFIX)
    return (beside, Path(cache)) if cache else (beside,)
