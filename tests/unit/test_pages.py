"""What comments, docstrings and pages point at is in the tree; the README keeps its size and its order."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from portress.doctor.probe.upkeep import FIRST_STEPS

ROOT = Path(__file__).resolve().parents[2]
_LISTED = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True).stdout.split()
# A tree without git, as in a package's build: what lies there, without what tools have made.
FILES = _LISTED or [
    str(path.relative_to(ROOT))
    for top in ("daemon", "scripts", "tests", "shared", "config", "systemd")
    for path in (ROOT / top).rglob("*")
    if path.is_file() and "__pycache__" not in path.parts
] + ["README.md", "DEVELOPERS.md"]
NAMES = {Path(file).name for file in FILES}
CODE = [file for file in FILES if file.endswith(".py") and (ROOT / file).exists()]
PAGES = [file for file in FILES if file.endswith(".md") and (ROOT / file).exists()]
# Files that the program or its tests make, or that belong to others.
MADE = {"script.py", "sitecustomize.py", "setup.py"}


def _comments(text: str) -> str:
    """What of a Python file is for people: its comments and its docstrings."""
    strings = re.findall(r'"""(.*?)"""', text, re.DOTALL)
    return "\n".join([*strings, *re.findall(r"# (.*)$", text, re.MULTILINE)])


@pytest.mark.parametrize("file", CODE)
def test_no_docstring_points_at_a_file_that_is_not_there(file: str) -> None:
    said = _comments((ROOT / file).read_text())
    named = {Path(name).name for name in re.findall(r"\b([\w/]+\.(?:py|md))\b", said)}
    assert named - NAMES - MADE == set()
    assert "DESIGN" not in said


@pytest.mark.parametrize("page", PAGES)
def test_a_pages_links_lead_somewhere(page: str) -> None:
    text = (ROOT / page).read_text()
    for link in re.findall(r"(?:\]\(|src=\")([^)\s\"]+)", text):
        target, _, anchor = link.partition("#")
        if "://" in target:
            continue
        file = (ROOT / page).parent / target if target else ROOT / page
        assert file.exists(), link
        if anchor:
            heads = re.findall(r"^#+ (.*)$", file.read_text(), re.MULTILINE)
            assert anchor in {re.sub(r"[^\w -]", "", head).lower().replace(" ", "-") for head in heads}, link


@pytest.mark.parametrize("page", PAGES)
def test_a_pages_tests_and_files_exist(page: str) -> None:
    """Paths of the tree as pages write them in backticks, and tests named behind two colons."""
    for path, _, test in re.findall(
        r"`((?:tests|daemon|scripts|shared|config|systemd)/[\w./-]+)(::(\w+))?`", (ROOT / page).read_text()
    ):
        inside = ROOT / "daemon/portress" / path
        assert (ROOT / path).exists() or inside.exists(), path
        if test:
            assert f"def {test}(" in (ROOT / path).read_text(), f"{path}::{test}"


def test_the_readme_is_short_and_in_the_order_of_a_first_day() -> None:
    text = (ROOT / "README.md").read_text()
    assert text.count("\n") < 220
    assert re.findall(r"^## (.*)$", text, re.MULTILINE) == [
        "Try it",
        "Install it without locking yourself out",
        "Configuration by example",
        "Connecting",
        "What is going on",
        "When things go wrong",
        "What it does not protect from",
        "How fast",
        "Where to read on",
    ]


def test_the_trades_term_is_where_people_look_for_it_once() -> None:
    first = (ROOT / "README.md").read_text().split("\n\n")[1]
    control = (ROOT / "systemd/debian/control").read_text().partition("Description:")[2]
    summary = re.search(r'^description = "(.*)"$', (ROOT / "pyproject.toml").read_text(), re.MULTILINE)
    manual = (ROOT / "shared/man/portress.1").read_text()
    assert summary is not None
    for text in (first, control, summary[1], manual):
        assert len(re.findall(r"port[ -]knocking", text.replace("\n", " "), re.IGNORECASE)) == 1


def test_the_order_of_the_first_steps_is_the_same_everywhere() -> None:
    """README, doctor, installed configuration and manual: check, doctor, trial, start, keep, enable."""
    steps = [
        "portress check",
        "portress doctor",
        "portress guard --trial 5m",
        "systemctl start portress",
        "portress guard --keep",
        "systemctl enable portress",
    ]
    for file, begin in {
        "README.md": "## Install",
        "systemd/debian/portress.yaml": "",
        "shared/man/portress.1": ".SH SWITCHING ON",
    }.items():
        text = (ROOT / file).read_text().partition(begin)[2] if begin else (ROOT / file).read_text()
        text = text.replace("\\-", "-")
        places = [text.find(step) for step in steps]
        assert -1 not in places, (file, steps[places.index(-1)])
        assert places == sorted(places), file
    places = [
        FIRST_STEPS.find(step) for step in steps[2:]
    ]  # check and doctor come before the doctor's advice
    assert -1 not in places
    assert places == sorted(places)


def test_the_contributors_page_names_modules_that_exist() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text()
    package = ROOT / "daemon/portress"
    for name in re.findall(r"`((?:[a-z_]+/)*[a-z_]+\.py)`", text):
        assert any((top / name).exists() for top in (package, ROOT)), name
    for name in re.findall(r"`([a-z_]+/[a-z_]*)`", text):
        assert any((top / name).exists() or (top / f"{name}.py").exists() for top in (package, ROOT)), name
    rooms = {path.name for path in package.iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert {room for room in rooms if f"{room}/" not in text} == set()


@pytest.mark.parametrize("picture", sorted((ROOT / "shared/doc").glob("*.svg")), ids=lambda path: path.name)
def test_a_picture_loads_nothing(picture: Path) -> None:
    drawn = re.sub(r"<!--.*?-->|xmlns=\"[^\"]*\"", "", picture.read_text(), flags=re.DOTALL)
    assert "<svg" in drawn
    assert not re.findall(r"https?:|url\((?!#)|href", drawn)
