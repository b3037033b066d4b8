"""Writes a file whole: a reader, a crash or a full disk finds the old text or the new one."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def replace(path: Path, text: str) -> None:
    """Give the file at `path`, through symbolic links, this text, durably; mode 0600. Raises OSError."""
    target = Path(os.path.realpath(path))
    temporary = None
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)  # mode 0600
        with open(handle, "w", encoding="utf-8") as file:
            if target.exists() and os.geteuid() == 0:  # root changes it for whoever owns it
                about = target.stat()
                os.fchown(file.fileno(), about.st_uid, about.st_gid)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.rename(temporary, target)
        temporary = None
        directory = os.open(target.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(directory)
        finally:
            os.close(directory)
    finally:
        if temporary is not None:
            os.unlink(temporary)
