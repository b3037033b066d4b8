"""The command line of the measurements: which to run, how long, and what to print."""

from __future__ import annotations

import argparse
import signal
import sys
import time
from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from typing import Final

from benchmarks import figures
from benchmarks.figures import Figure
from lab.space import LabError
from portress.errors import Mistake

REPOSITORY: Final = Path(__file__).resolve().parents[2]
OUT: Final = REPOSITORY / "build" / "bench.json"
Measure = Callable[[bool], Iterator[Figure]]  # told whether to be quick

SUBJECTS: Final = {
    "opening": "from the last knock to the open door",
    "packets": "what a packet costs in the guard",
    "hearing": "knocks a second, where the daemon decides",
    "flooding": "honest knocks in a flood",
    "callers": "very many callers",
    "admitting": "very many admissions",
    "seat": "the verbs of an operator with 100,000 admissions",
    "passing": "what the guard costs honest traffic",
    "stepping": "a change of the time step",
    "tracing": "a capture of a million packets",
    "polling": "the counter watcher",
    "starting": "start-up, memory, idle work",
    "worth": "hours, paper, places, single connections",
    "fleet": "several gateways over one store",
}


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="scripts/bench", description="Measures how fast Portress is.")
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"some of: {', '.join(SUBJECTS)}")
    parser.add_argument("--quick", action="store_true", help="shorter, and less exact")
    parser.add_argument("--list", action="store_true", help="name what there is")
    parser.add_argument("--markdown", action="store_true", help="print the last run's table as Markdown")
    parser.add_argument("--out", type=Path, default=OUT, metavar="FILE", help="the JSON file")
    given = parser.parse_args()
    unknown = [name for name in given.names if name not in SUBJECTS]
    if unknown:
        parser.error(f"no such measurement: {', '.join(unknown)}; there are {', '.join(SUBJECTS)}")
    return given


def _run(names: list[str], quick: bool) -> tuple[list[Figure], list[str]]:
    found: list[Figure] = []
    failed: list[str] = []
    for name in names:
        begun = time.monotonic()
        print(f"== {name}: {SUBJECTS[name]}", file=sys.stderr, flush=True)
        measure: Measure = import_module(f"benchmarks.{name}").measure
        try:
            for figure in measure(quick):
                found.append(figure)
                print(f"   {figure.what}: {figures.number(figure.value)} {figure.unit}", file=sys.stderr)
        except (LabError, OSError, Mistake) as error:
            failed.append(name)
            print(f"   could not be measured: {str(error)[:500]}", file=sys.stderr)
        print(f"   {time.monotonic() - begun:.0f} s", file=sys.stderr, flush=True)
    return found, failed


def _stop(number: int, _frame: object) -> None:
    raise KeyboardInterrupt(signal.Signals(number).name)


def main() -> int:
    given = _arguments()
    if given.list:
        for name, text in SUBJECTS.items():
            print(f"{name:10} {text}")
        return 0
    if given.markdown:
        kept, about = figures.read(given.out)
        print(figures.markdown(kept, about), end="")
        return 0
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _stop)
    begun, about = time.time(), figures.machine()
    found, failed = _run(given.names or list(SUBJECTS), given.quick)
    more = {"begun": begun, "seconds": round(time.time() - begun, 1), "quick": given.quick, "failed": failed}
    figures.write(given.out, found, about, more)
    figures.show(found, about)
    print(f"{more['seconds']:.0f} s; {given.out}")
    return 1 if failed else 0


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)
