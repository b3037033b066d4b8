"""A tracker and a clock, for tests that knock: what is expected in, verdicts out. No network."""

from __future__ import annotations

from collections.abc import Iterable

from portress.config.model import Misses
from portress.knock import SECOND, Expected, Knock, Sequence
from portress.sequence.trie import Trie
from portress.tracker import Tracker
from portress.verdict import Completed, Use, Verdict

A, B, C, D, E, F = (
    int(Knock.parse(text))
    for text in ("tcp/4617", "udp/2953", "tcp/6381", "udp/4617", "tcp/8642", "udp/6042")
)
HOME, WORK, AWAY, FAR = b"\xc6\x33\x64\x07", b"\xcb\x00\x71\x09", b"\xc0\x00\x02\x01", b"\xc0\x00\x02\x02"
MISSES = Misses(limit=3, within=100 * SECOND, shun=600 * SECOND)


def expect(
    door: str,
    *knocks: int,
    gap: float = 60,
    keyholder: str | None = None,
    step: int | None = None,
    secret: int = 0,
    everywhere: bool = False,
) -> Expected:
    """`secret`: which of the keyholder's; `everywhere`: it is used at all doors together."""
    claim = b"" if step is None else f"{keyholder} {secret} {'' if everywhere else door}".encode()
    return Expected(Sequence(tuple(map(Knock, knocks)), int(gap * SECOND)), door, keyholder, step, claim)


def ana(step: int, *knocks: int, door: str = "vpn", gap: float = 60, secret: int = 0) -> Expected:
    return expect(door, *knocks, gap=gap, keyholder="ana", step=step, secret=secret)


def code(step: int, *knocks: int, door: str = "vpn") -> Expected:
    """Of an authenticator of ana's."""
    return expect(door, *knocks, keyholder="ana", step=step, everywhere=True)


ANA = ana(0, 1).claim


SSH = expect("ssh", A, B, C)


class Host:
    """A tracker and a clock: `hear` at a moment in seconds (and ns beyond it), or at the last one."""

    def __init__(
        self,
        *expected: Expected,
        limit: int = 65536,
        misses: Misses | None = None,
        used: dict[bytes, Use] | None = None,
        floor: int = -1,
    ) -> None:
        self.tracker = Tracker(Trie(expected), limit=limit, misses=misses, used=used, floor=floor)
        self.now = 0

    def at(self, seconds: float, ns: int = 0) -> None:
        now = int(seconds * SECOND) + ns
        assert now >= self.now, "time does not go back"
        self.now = now

    def hear(self, knock: int, seconds: float | None = None, ns: int = 0, source: bytes = HOME) -> Verdict:
        if seconds is not None:
            self.at(seconds, ns)
        return self.tracker.hear(source, knock, self.now)

    def hear_all(self, *knocks: int, source: bytes = HOME) -> list[Verdict]:
        return [self.hear(knock, source=source) for knock in knocks]

    def expect(self, *expected: Expected) -> None:
        self.tracker.replace(Trie(expected))

    def callers(self) -> dict[object, int]:
        """Who stands at which stage."""
        return {source: where.stage for source, where, _ in self.tracker.callers(self.now)}


def opened(verdicts: Iterable[Verdict]) -> list[str]:
    return [one.door for verdict in verdicts if isinstance(verdict, Completed) for one in verdict.openings]
