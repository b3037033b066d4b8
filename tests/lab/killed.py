"""`portress` that is killed (SIGKILL) where a use of paper is in the ledger, but not with its witnesses."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path

del sys.path[0]  # this folder has modules of other names in it

from portress.commands import main  # noqa: E402 - after the path is another
from portress.ledger import witness  # noqa: E402

_write = witness.write


def _killed(places: Sequence[Path], what: witness.Witness) -> None:
    if what.uses:
        os.kill(os.getpid(), signal.SIGKILL)
    _write(places, what)


witness.write = _killed
sys.exit(main())
