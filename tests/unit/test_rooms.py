"""The shape of the package, read from its source: no circle of imports, a core without I/O, nothing long."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Final

import pytest

REPOSITORY: Final = Path(__file__).resolve().parents[2]
PACKAGE: Final = REPOSITORY / "daemon" / "portress"
LONGEST_FILE, LONGEST_FUNCTION = 400, 40
ALONE: Final = ("portress-knock",)  # one file by design: it is copied to computers that have nothing else

# Functions of their arguments alone: what they import reads and writes nothing, and asks for no time.
PURE: Final = (
    "tracker",
    "knock",
    "verdict",
    "verdict_words",
    "mirror",
    "admissions",
    "durations",
    "sequence.*",
    "guard.ruleset",
    "guard.contents",
    "guard.decide",
    "guard.language",
    "guard.report",
    "guard.closed",
    "guard.one_connection",
    "strength.odds",
    "strength.doors",
)
WITH_IO: Final = (
    "asyncio",
    "aiohttp",
    "click",
    "ctypes",
    "dpkt",
    "fcntl",
    "glob",
    "http",
    "io",
    "logging",
    "multiprocessing",
    "nftables",
    "os",
    "prometheus_client",
    "pwd",
    "pyroute2",
    "random",
    "rich",
    "secrets",
    "select",
    "selectors",
    "shutil",
    "signal",
    "socket",
    "socketserver",
    "sqlite3",
    "ssl",
    "subprocess",
    "systemd",
    "tempfile",
    "termios",
    "threading",
    "time",
    "urllib.request",
    "yaml",
)


def _files() -> Iterator[Path]:
    return (one for one in sorted(PACKAGE.rglob("*.py")))


def _name(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES: Final = {_name(path): path for path in _files()}


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text())


def _nodes(body: list[ast.stmt]) -> Iterator[ast.stmt]:
    """The statements that run at import: not those of functions, nor those for the type checker alone."""
    for node in body:
        yield node
        if isinstance(node, ast.If):
            if ast.unparse(node.test) != "TYPE_CHECKING":
                yield from _nodes(node.body)
            yield from _nodes(node.orelse)
        elif isinstance(node, ast.Try):
            yield from _nodes([*node.body, *node.orelse, *node.finalbody])
        elif isinstance(node, ast.ClassDef | ast.With):
            yield from _nodes(node.body)


@cache
def imported(name: str, *, everywhere: bool = False) -> set[str]:
    """What the module imports, ours by their modules; `everywhere`: in functions and for types, too."""
    tree = _tree(MODULES[name])
    found: set[str] = set()
    for node in ast.walk(tree) if everywhere else _nodes(tree.body):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                found.add(inner if inner in MODULES else node.module)
    return found


def circles(everywhere: bool) -> list[list[str]]:
    """Modules that import each other, directly or by others: Tarjan's strongly connected components."""
    graph = {name: imported(name, everywhere=everywhere) & MODULES.keys() - {name} for name in MODULES}
    order: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    found: list[list[str]] = []

    def visit(name: str) -> None:
        order[name] = low[name] = len(order)
        stack.append(name)
        for other in graph[name]:
            if other not in order:
                visit(other)
                low[name] = min(low[name], low[other])
            elif other in stack:
                low[name] = min(low[name], order[other])
        if low[name] == order[name]:
            together = [stack.pop()]
            while together[-1] != name:
                together.append(stack.pop())
            if len(together) > 1:
                found.append(sorted(together))

    for name in graph:
        if name not in order:
            visit(name)
    return found


@pytest.mark.parametrize("everywhere", [False, True])
def test_no_modules_import_each_other_in_a_circle(everywhere: bool) -> None:
    assert circles(everywhere) == []


def _is_pure(name: str) -> bool:
    short = name.removeprefix("portress.")
    return any(short == one or (one.endswith(".*") and short.startswith(one[:-1])) for one in PURE)


def _reached(name: str) -> dict[str, list[str]]:
    """Every module of ours that importing `name` leads to, with the way there."""
    ways = {name: [name]}
    todo = [name]
    while todo:
        now = todo.pop()
        for other in imported(now) & MODULES.keys():
            if other not in ways:
                ways[other] = [*ways[now], other]
                todo.append(other)
    return ways


@pytest.mark.parametrize("name", [name for name in MODULES if _is_pure(name)])
def test_the_core_imports_nothing_that_does_io(name: str) -> None:
    for module, way in _reached(name).items():
        for other in imported(module):
            does_io = any(f"{other}.".startswith(f"{one}.") for one in WITH_IO)
            assert not does_io, " -> ".join([*way, other])


def test_each_name_of_the_core_is_there() -> None:
    for one in PURE:
        assert any(f"portress.{one.removesuffix('.*')}" == name for name in MODULES), one


def _all_sources() -> list[Path]:
    scripts = (REPOSITORY / "scripts").rglob("*")
    ours = [one for one in scripts if one.is_file() and _is_python(one)]
    return [*_files(), *ours]


def _is_python(path: Path) -> bool:
    if path.suffix == ".py":
        return True
    with path.open("rb") as file:
        first = file.readline()
    return first.startswith(b"#!") and b"python" in first


@pytest.mark.parametrize("path", _all_sources(), ids=lambda path: str(path.relative_to(REPOSITORY)))
def test_no_file_and_no_function_is_too_long(path: Path) -> None:
    text = path.read_text()
    assert len(text.splitlines()) <= LONGEST_FILE or path.name in ALONE
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert node.end_lineno is not None
            length = node.end_lineno - node.lineno + 1
            assert length <= LONGEST_FUNCTION, f"{node.name}: {length} lines"


def test_one_class_name_is_one_thing() -> None:
    seen: dict[str, str] = {}
    twice: list[str] = []
    for name in MODULES:
        for node in _tree(MODULES[name]).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                if node.name in seen:
                    twice.append(f"{node.name}: {seen[node.name]} and {name}")
                seen[node.name] = name
    assert twice == []


@cache
def _methods() -> set[str]:
    """The names of all methods of ours, but properties."""
    return {
        one.name
        for path in MODULES.values()
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.ClassDef)
        for one in node.body
        if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef) and not one.decorator_list
    }


@pytest.mark.parametrize("name", MODULES)
def test_nobody_is_given_what_he_calls_after_he_was_made(name: str) -> None:
    methods = _methods()
    for node in ast.walk(_tree(MODULES[name])):
        if not isinstance(node, ast.Assign):
            continue
        called = isinstance(node.value, ast.Lambda) or (
            isinstance(node.value, ast.Attribute)
            and node.value.attr in methods
            and ast.unparse(node.value).startswith("self.")
        )
        for target in node.targets if called else ():
            mine = isinstance(target, ast.Attribute) and ast.unparse(target.value) == "self"
            assert mine or not isinstance(target, ast.Attribute), ast.unparse(node)


DEVELOPERS: Final = (REPOSITORY / "DEVELOPERS.md").read_text()


def test_every_room_has_its_line_for_contributors() -> None:
    inside = {path.parent.relative_to(PACKAGE) for path in _files()} - {Path()}
    assert {"fleet", "run", "guard"} <= {str(one) for one in inside}
    for one in inside:
        assert f"{one}/`" in DEVELOPERS, one
    for path in sorted(REPOSITORY.iterdir()):
        if path.is_dir() and not path.name.startswith(".") and path.name not in MADE:
            assert f"`{path.name}/" in DEVELOPERS, path.name


MADE: Final = ("build", "dist", "__pycache__")


def test_the_places_that_contributors_are_sent_to_are_there() -> None:
    places = [REPOSITORY, PACKAGE, REPOSITORY / "shared", REPOSITORY / "tests"]
    named = set(re.findall(r"`([a-z_]+/[\w./-]*)`", DEVELOPERS)) - {"commands/NAME.py"}
    assert len(named) > 50
    for one in named:
        if not re.match(r"(tcp|udp)/[0-9]", one):
            assert any((place / one).exists() or (place / f"{one}.py").exists() for place in places), one


@pytest.mark.parametrize(
    "what",
    [
        "a verb",
        "a configuration key",
        "a watcher",
        "an event",
        "a metric",
        "a check of the doctor",
        "a way to let somebody in",
    ],
)
def test_contributors_are_told_how_to_add(what: str) -> None:
    assert re.search(rf"^\*\*{what}\*\*: .*`", DEVELOPERS.partition("## How to add")[2], re.MULTILINE)


def test_a_verb_that_only_asks_or_loads_the_guard_has_no_event_loop_to_load() -> None:
    verbs = ("status", "admit", "dismiss", "guard", "unguard", "enrol", "unenrol", "keyholders", "check")
    loaded = "; ".join(f"import portress.commands.{verb}" for verb in verbs)
    script = f"import sys; {loaded}; print('asyncio' in sys.modules)"
    assert subprocess.check_output([sys.executable, "-c", script], text=True) == "False\n"
