"""The steps of `portress enrol --paper`: sheets drawn, entered in keyholders.yaml, written or told.

In: who is enrolled for which doors. Out: the keyholders' file with the new sheets in it, the pages as
files, and the text for the screen. No secret is in any of it but in keyholders.yaml.
"""

from __future__ import annotations

import json
import secrets
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from attrs import evolve

from portress import by_hand
from portress.config.model import Config, Door
from portress.errors import Mistake
from portress.keyholders import enrolling, sheet
from portress.keyholders.enrolling import Enrolment
from portress.keyholders.keyholder import Sheet
from portress.keyholders.place import InFleet, Kept
from portress.ledger import witness
from portress.paths import Paths
from portress.strength.doors import silent

_ENDINGS: Final = (".pdf", ".txt")


def checked_page(text: str) -> Path:
    """The file that a page is written to, by its ending a PDF or text. Raises ValueError."""
    path = Path(text)
    if path.suffix not in _ENDINGS:
        raise ValueError("a page is a .pdf or a .txt file, for example ana-paper.pdf")
    return path


def hand_over(
    paths: Paths,
    config: Config,
    kept: Kept,
    new: Enrolment,
    keycards: Mapping[Path, str],
    file: Path | None,
    as_json: bool,
) -> str:
    """Enter new sheets for the enrolment's doors, write `keycards` and the page to `file`, and say what
    there is to be told. `enrolled`: the keyholder is in the file already. Raises Mistake; then nothing
    has changed.
    """
    era = present_era(paths) if config.fleet is None else InFleet(config.fleet).era()
    enrolled = kept.known(new.keyholder.name) is not None
    deaf = silent(config)
    who, below = new.keyholder, secrets.randbelow
    sheets = {door.name: sheet.new(who, door, era, new.site, deaf, below) for door in new.doors}
    pages = [_page(new, door, sheets[door.name]) for door in new.doors]
    files: dict[Path, str | bytes] = dict(keycards)
    if file is not None:
        files[file] = sheet.pdf(pages) if file.suffix == ".pdf" else "\f".join(map(sheet.text, pages))
    enrolling.write_new(files)
    try:
        if enrolled:
            kept.print_paper(who.name, sheets)
        else:
            kept.add(evolve(who, paper=sheets))
    except BaseException:
        enrolling.remove(files)
        raise
    if as_json:
        shown = [] if file is not None else [sheet.plain(page) for page in pages]
        return json.dumps({"keyholder": who.name, "written": list(map(str, files)), "paper": shown}, indent=2)
    return _told(new, files, pages, hidden=file is not None, enrolled=enrolled, again=bool(who.paper))


def _page(new: Enrolment, door: Door, one: Sheet) -> sheet.Printout:
    today = datetime.now(UTC).date().isoformat()
    found = sheet.sequences(new.keyholder, door, one, new.site)
    return sheet.Printout(new.keyholder.name, door, new.host, tuple(found), today)


def _told(
    new: Enrolment,
    files: Mapping[Path, str | bytes],
    pages: list[sheet.Printout],
    *,
    hidden: bool,
    enrolled: bool,
    again: bool,
) -> str:
    who, doors = new.keyholder, " and ".join(door.name for door in new.doors)
    lines = []
    if not enrolled:
        lines.append(f"{who.name} is enrolled for {doors} (style {who.style}), with paper.")
    elif any(door.name in who.paper for door in new.doors) and again:
        lines.append(f"{who.name} has new paper for {doors}; the sheet before is void.")
    else:
        lines.append(f"{who.name} has paper for {doors}.")
    if files:
        lines.append(
            f"Written: {', '.join(map(str, files))}. Anyone who has it can open the door: mode 0600."
        )
    if not hidden:
        lines += ["", *map(sheet.text, pages)]
    told = f"{by_hand.KNOCKS}: one line of the paper, as it is printed there."
    return "\n".join([*lines, *by_hand.lines(new.host), told])


def present_era(paths: Paths) -> str:
    """The era that new paper is of: the witness's, which is begun where there is none. Raises Mistake."""
    places = paths.witnesses[:1]
    present = witness.read(places)
    if present is None:
        present = witness.begun(None, time.time(), secrets.token_bytes(witness.ERA))
        try:
            witness.write(places, present)
        except OSError as error:
            where = error.filename or places[0]
            raise Mistake(f"{where}: no paper without a record of its uses: {error.strerror}") from error
    return present.era
