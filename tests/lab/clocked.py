"""`portress` with another wall clock: python clocked.py SECONDS VERB…; SECONDS are added to time.time()."""

from __future__ import annotations

import sys
import time

del sys.path[0]  # this folder has modules of other names in it
_ahead = float(sys.argv.pop(1))
_true = time.time


def _shifted() -> float:
    return _true() + _ahead


time.time = _shifted

from portress.commands import main  # noqa: E402 - after the clock is another

sys.exit(main())
