"""What follows from the guard's word that somebody leaves: uses of other gateways, and older steps, count."""

from __future__ import annotations

from portress.knock import SECOND, Expected, Knock, Sequence
from portress.mirror import Mirror
from portress.sequence.trie import Trie
from portress.verdict import Completed, Left, Replayed, Report, Use, Verdict

ANA, BEN = b"\xc0\0\2\1", b"\xc0\0\2\2"
KNOCKS = tuple(map(Knock.parse, ("tcp/4617", "udp/2953", "tcp/6381")))
LEAVES = Expected(Sequence(KNOCKS, SECOND), "vpn", "ana", 7, b"leaves", leaves=True)
OPENS = Expected(Sequence((KNOCKS[0], KNOCKS[2]), SECOND), "vpn", "ana", 7, b"opens")


def told(mirror: Mirror, source: bytes = ANA) -> Verdict:
    """The guard reports the leaving sequence, knock by knock."""
    mirror.follow(source, KNOCKS[0], 10 * SECOND, Report.BEGUN)
    mirror.follow(source, KNOCKS[1], 10 * SECOND + 5_000_000, Report.MOVED)
    return mirror.left(source, KNOCKS[2], 10 * SECOND + 9_000_000, ("vpn",))


def mirror(last: Use | None = None) -> Mirror:
    return Mirror(Trie([LEAVES, OPENS]), used={} if last is None else {LEAVES.claim: last})


def test_what_the_guard_claimed_is_left() -> None:
    followed = mirror()
    assert told(followed) == Left((LEAVES,), False)
    assert followed.used == {LEAVES.claim: Use(7, ANA, "vpn")}
    # Known by the guard's own record already, from nobody in particular: it is this very use.
    assert told(mirror(Use(7, b"", "vpn"))) == Left((LEAVES,), False)


def test_used_at_another_gateway_before_or_older_than_the_last_one_it_leaves_nothing() -> None:
    for last in (Use(7, BEN, "vpn"), Use(8, ANA, "vpn")):
        assert told(mirror(last)) == Replayed(LEAVES, last)


def test_a_report_that_is_not_understood_leaves_nothing() -> None:
    followed = mirror()
    followed.follow(ANA, KNOCKS[0], SECOND, Report.BEGUN)
    verdict = followed.left(ANA, KNOCKS[1], SECOND + 1, ("vpn",))
    assert not isinstance(verdict, Left | Completed)
    assert followed.astray


def test_what_opens_at_the_same_door_is_not_taken_for_what_leaves() -> None:
    followed = mirror()
    followed.follow(ANA, KNOCKS[0], SECOND, Report.BEGUN)
    verdict = followed.completed(ANA, KNOCKS[2], SECOND + 5_000_000, ("vpn",))
    assert verdict == Completed((OPENS,), False)
