"""The mark: what proves to the next daemon that it knows every use of a rotating sequence.

In: what the ledger holds of uses, as one number, and the uses that it did not take. Out: a file beside the
control socket, in memory (tmpfs) on a host with systemd, written before every use is on the disk and after
it, and before the door opens.
It is gone after a boot, or says of which boot it is; and it fits no ledger that is damaged, older or missing.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from attrs import frozen

from portress.knock import Source

NAME: Final = "uses"
BOOT: Final = Path("/proc/sys/kernel/random/boot_id")

Entry = tuple[bytes, str, int, Source, float]  # claim, door, step, source, unix seconds


@frozen
class Mark:
    """`digest`: of all the uses in the ledger (`Ledger.digest`). `doubt`: before which moment of
    CLOCK_BOOTTIME (s) uses may have gone unnoticed; None if none has. `owed`: uses that the ledger has not
    taken yet. `record`: names the guard's own record of uses (`Table.record`), where it has one. `coming`:
    what `digest` becomes by the use that is being written: who dies meanwhile leaves one or the other."""

    digest: int
    doubt: float | None = None
    owed: tuple[Entry, ...] = ()
    record: str = ""
    coming: int | None = None

    def fits(self, digest: int) -> bool:
        """Whether a ledger with this digest is the one that the daemon left."""
        return digest in (self.digest, self.coming)


def boot() -> str:
    """The name of this boot; empty if the kernel does not tell."""
    with suppress(OSError):
        return BOOT.read_text().strip()
    return ""


def read(path: Path, boot: str) -> Mark | None:
    """The mark of this `boot` at `path`; None if there is none, or it cannot be believed."""
    try:
        told: Any = json.loads(path.read_bytes())
        if told["boot"] != boot:
            return None
        owed = tuple(
            (bytes.fromhex(claim), str(door), int(step), Source.parse(source), float(at))
            for claim, door, step, source, at in told["owed"]
        )
        doubt, coming = told["doubt"], told.get("coming")
        return Mark(
            int(told["digest"], 16),
            None if doubt is None else float(doubt),
            owed,
            str(told.get("record", "")),
            None if coming is None else int(coming, 16),
        )
    except (OSError, ValueError, TypeError, KeyError, OverflowError, RecursionError):
        return None


def write(path: Path, boot: str, mark: Mark) -> None:
    """Put `mark` in the place of the one before, whole. Raises OSError; then there is none at all."""
    told = {
        "boot": boot,
        "digest": f"{mark.digest:x}",
        "doubt": mark.doubt,
        "record": mark.record,
        "coming": None if mark.coming is None else f"{mark.coming:x}",
        "owed": [(claim.hex(), door, step, str(source), at) for claim, door, step, source, at in mark.owed],
    }
    new = path.with_name(path.name + ".new")
    try:
        with suppress(FileNotFoundError):
            new.unlink()
        descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump(told, file)
        os.rename(new, path)
    except OSError:
        for each in (new, path):
            with suppress(OSError):
                each.unlink()
        raise
