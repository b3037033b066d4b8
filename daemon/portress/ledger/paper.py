"""Sequences on paper: each is used once, and the ledger is believed only where the witness agrees.

In: a ledger, the places of its witnesses. Out: the era whose paper is in force, what of it is used, and
each use on the disk, in the ledger first and then with the witnesses, before this says that it counts. A
daemon that is killed in between has used the sequence up and let nobody in.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Final, Literal

from portress.knock import Source
from portress.ledger import witness
from portress.ledger.ledger import Ledger, LedgerError
from portress.ledger.witness import Witness

_COLUMNS: Final = "id, era, claim, door, source, length, at"
_OF: Final = f"SELECT {_COLUMNS} FROM paper WHERE era = ? ORDER BY id"  # noqa: S608
_ALL: Final = "SELECT claim, door, source FROM paper"

Noted = Literal["new", "used", "nowhere"]

UNPROVED: Final = "no record outside the ledger's directory proves that every use of it is known"
OLDER: Final = "the ledger lacks uses that were made: it is older, another one or damaged"


class PaperUses:
    """The uses in `ledger`, one thread at a time. `unix` gives unix seconds, `drawn` random bytes.

    `era` is that of the paper in force, "" where uses cannot be recorded at all. `void` says why another
    era had to begin, None if the one before goes on.
    """

    def __init__(
        self,
        ledger: Ledger,
        places: Sequence[Path],
        unix: Callable[[], float],
        drawn: Callable[[int], bytes],
    ) -> None:
        """Raises LedgerError if the ledger cannot be read. `trouble`: why the witnesses were not written."""
        self._ledger = ledger
        self._places = places
        self._unix = unix
        self.void: str | None = None
        self.trouble: str | None = None
        before = witness.read(places)
        present = None if before is None else before.whole(self._rows(before.era))
        if present is None:
            self.void = UNPROVED if before is None else OLDER
            present = witness.begun(before, unix(), drawn(witness.ERA))
        self._witness: Witness = present
        self.era = present.era if self._testify() or self.void is None else ""

    def used(self) -> Iterator[tuple[bytes, str, bytes]]:
        """Every use there is: claim, door, address of the source. Raises LedgerError."""
        with self._ledger.together() as db:
            yield from db.execute(_ALL).fetchall()

    def use(self, claim: bytes, door: str, source: Source) -> Noted:
        """Note a use durably: `new`; `used`, it was used before; `nowhere`, it cannot be proved later, so
        it must not count. Raises LedgerError; then it has not been used.
        """
        if not self.era:
            return "nowhere"
        values = (self.era, claim, door, source.packed, source.length, float(self._unix()))
        with self._ledger.together() as db:
            done = db.execute(
                "INSERT INTO paper (era, claim, door, source, length, at) SELECT ?, ?, ?, ?, ?, ?"
                " WHERE NOT EXISTS (SELECT 1 FROM paper WHERE claim = ?)",
                (*values, claim),
            )
            if done.rowcount != 1:
                return "used"
        self._witness = self._witness.after((done.lastrowid, *values))
        return "new" if self._testify() else "nowhere"

    def _testify(self) -> bool:
        try:
            witness.write(self._places, self._witness)
        except OSError as error:
            where = error.filename or self._places[0]
            self.trouble = f"{where}: a use of paper cannot be recorded: {error.strerror or error}"
            return False
        self.trouble = None
        return True

    def _rows(self, era: str) -> list[tuple[object, ...]]:
        try:
            with self._ledger.together() as db:
                return db.execute(_OF, (era,)).fetchall()
        except sqlite3.Error as error:
            raise LedgerError(str(error)) from error
