"""Which admissions are meant: those of a door, a keyholder, a source or network; in which order. Pure.

The same words for every verb that lists or ends admissions. In: what somebody asked for, on a command line
or in a request. Out: whether an admission is meant, and what it is sorted by.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from typing import Any, Final

from attrs import field, frozen

from portress.admissions import Admission
from portress.durations import counted
from portress.errors import Mistake
from portress.knock import Source

SORTS: Final = ("left", "since", "source", "door", "keyholder")  # a `-` before it: the other way round

_KEYS: Final[Mapping[str, Callable[[Admission], Any]]] = {
    "left": lambda one: one.until,
    "since": lambda one: one.since,
    "source": lambda one: (one.source.family, one.source.packed, one.source.port),
    "door": lambda one: (one.door, one.until),
    "keyholder": lambda one: (one.keyholder or "", one.until),
}


def _bits(source: Source, count: int) -> int:
    return int.from_bytes(source.packed, "big") >> (len(source.packed) * 8 - count)


@frozen
class Narrow:
    """What is asked for; None: whatever. `source`: it, those inside it, and the prefixes it is in."""

    door: str | None = None
    keyholder: str | None = None
    source: Source | None = None
    sort: str = field(default=SORTS[0])

    def __bool__(self) -> bool:
        """Whether it leaves anything out."""
        return not (self.door is None and self.keyholder is None and self.source is None)

    @property
    def words(self) -> str:
        """It in words, to go after `admission`."""
        told = [
            *([f"in {self.source}"] if self.source is not None else []),
            *([f"to {self.door}"] if self.door is not None else []),
            *([f"of keyholder {self.keyholder}"] if self.keyholder is not None else []),
        ]
        return " ".join(told)

    def covers(self, door: str, source: Source, keyholder: str | None) -> bool:
        """Whether an admission of that source, through that door, of that keyholder is meant."""
        if self.door not in (None, door) or self.keyholder not in (None, keyholder):
            return False
        return self.source is None or near(self.source, source)

    def kept(self, listed: Iterable[Admission]) -> list[Admission]:
        """Those of `listed` that `covers` holds for, in a tenth of the time."""
        door, keyholder, wanted = self.door, self.keyholder, self.source
        found = [*listed]
        if door is not None:
            found = [one for one in found if one.door == door]
        if keyholder is not None:
            found = [one for one in found if one.keyholder == keyholder]
        if wanted is not None:
            first, length, size = wanted.packed, wanted.length, len(wanted.packed)
            last = (int.from_bytes(first, "big") | (1 << size * 8 - length) - 1).to_bytes(size, "big")
            found = [
                one
                for one in found
                if (first <= (packed := one.source.packed) <= last and len(packed) == size)
                or (one.source.length < length and near(wanted, one.source))
            ]
        return found

    def request(self) -> dict[str, Any]:
        """It as part of a request to the daemon."""
        source = None if self.source is None else str(self.source)
        told = {"door": self.door, "keyholder": self.keyholder, "source": source, "sort": self.sort}
        return {key: value for key, value in told.items() if value is not None}

    @classmethod
    def read(cls, request: Mapping[str, Any]) -> Narrow:
        """What `request` made. Raises Mistake."""
        words = {key: request.get(key) for key in ("door", "keyholder", "source", "sort")}
        for key, value in words.items():
            if value is not None and not isinstance(value, str):
                raise Mistake(f"'{key}' is a word")
        try:
            source = None if words["source"] is None else Source.parse(str(words["source"]))
        except ValueError as error:
            raise Mistake(f"'{words['source']}': {error}") from None
        sort = words["sort"] or SORTS[0]
        if sort.removeprefix("-") not in SORTS:
            raise Mistake(f"'{sort}': no such order; one of {', '.join(SORTS)}")
        return cls(words["door"], words["keyholder"], source, sort)

    @property
    def backwards(self) -> bool:
        """Whether the greatest comes first."""
        return self.sort.startswith("-")

    @property
    def key(self) -> Callable[[Admission], Any]:
        """What admissions are sorted by."""
        return _KEYS[self.sort.removeprefix("-")]


def near(one: Source, other: Source) -> bool:
    """Whether one of two sources is inside the other."""
    shared = min(one.length, other.length)
    return one.family == other.family and _bits(one, shared) == _bits(other, shared)


def who(narrow: Narrow, admissions: int, sources: Collection[Source]) -> str:
    """Of whom so many admissions were: a single source by its name, others by their number."""
    if len(sources) == 1:
        return f"{next(iter(sources))} is"
    return f"{counted(admissions, 'admission')} of {counted(len(sources), 'source')} {narrow.words}:"
