"""Whether what a fleet needs beyond the rest is installed."""

from __future__ import annotations

from importlib import import_module

from portress.errors import Mistake


def need() -> None:
    """Raises Mistake, with the command that installs it, where a package is missing."""
    missing = []
    for name in ("aiohttp", "cryptography"):
        try:
            import_module(name)
        except ImportError:
            missing.append(f"python3-{name}")
    if missing:
        raise Mistake(f"a fleet needs packages that are not installed: apt install {' '.join(missing)}")
