"""The stand-alone client for tests: as a module, and the interpreters it is run under."""

from __future__ import annotations

import re
import subprocess
import sys
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).parents[1]
CLIENT = ROOT / "scripts/portress-knock"


class _Unsaved(SourceFileLoader):
    def set_data(self, *_: object, **__: object) -> None:
        """Leaves no compiled copy beside the script."""


def load() -> ModuleType:
    spec = spec_from_loader("stand_alone_client", _Unsaved("stand_alone_client", str(CLIENT)))
    assert spec is not None and spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def interpreters() -> list[str]:
    """The Python of the tests, and the oldest (3.9 or later) and the newest other ones on this machine."""
    found: dict[tuple[int, int], str] = {}
    for place in (Path("/usr/bin"), Path("/usr/local/bin"), *Path("/root/.pyenv/versions").glob("3.*/bin")):
        for path in sorted(place.glob("python3.*")) if place.is_dir() else []:
            named = re.fullmatch(r"python3\.(\d+)", path.name)
            if named and int(named[1]) >= 9 and _runs(path):
                found.setdefault((3, int(named[1])), str(path))
    others = [found[version] for version in sorted(found)]
    return list(dict.fromkeys([sys.executable, *others[:1], *others[-1:]]))


def _runs(path: Path) -> bool:
    return subprocess.run([path, "-I", "-c", ""], capture_output=True, timeout=20).returncode == 0
