"""What the keyholders of `hosts.keyholders` knock: derived here and now from their secrets."""

from __future__ import annotations

import base64
from functools import cache

from benchmarks.hosts import rotating, secret
from portress.clock import step_at
from portress.config import load as configuration
from portress.config.model import Config
from portress.sequence.rotating import derive


@cache
def _config() -> Config:
    return configuration.parse(rotating(), "portress.yaml")


def sequence(number: int, door: str, unix: float) -> tuple[str, ...]:
    """The knocks of keyholder number `number` at `door` at the moment `unix`, as text."""
    rule = _config().doors[door].rotating
    assert rule is not None
    return tuple(
        str(knock) for knock in derive(base64.b32decode(secret(number)), door, rule, step_at(unix)).knocks
    )
