"""How hard the doors are to guess: what `portress strength` says of each, worked out from its configuration.

In: a configuration, the number of keyholders of each door, and an attack to measure against. Out: frozen
`Strength` values, one for each way a door opens. Pure. Formulas are in odds.py, warnings in pitfalls.py.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from fractions import Fraction
from typing import Final, Literal

from attrs import evolve, frozen

from portress import hours
from portress.config.model import Authenticator, Config, Misses, Paper, Rotating
from portress.durations import YEAR, count, roughly
from portress.knock import PROTOCOL_NAMES, SECOND, Sequence
from portress.sequence.paper import OPENERS
from portress.strength import odds

Kind = Literal["fixed", "rotating", "authenticator", "paper"]

# Common practice, no source: people pick ports of four digits.
PICKED: Final = (1000, 9999)
PICKED_TEXT: Final = "ports 1000 to 9999: common practice, no source"
SCANS: Final = 100
# Common practice, no source: the chance of a break-in within a year from which a door is called what.
_GRADES: Final = ((1e-6, "strong"), (1e-3, "sound"), (0.1, "weak"), (math.inf, "very weak"))
_OPEN: Final = "open to a sweep"

_SHARED = "Anyone behind the same public address (NAT) shares the admission."
_GAP = (
    "Anyone behind the same public address (NAT) who dials the door from the knocker's own port between the "
    "last knock and the connection takes its place."
)
_ALTERED = "Anyone who can alter traffic on the path can take over an admitted connection."
_READ = "Anyone on the path can read a fixed sequence and replay it, however long it is."
_FORGED = "Anyone who knows a fixed sequence can have any address admitted, by forging it as the source."
_SPOILT = (
    "Anyone who can listen and forge packets can spoil a sequence with one packet while it is being knocked, "
    "and use it instead of its keyholder, until it is used up or its time is over."
)
_STOLEN = "Anyone who has a keyholder's secret can knock as that keyholder until they are unenrolled."


@frozen
class Attack:
    """What is thrown at the doors: `sources`, each sending `rate` packets/s, over a line of `link` bit/s."""

    sources: int = 1000
    rate: float = 1000.0
    link: float = 1e9

    @property
    def line(self) -> float:
        """The most packets a second the line carries."""
        return odds.frames(self.link)


@frozen
class Search:
    """One way of guessing a door's sequence: out of `space`, in which `possible` sequences can be made."""

    space: str
    short: str  # the same in a word or two
    possible: int  # sequences that can be made of them
    in_force: int  # of these, how many open the door at any moment
    packets: int  # the fewest packets that test one more sequence
    renewed: bool  # the sequences in force change, so what was tried may come up again
    brake: float | None  # guesses/s that shunning leaves one source; None: nobody is shunned, or no use
    remembered: int  # of so many sources at once the misses are remembered (rule 10)

    @property
    def bits(self) -> float:
        return odds.bits(self.possible)

    def pace(self, attack: Attack, sources: int | None, *, shunning: bool) -> float:
        """Guesses a second by that many sources; None: as many as fill the line, at their best each."""
        line = attack.line / self.packets
        if sources is None:
            return line
        braked = shunning and self.brake is not None and sources <= self.remembered
        brake = self.brake if braked and self.brake is not None else math.inf
        return min(sources * min(attack.rate / self.packets, brake), line)

    def mean(self, pace: float) -> float:
        """The expected time to a break-in, in s, at `pace` guesses/s."""
        return odds.mean_guesses(self.possible, self.in_force, renewed=self.renewed) / pace

    def chance(self, pace: float, seconds: float) -> float:
        """The chance of a break-in within `seconds` at `pace` guesses/s."""
        return odds.chance_within(pace * seconds, self.possible, self.in_force, renewed=self.renewed)


@frozen
class Scans:
    """What port scans do to a door. Where not `exact`, a chance is no less than the true one."""

    exact: bool
    upwards: Fraction  # one sweep upwards, the most dangerous of those over one or both protocols
    downwards: Fraction
    opening: tuple[str, ...]  # the sweeps that open a fixed sequence
    repeated: tuple[str, ...]  # those that open it when repeated without end
    random: Fraction  # one scan of both protocols in random order
    random_many: float  # SCANS of them, one after the other
    too_slow: bool  # at this rate the gap ends between any two packets of a scan


@frozen
class OpenerStrength:
    """One way of opening one door."""

    door: str
    kind: Kind
    length: int  # knocks
    gap: int  # ns
    in_force: int  # sequences that open it at any moment
    keyholders: int | None  # None: it has none by its nature; 0: the figures are for one
    one_connection: bool = False  # it admits only the connection that follows
    hours_a_week: float | None = None  # in which the door opens at all; None: always


@frozen
class Strength:
    """How hard one way of opening one door is to guess."""

    opener: OpenerStrength
    one_try: Fraction  # that one guess drawn at random opens it
    searches: tuple[Search, ...]  # the first over everything there is
    scans: Scans
    alike: float | None  # that two sequences in force are the same, so that the wrong keyholder may be named
    year: float  # the chance of a break-in within a year by the search that suits a stranger best
    grade: str
    verdict: str

    @property
    def worst(self) -> Search:
        """The search that suits a stranger best."""
        return min(self.searches, key=lambda search: search.possible)

    @property
    def not_against(self) -> tuple[str, ...]:
        """What no length of sequence protects from."""
        own = (_READ, _FORGED) if self.opener.kind == "fixed" else (_STOLEN, _SPOILT)
        return (*own, _GAP if self.opener.one_connection else _SHARED, _ALTERED)

    @property
    def in_short(self) -> str:
        """The worst of that, in a line."""
        if self.opener.kind == "fixed":
            return "Anyone on the path can replay it, for forged addresses too."
        return "Anyone who listens and forges can use a sequence while it is being knocked."


def silent(config: Config) -> frozenset[int]:
    """The guarded and public ports of this host itself: no knocks, whoever dials them (rule 1)."""
    services = [*config.public, *(service for door in config.doors.values() for service in door.services)]
    return frozenset(
        service.protocol << 16 | port
        for service in services
        if service.to is None
        for port in range(service.first, service.last + 1)
    )


@frozen
class _Given:
    """What every door is measured against."""

    quiet: frozenset[int]
    misses: Misses | None
    attack: Attack
    remembered: int

    def brake(self, length: int, firsts: int, in_force: int) -> float | None:
        """Guesses/s that shunning leaves one source. A sequence of one knock is never missed half-way."""
        if self.misses is None or length == 1:
            return None
        within, shun = self.misses.within / SECOND, self.misses.shun / SECOND
        return odds.shunned_rate(firsts, in_force, self.misses.limit, within, shun)


def assess(config: Config, keyholders: Mapping[tuple[str, str], int], attack: Attack) -> tuple[Strength, ...]:
    """The strength of every way every door opens.

    `keyholders` counts them by (door, style: "derived" or "authenticator"), and with "paper" for the style
    those who have a sheet. Where there are none, the figures are for one.
    """
    given = _Given(silent(config), config.misses, attack, config.callers)
    found: list[Strength] = []
    for door in config.doors.values():
        if door.fixed is not None:
            one = _fixed(door.name, door.fixed, given)
            alone = door.fixed_admits == "connection"
            found.append(evolve(one, opener=evolve(one.opener, one_connection=alone)))
        if door.rotating is not None:
            found.append(
                _rotating(door.name, door.rotating, keyholders.get((door.name, "derived"), 0), given)
            )
        if door.authenticator is not None:
            count = keyholders.get((door.name, "authenticator"), 0)
            found.append(_authenticator(door.name, door.authenticator, count, given))
        if door.paper is not None:
            count = keyholders.get((door.name, "paper"), 0)
            found.append(_paper(door.name, door.paper, count, given))
    return tuple(_in_hours(config, one) for one in found)


def _in_hours(config: Config, one: Strength) -> Strength:
    windows = config.doors[one.opener.door].hours
    return evolve(one, opener=evolve(one.opener, hours_a_week=hours.a_week(windows))) if windows else one


def _fixed(door: str, sequence: Sequence, given: _Given) -> Strength:
    length = len(sequence.knocks)
    spaces = [("every port of tcp and udp", "every port", odds.ALL_KNOCKS)]
    if all(PICKED[0] <= knock.port <= PICKED[1] for knock in sequence.knocks):
        protocols = sorted({knock.protocol for knock in sequence.knocks})
        names = " and ".join(PROTOCOL_NAMES[protocol] for protocol in protocols)
        picked = (PICKED[1] - PICKED[0] + 1) * len(protocols)
        spaces.append((f"the ports people pick, {names}", "picked ports", picked))
    searches = tuple(
        Search(
            space, short, odds.falling(n, length), 1, 1, False, given.brake(length, n, 1), given.remembered
        )
        for space, short, n in spaces
    )
    one_try = Fraction(1, searches[0].possible)
    scans = _fixed_scans(sequence, given)
    return _judged(
        OpenerStrength(door, "fixed", length, sequence.gap, 1, None), one_try, searches, scans, given
    )


def _rotating(door: str, rule: Rotating, count: int, given: _Given) -> Strength:
    width = rule.pool[1] - rule.pool[0] + 1
    size = width * len(rule.protocols)
    in_force, alone = _in_force(count, rule.skew), rule.admits == "connection"
    opener = OpenerStrength(door, "rotating", rule.length, rule.gap, in_force, count, alone)
    # Where the last knock is of one protocol, it counts as chosen first.
    return _of_pool(opener, rule, size, size if rule.last is None else width, "", given)


def _paper(door: str, rule: Paper, count: int, given: _Given) -> Strength:
    firsts = min(OPENERS, rule.pool[1] - rule.pool[0] + 1) * len(rule.protocols)
    in_force = max(count, 1) * rule.sequences
    opener = OpenerStrength(door, "paper", rule.length, rule.gap, in_force, count)
    return _of_pool(opener, rule, firsts, firsts, f", first knocks from {firsts} of them", given)


def _of_pool(
    opener: OpenerStrength, rule: Rotating | Paper, firsts: int, bound: int, more: str, given: _Given
) -> Strength:
    """Of sequences whose first knock is one of `firsts`; one knock of them is among `bound`, the others
    are any of the pool. Those on paper do not change by themselves: what was tried stays wrong.
    """
    size = (rule.pool[1] - rule.pool[0] + 1) * len(rule.protocols)
    possible = bound * odds.falling(size - 1, rule.length - 1)
    names = " and ".join(PROTOCOL_NAMES[protocol] for protocol in rule.protocols)
    space = f"the pool, {names} {rule.pool[0]} to {rule.pool[1]}{more}"
    brake, renewed = given.brake(rule.length, firsts, opener.in_force), isinstance(rule, Rotating)
    search = Search(space, "the pool", possible, opener.in_force, 1, renewed, brake, given.remembered)
    one_try = Fraction(min(opener.in_force, possible), possible)
    windows = odds.windows(rule.pool, rule.protocols, rule.length, given.quiet)
    swept = [min(Fraction(opener.in_force * found, possible), Fraction(1)) for found in windows]
    return _judged(opener, one_try, (search,), _drawn_scans(opener, swept, given), given)


def _authenticator(door: str, rule: Authenticator, count: int, given: _Given) -> Strength:
    opener = OpenerStrength(door, "authenticator", 4, rule.gap, _in_force(count, rule.skew), count)
    likeliest = odds.likeliest_code()
    # Guessing the likeliest codes only is as good as if there were no others. A guess takes all four of its
    # packets: its first knock begins no other guess, and after the last one all is to be done again.
    possible = math.floor(1 / likeliest)
    brake = given.brake(4, 100, opener.in_force)
    search = Search(
        "codes of 8 digits", "the codes", possible, opener.in_force, 4, True, brake, given.remembered
    )
    one_try = min(opener.in_force * likeliest, Fraction(1))
    # No code's knocks follow each other: they rise by 1 only from pair 99 to pair 00, never twice running.
    scans = _drawn_scans(opener, [Fraction(0), Fraction(0)], given)
    return _judged(opener, one_try, (search,), scans, given)


def _in_force(keyholders: int, skew: int) -> int:
    return max(keyholders, 1) * (2 * skew + 1)


def _heard(given: _Given) -> int:
    """How many different knocks there are for a scanner who dials everything."""
    return odds.ALL_KNOCKS - len(given.quiet)


def _too_slow(gap: int, attack: Attack) -> bool:
    return attack.rate * gap < SECOND


def _fixed_scans(sequence: Sequence, given: _Given) -> Scans:
    once: list[odds.Sweep] = []
    again: list[odds.Sweep] = []
    for sweep in odds.sweeps():
        for into, repeat in ((once, False), (again, True)):
            stride = sweep.stride(sequence.knocks, given.quiet, again=repeat)
            if stride is not None and stride * SECOND <= given.attack.rate * sequence.gap:
                into.append(sweep)
    length, heard = len(sequence.knocks), _heard(given)
    slow = _too_slow(sequence.gap, given.attack)
    return Scans(
        exact=True,
        upwards=Fraction(any(sweep.upwards for sweep in once)),
        downwards=Fraction(any(not sweep.upwards for sweep in once)),
        opening=tuple(str(sweep) for sweep in once),
        repeated=tuple(str(sweep) for sweep in again),
        random=Fraction(0) if slow else odds.random_scan(heard, length),
        random_many=0.0 if slow else _random_scans(heard, length),
        too_slow=slow,
    )


def _random_scans(heard: int, length: int) -> float:
    """The chance of SCANS random-order scans; of very many knocks, where it would take minutes, 0."""
    if odds.random_scan(heard, length) < odds.NO_CHANCE:
        return 0.0
    return odds.random_scans(heard, length, SCANS, float)


def _drawn_scans(opener: OpenerStrength, swept: list[Fraction], given: _Given) -> Scans:
    """Scans against drawn sequences: the sum over all in force, which is no less than the true chance."""
    heard, slow = _heard(given), _too_slow(opener.gap, given.attack)
    upwards, downwards = [Fraction(0)] * 2 if slow else swept
    random = odds.random_scan(heard, opener.length) * opener.in_force
    many = _random_scans(heard, opener.length) * opener.in_force
    return Scans(
        exact=False,
        upwards=upwards,
        downwards=downwards,
        opening=(),
        repeated=(),
        random=Fraction(0) if slow else min(random, Fraction(1)),
        random_many=0.0 if slow else min(many, 1.0),
        too_slow=slow,
    )


def _judged(
    opener: OpenerStrength, one_try: Fraction, searches: tuple[Search, ...], scans: Scans, given: _Given
) -> Strength:
    attack, worst = given.attack, min(searches, key=lambda search: search.possible)
    shunning = worst.brake is not None
    year = worst.chance(worst.pace(attack, attack.sources, shunning=shunning), YEAR)
    grade = next(name for bound, name in _GRADES if year < bound)
    if scans.repeated:
        grade = _OPEN
    alike = odds.any_two_alike(opener.in_force, worst.possible) if opener.keyholders is not None else None
    verdict = _verdict(scans, grade, year, worst, attack)
    return Strength(opener, one_try, searches, scans, alike, year, grade, verdict)


def one_in(chance: float | Fraction) -> str:
    """A chance in words: `never`, `1 in 2.3e15`, `1 in 17`, `34 %`, `over 99 %`, `certain`."""
    if chance <= 0:
        return "never"
    if chance >= 1:
        return "certain"
    if chance > 0.99:
        return "over 99 %"
    if chance >= 0.1:
        return f"{float(chance):.0%}".replace("%", " %")
    return f"1 in {count(1 / chance)}"


def _verdict(scans: Scans, grade: str, year: float, worst: Search, attack: Attack) -> str:
    if scans.repeated:
        repeated = "" if scans.opening else ", repeated,"
        return f"{grade.capitalize()}: a sweep of the ports in order{repeated} opens it."
    shunning = worst.brake is not None
    within = roughly(worst.mean(worst.pace(attack, attack.sources, shunning=shunning)))
    who = "1 source" if attack.sources == 1 else f"{attack.sources:,} sources"
    rate = f"{attack.rate:,.10g} packets/s{' each' if attack.sources > 1 else ''}"
    chance = f"with a chance of {one_in(year)} ({within} on average)"
    if year > 0.995:
        chance = f"almost certainly, in {within} on average"
    elif year == 0:
        chance = f"practically never ({within} on average)"
    return (
        f"{grade.capitalize()}: {who} at {rate}{', shunned as configured,' if shunning else ''} "
        f"{'opens' if attack.sources == 1 else 'open'} it within a year {chance}."
    )
