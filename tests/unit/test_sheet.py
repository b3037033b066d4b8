"""Sheets of paper as they are printed: read back by Poppler, whose reading of a PDF is not ours."""

from __future__ import annotations

import re
import subprocess
from itertools import pairwise
from pathlib import Path

import pytest

from portress.config import load as configuration
from portress.errors import Mistake
from portress.keyholders import sheet
from portress.keyholders.keyholder import Keyholder, Sheet
from portress.keyholders.sheet import Printout

ANA = Keyholder("ana", ("ssh",), b"a secret of twenty b")
A4 = (595.28, 841.89)  # points, ISO 216
SMALLEST = 5.5  # points of a word's box, for letters of 7: common practice, no source
LONG_HOST = f"{'gate-' * 12}x.example.org"


def page(paper: str = "{}", host: str = "gate.example.org", count: int = 10) -> Printout:
    text = f"doors: {{ssh: {{services: [tcp/22], stay: 1h, rotating: {{}}, paper: {paper}}}}}"
    door = configuration.parse(text, "portress.yaml").doors["ssh"]
    found = sheet.sequences(ANA, door, Sheet(1, count, "00" * 8), "")
    return Printout("ana", door, host, tuple(found), "2026-11-25")


def words(data: bytes, folder: Path) -> list[list[tuple[str, list[float]]]]:
    """Of each leaf the words, each with its box: left, top, right, bottom, in points."""
    (folder / "page.pdf").write_bytes(data)
    done = subprocess.run(
        ["pdftotext", "-bbox", "page.pdf", "-"], cwd=folder, capture_output=True, text=True, check=True
    )
    leaves = []
    for one in re.findall(r"<page .*?</page>", done.stdout, re.DOTALL):
        found = re.findall(r'<word xMin="(.*?)" yMin="(.*?)" xMax="(.*?)" yMax="(.*?)">(.*?)</word>', one)
        leaves.append([(word, [float(each) for each in box]) for *box, word in found])
    return leaves


@pytest.mark.parametrize("host", ["gate.example.org", LONG_HOST])
@pytest.mark.parametrize(
    ("paper", "count", "many"),
    [
        ("{}", 10, 1),
        ("{sequences: 50, length: 8, protocols: [tcp, udp]}", 50, 2),
        ("{sequences: 100}", 100, 3),
    ],
)
def test_every_port_of_every_line_is_on_the_printed_page(
    paper: str, count: int, many: int, host: str, tmp_path: Path
) -> None:
    one = page(paper, host, count)
    leaves = words(sheet.pdf([one]), tmp_path)
    assert len(leaves) == many
    printed = " ".join(word for leaf in leaves for word, _ in leaf)
    for number, sequence in enumerate(one.sequences, 1):
        udp = "udp" in paper
        ports = " ".join(str(each).replace("/", " ") if udp else str(each.port) for each in sequence.knocks)
        assert f"[ ] {number} {ports} ____________" in printed
    for leaf in leaves:
        title = " ".join(word for word, _ in leaf)
        assert title.startswith(f"Paper for door ssh of {host}")
        for word, (left, top, right, bottom) in leaf:
            assert 20 <= left < right <= A4[0] - 20 and 20 <= top < bottom <= A4[1] - 20, word


def test_lines_can_be_read_struck_out_and_told_apart(tmp_path: Path) -> None:
    (leaf,) = words(sheet.pdf([page()]), tmp_path)
    blanks = sorted(box[1] for word, box in leaf if word == "____________")
    assert len(blanks) == 10
    assert min(later - before for before, later in pairwise(blanks)) >= 15
    assert all(box[3] - box[1] >= SMALLEST for _, box in leaf)
    (leaf, more) = words(
        sheet.pdf([page("{sequences: 50, length: 8, protocols: [tcp, udp]}", count=50)]), tmp_path
    )
    assert all(box[3] - box[1] >= SMALLEST for _, box in [*leaf, *more])


def test_each_door_begins_on_a_page_of_its_own(tmp_path: Path) -> None:
    assert len(words(sheet.pdf([page(), page()]), tmp_path)) == 2


def test_neither_the_text_nor_the_pdf_holds_the_secret(tmp_path: Path) -> None:
    one = page()
    (tmp_path / "page.pdf").write_bytes(sheet.pdf([one]))
    read = subprocess.run(
        ["pdftotext", "page.pdf", "-"], cwd=tmp_path, capture_output=True, text=True, check=True
    ).stdout
    about = subprocess.run(
        ["pdfinfo", "page.pdf"], cwd=tmp_path, capture_output=True, text=True, check=True
    ).stdout
    for text in (sheet.text(one), read, about):
        assert "a secret" not in text and "MEQHGZLDOJSXI" not in text
    assert "gate.example.org" not in about  # what print queues and viewers show


def test_a_pool_that_is_guarded_leaves_no_room_for_paper() -> None:
    config = (
        "doors: {ssh: {services: [tcp/20000-20009], stay: 1h, rotating: {},"
        " paper: {pool: 20000-20011, length: 3, sequences: 10}}}"
    )
    with pytest.raises(Mistake, match="paper"):
        door = configuration.parse(config, "portress.yaml").doors["ssh"]
        deaf = [6 << 16 | port for port in range(20000, 20010)]
        sheet.new(ANA, door, "00" * 8, "", deaf, lambda top: top // 2)
