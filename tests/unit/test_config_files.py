"""What can be wrong with a configuration's file before a word of it is read."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from portress.config.load import load, parse
from portress.errors import Mistake
from unit.config_texts import DOORS, with_door


def refused(path: Path) -> str:
    with pytest.raises(Mistake) as told:
        load(path)
    assert len(told.value.lines) == 1
    return str(told.value).removeprefix(str(path))


def written(tmp_path: Path, data: bytes, mode: int = 0o640) -> Path:
    path = tmp_path / "portress.yaml"
    path.write_bytes(data)
    path.chmod(mode)
    return path


def test_a_file_is_loaded_under_the_name_given(tmp_path: Path) -> None:
    path = written(tmp_path, DOORS.encode())
    assert load(path) == parse(DOORS, "p")
    assert refused(written(tmp_path, DOORS.replace("/22", "/0").encode())).startswith(
        ":1: doors.ssh.services[0]: "
    )


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    assert (
        refused(tmp_path / "none.yaml") == ": there is no such file: write it, or name another with --config"
    )


def test_a_directory_is_told(tmp_path: Path) -> None:
    assert refused(tmp_path) == ": a directory: not a plain file"


def test_a_fifo_is_told_without_waiting_for_a_writer(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    assert refused(tmp_path / "fifo") == ": a FIFO: not a plain file"


def test_a_device_is_told() -> None:
    assert refused(Path("/dev/zero")) == ": a device: not a plain file"


def test_a_socket_is_told(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "socket"))
        assert refused(tmp_path / "socket").startswith(": cannot be read: ")


def test_a_file_one_may_not_read_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", denied)  # as root, no mode of a file denies anything
    assert refused(tmp_path / "x") == ": permission denied: run it as root, or change the file's mode"


@pytest.mark.parametrize("path", ["a\0b", "x" * 5000, "loop"])
def test_a_path_that_cannot_be_is_told(path: str, tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(Mistake, match=r"cannot be read: \w") as told:
        load(tmp_path / path)
    assert str(told.value).isprintable()


def test_bytes_that_are_not_utf_8_are_told_with_their_line(tmp_path: Path) -> None:
    data = b"\xef\xbb\xbfwatch: packet\n# caf\xe9\n"
    assert refused(written(tmp_path, data)) == ":2: byte 0xe9: the file is not UTF-8 text"


def test_a_binary_file_is_told(tmp_path: Path) -> None:
    assert (
        refused(written(tmp_path, b"\x7fELF\x02\x01\x01\x00")) == ":1: character U+007F is not allowed here"
    )


def test_a_file_that_is_too_large_is_told(tmp_path: Path) -> None:
    path = written(tmp_path, b"#" * ((1 << 20) + 1))
    assert refused(path) == ": larger than 1 MiB: a file of this kind is a few kilobytes"


def test_sequences_that_everybody_can_read_draw_a_warning(tmp_path: Path) -> None:
    path = written(tmp_path, DOORS.replace("4617", "4618").encode(), 0o644)
    assert load(path).warnings == (
        f"{path}: mode 0644: its sequences are readable by every user: chmod o-rwx {path}",
    )


def test_the_documentations_own_sequence_is_no_secret(tmp_path: Path) -> None:
    assert load(written(tmp_path, DOORS.encode(), 0o644)).warnings == ()


def test_a_readable_file_without_sequences_in_it_draws_no_warning(tmp_path: Path) -> None:
    path = written(tmp_path, with_door("rotating: {pool: 20000-20999}").encode(), 0o644)
    assert load(path).warnings == ()


def test_a_file_that_everybody_can_change_draws_a_warning(tmp_path: Path) -> None:
    path = written(tmp_path, with_door("rotating: {pool: 20000-20999}").encode(), 0o646)
    assert load(path).warnings == (f"{path}: mode 0646: writable by every user: chmod o-rwx {path}",)
