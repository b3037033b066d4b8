"""What Python itself does beside the daemon's loop, and when it may."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

_YOUNG, _MIDDLE, _NEVER = 2_000, 5, 1_000_000  # 10,000 objects take some 2 ms to look through
_TURN: Final = 0.0005  # s; Python's own is ten times as long


def spare_the_loop() -> None:
    """Have nothing hold up the loop for long: to be called when the daemon has made what stays.

    Python looks through all old objects for rubbish whenever a quarter has been added, which takes 100 ms
    with a thousand keyholders: from now on that is left to `tidy`. Threads give way to each other sooner.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(_YOUNG, _MIDDLE, _NEVER)
    sys.setswitchinterval(_TURN)


@contextmanager
def many_that_stay() -> Iterator[None]:
    """Around what makes many objects that stay for a while: Python does not look through them meanwhile, nor
    before the next `tidy`."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()


def tidy() -> None:
    """Look through all objects for rubbish."""
    gc.unfreeze()
    gc.collect()
    gc.freeze()
