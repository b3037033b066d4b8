"""What the daemon tells of one source: where it stands, why, what to check; and what it keeps to itself."""

from __future__ import annotations

import json
from collections import Counter
from io import StringIO
from types import SimpleNamespace
from typing import Any

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from portress.admissions import Admission
from portress.clock import step_at
from portress.config.model import Config
from portress.events import Events
from portress.keyholders.keyholder import Keyholder, Sheet
from portress.knock import SECOND, UNSURE, Knock, Source
from portress.ledger.ledger import Record
from portress.register import Register
from portress.run import status_answer as answers
from portress.run.fellows import Alone
from portress.run.in_force import InForce
from portress.run.listener import Listener
from portress.run.recent import Recent
from portress.run.why_answer import Inquiry, account
from portress.sequence import rotating
from portress.sequence.in_force import SequencesInForce
from portress.tracker import Tracker
from portress.watch import Heard
from portress.why import screen as why_screen
from portress.why.background import Background, astray
from unit.stories import ANA, BEGIN, ONE_DOOR, ROTATING, config

BOTH = ONE_DOOR + ROTATING.partition("doors:")[2].lstrip("\n")
RIGHT = ("tcp/4617", "udp/2953", "tcp/6381")
STRANGER, ANOTHER = "192.0.2.7", "203.0.113.9"


class Ears:
    """A watcher that hears what it is told."""

    interval: float | None = None
    lag = overruns = lost = 0

    def __init__(self) -> None:
        self.odd: Counter[str] = Counter()
        self.told: list[Heard] = []

    def read(self, _budget: int = 256) -> list[Heard]:
        told, self.told = self.told, []
        return told


class Daemon:
    """As much of the daemon as hears, judges and remembers; `at` is its clock, in seconds after BEGIN."""

    def __init__(self, text: str = ONE_DOOR, keyholders: tuple[Keyholder, ...] = ()) -> None:
        self.config: Config = config(text)
        self.at = 100.0
        self.ears = Ears()
        sequences = SequencesInForce(self.config, keyholders)
        tracker = Tracker(sequences.trie(step_at(self.unix)), misses=self.config.misses)
        now = InForce(self.config, sequences, tracker)
        nothing = SimpleNamespace(config=self.config, shun=lambda *_: None, register=Register())

        async def use(*_: object) -> bool:
            return True

        ledger_writer = SimpleNamespace(use=use)
        events = Events(lambda *_: None, self.clock)
        made: Any = Listener
        self.listener = made(
            watcher=self.ears,
            in_force=now,
            doorkeeper=nothing,
            table=nothing,
            ledger_writer=ledger_writer,
            events=events,
            clock=self.clock,
            admit=lambda _: None,
            fellows=Alone(),
        )
        self.listener._open = lambda _completed: None  # nobody is admitted here
        self.admissions: list[Admission] = []

    @property
    def unix(self) -> float:
        return BEGIN + self.at

    def clock(self) -> int:
        return round(self.at * SECOND)

    def hear(self, source: str, *knocks: str | int, pause: float = 0.1) -> None:
        for knock in knocks:
            number = knock if isinstance(knock, int) else int(Knock.parse(knock))
            self.ears.told.append((Source.parse(source).packed, number, self.clock(), 0))
            self.listener.listen()
            self.at += pause

    def wait(self, seconds: float) -> None:
        """Time passes, with a round of housekeeping at its end."""
        self.at += seconds
        self.listener.tidy()

    def why(
        self,
        source: str = STRANGER,
        *,
        full: bool = True,
        guarded: bool = True,
        background: Background | None = None,
    ) -> dict[str, Any]:
        one = Source.parse(source)
        inquiry = Inquiry(
            one,
            self.clock(),
            self.unix,
            up=3600 * SECOND,
            full=full,
            guarded=guarded,
            background=background or Background(),
        )
        admissions = [each for each in self.admissions if each.source == one]
        return account(self.listener, self.config, admissions, inquiry)

    def admit(self, source: str, door: str, seconds: float, keyholder: str | None = None) -> None:
        until = self.clock() + round(seconds * SECOND)
        self.admissions.append(Admission(door, Source.parse(source), self.clock(), until, keyholder))


def said(told: dict[str, Any]) -> list[str]:
    return [one["said"] for one in told["knocks"]]


def anas(away: int = 0) -> list[str]:
    rule = config(ROTATING).doors["vpn"].rotating
    assert rule is not None
    knocks = rotating.derive(ANA.secret, "vpn", rule, step_at(BEGIN + 100) + away).knocks
    return [str(one) for one in knocks]


def printed(told: dict[str, Any], columns: int = 80) -> str:
    out = StringIO()
    screen = Console(file=out, width=columns, highlight=False)
    for part in why_screen.parts(told):
        screen.print(part)
    return out.getvalue()


def test_that_paper_is_void_is_told_to_who_has_nothing_right() -> None:
    words = "Paper printed before is void and opens nothing: ana (vpn)."
    text = ROTATING + "    paper: {}\n"
    ana = evolve(ANA, paper={"vpn": Sheet(1, 10, "00" * 8)})
    void, fresh = Daemon(text, (ana,)), Daemon(text, (ANA,))
    for d, told in ((void, True), (fresh, False)):
        assert any(words in one for one in d.why()["conclusion"]) == told
        d.hear(STRANGER, anas()[0], "tcp/1")
        assert any(words in one for one in d.why()["conclusion"]) == told
        d.hear(STRANGER, *anas())
        assert not any(words in one for one in d.why()["conclusion"])


def test_the_last_knocks_are_told_with_their_reasons() -> None:
    d = Daemon()
    d.hear(STRANGER, "tcp/4617", "tcp/4617", "tcp/2953", *RIGHT)
    assert said(d.why()) == [
        "1 of 3 knocks right (ssh)",
        "repeated: no effect, still 1 knock right",
        "wrong after 1 of 3 knocks right (ssh); expected udp/2953, got tcp/2953",
        "1 of 3 knocks right (ssh)",
        "2 of 3 knocks right (ssh)",
        "complete: ssh",
    ]


def test_who_may_not_read_the_configuration_is_told_no_port() -> None:
    d = Daemon()
    d.hear(STRANGER, "tcp/4617", "tcp/4617", "tcp/2953", *RIGHT)
    told = d.why(full=False)
    assert [one["knock"] for one in told["knocks"]] == [None] * 6
    assert said(told)[2] == "wrong after 1 of 3 knocks right (ssh)"
    assert not any("expected" in one for one in told["knocks"])


@pytest.mark.parametrize("pause", [62.0, 600.0])
def test_a_late_knock_is_told_as_in_a_trace_also_where_its_stage_had_been_swept_away(pause: float) -> None:
    d = Daemon()
    d.hear(STRANGER, *RIGHT[:2])
    d.wait(pause)
    d.hear(STRANGER, "tcp/6381")
    told = d.why()
    assert told["knocks"][-1]["verdict"] == "lapsed"
    assert said(told)[-1].startswith("too late: 2 of 3 knocks right (ssh), then ")
    assert "pause (gap " in said(told)[-1]
    assert told["conclusion"][0].startswith("Too slow: ")


def test_the_port_of_a_late_right_knock_is_not_told() -> None:
    d = Daemon()
    d.hear(STRANGER, *RIGHT[:2])
    d.wait(62)
    d.hear(STRANGER, "tcp/6381")
    assert "6381" not in json.dumps(d.why(full=False))


def test_what_a_shunned_source_knocks_is_not_told() -> None:
    d = Daemon("misses: {limit: 1, within: 10m, shun: 30m}\n" + ONE_DOOR)
    d.hear(STRANGER, "tcp/4617", "tcp/1", *RIGHT)
    text = json.dumps(d.why(full=False))
    assert not any(port in text for port in ("4617", "2953", "6381"))


def test_a_stage_that_expired_is_told_without_a_knock() -> None:
    d = Daemon()
    d.hear(STRANGER, *RIGHT[:2])
    d.wait(61)
    told = d.why()
    assert told["knocks"][-1]["knock"] is None
    assert said(told)[-1] == "expired: 2 of 3 knocks right (ssh), no further one within the gap"
    assert "no right knock came within the gap of 1m" in told["conclusion"][0]


def test_a_caller_under_way_is_told_its_stage_and_its_time() -> None:
    d = Daemon()
    d.hear(STRANGER, "tcp/4617", pause=20)
    told = d.why()
    assert told["caller"] == {"right": 1, "of": 3, "doors": ["ssh"], "left": 40.0}
    assert told["conclusion"] == ["1 of 3 knocks right (ssh), 40s left for the next one."]


def test_who_is_let_in_is_told_for_how_long() -> None:
    d = Daemon()
    d.admit(STRANGER, "ssh", 3600)
    assert d.why()["conclusion"][0] == "Admitted to ssh for another 1h."


def test_who_is_shunned_is_told_for_how_long_and_the_way_out() -> None:
    d = Daemon("misses: {limit: 2, within: 10m, shun: 30m}\n" + ONE_DOOR)
    d.hear(STRANGER, "tcp/4617", "tcp/1", "tcp/4617", "tcp/1")
    told = d.why()
    assert told["shunned"] == {"left": 1799.9}
    assert told["conclusion"][1] == "To admit it now: portress admit 192.0.2.7 DOOR."


def test_misses_are_counted() -> None:
    d = Daemon("misses: {limit: 5, within: 10m, shun: 30m}\n" + ONE_DOOR)
    d.hear(STRANGER, "tcp/4617", "tcp/1", "tcp/4617", "tcp/1")
    assert d.why()["misses"] == {"now": 2, "limit": 5}


def test_without_the_guard_nobody_is_said_to_be_shut_out() -> None:
    told = Daemon().why(guarded=False)
    (sentence,) = told["conclusion"]
    assert "only the host's own firewall applies" in sentence
    screen = Console(file=StringIO(), width=80)
    for part in why_screen.parts(told):
        screen.print(part)
    shown = screen.file.getvalue()  # type: ignore[attr-defined]
    assert "no guard loaded" in shown
    assert "not admitted" not in shown


def test_who_needs_not_to_knock_is_told_so() -> None:
    told = Daemon("always: [192.0.2.0/24]\n" + ONE_DOOR).why()
    assert told["always"] is True
    assert told["conclusion"] == [
        "It is in `always` (192.0.2.0/24): every door is open to it, and its knocks are ignored."
    ]


def test_of_whom_nothing_was_heard_it_is_told_how_to_look() -> None:
    d = Daemon("inside: [lan0]\n" + ONE_DOOR)
    d.ears.lost = 3
    told = d.why()["conclusion"]
    assert told[0].startswith(
        "No knock from it has started a sequence in the last 1h (since the daemon started)"
    )
    assert told[1].startswith("A knock counts if it arrives on any interface but lo or lan0 and is addressed")
    assert told[2] == "3 reported packets lost, possibly some of its own."
    assert told[3].endswith("portress trace knocks.pcap --source 192.0.2.7.")


def test_where_counts_are_polled_a_pause_between_knocks_is_asked_for() -> None:
    assert not any("20 ms" in one for one in Daemon().why()["conclusion"])
    assert any("20 ms is enough" in one for one in Daemon("watch: counter\n" + ONE_DOOR).why()["conclusion"])


def test_with_rotating_doors_the_clock_is_to_be_checked() -> None:
    d = Daemon(ROTATING, (ANA,))
    assert any("is the client's clock right to within 30 s" in one for one in d.why()["conclusion"])
    d.hear(STRANGER, *anas()[:2], "tcp/1")
    assert "is the client's clock right to within 30 s" in d.why()["conclusion"][0]


def test_a_clock_a_step_off_is_told() -> None:
    d = Daemon(ROTATING, (ANA,))
    d.hear(STRANGER, *anas(-1))
    assert said(d.why())[-1] == "complete: vpn (keyholder ana, clock 1 step behind)"


def test_a_replay_is_told_with_when_and_by_whom_it_was_used() -> None:
    d = Daemon(ROTATING, (ANA,))
    d.hear(STRANGER, *anas())
    d.hear(ANOTHER, *anas())
    told = d.why(ANOTHER)
    assert " by 192.0.2.7: vpn (keyholder ana)" in said(told)[-1]
    assert said(told)[-1].startswith("refused, already used at ")
    assert "portress unenrol ana" in told["conclusion"][1]


def test_an_echo_is_told_to_wait_for_the_next_sequence() -> None:
    d = Daemon(ROTATING, (ANA,))
    d.hear(STRANGER, *anas(), *anas())
    assert d.why()["conclusion"][0] == "It repeated a sequence that it had used already; each works once."


def test_who_was_let_in_before_is_told_where_to_find_how_it_ended() -> None:
    d = Daemon()
    d.hear(STRANGER, *RIGHT)
    assert d.why()["conclusion"] == [
        "Its knocks were right and opened ssh. That admission is over: portress history --source 192.0.2.7."
    ]


def record(ended: float | None, ending: str | None, keyholder: str | None = None) -> Record:
    """An admission to ssh half an hour before `Daemon.at` begins, by the ledger."""
    since = BEGIN + 100 - 1800
    return Record(
        1, Source.parse(STRANGER), "ssh", keyholder, None, "knock", since, since + 600, ended, ending
    )


def test_the_ledger_tells_what_the_memory_of_knocks_has_lost() -> None:
    d = Daemon()
    d.hear(STRANGER, *RIGHT, *(f"tcp/{9100 + n}" for n in range(40)))
    told = d.why(background=Background(past=(record(BEGIN - 1000, "expired"),)))["conclusion"]
    assert told[0] == "None of its last 16 knocks, which is all that is remembered, started a sequence."
    assert told[1].startswith("By the ledger it was last admitted 30m 4s ago, to ssh; that ended 18m")
    assert told[1].endswith(": expired.")


def test_it_is_told_how_far_back_the_memory_reaches() -> None:
    d = Daemon()
    d.listener.recent = Recent(sources=2)
    for n, source in enumerate((STRANGER, ANOTHER, "203.0.113.10", "203.0.113.11")):
        d.at = 100 + 10 * n
        d.hear(source, "tcp/4617", pause=0)
    back = d.clock() - (d.listener.recent.forgotten or 0)
    assert back == 20 * SECOND
    told = d.why("198.51.100.99", background=Background(back=back))["conclusion"]
    assert "in the last 20s (as far back as the daemon remembers)" in told[0]


def test_an_unenrolment_is_named() -> None:
    d = Daemon()
    past = (record(BEGIN + 70, "unenrolled", "ana"),)
    gone = d.why(background=Background(past=past, enrolled=frozenset({"ben"})))["conclusion"]
    assert gone[0].startswith("Keyholder ana, who was admitted to ssh from there, was unenrolled 30s ago")
    known = d.why(background=Background(past=past, enrolled=frozenset({"ana"})))["conclusion"]
    assert not any("was unenrolled" in one for one in known)


def test_a_wrong_clock_at_another_door_is_named_and_not_the_firewall() -> None:
    d = Daemon(BOTH, (ANA,))
    d.hear(STRANGER, *RIGHT)
    d.admit(STRANGER, "ssh", 3600)
    d.hear(STRANGER, *anas(-20))
    packed = Source.parse(STRANGER).packed
    found = astray(d.listener.recent.of(packed), packed, d.config, (ANA,), d.clock(), d.unix)
    told = d.why(background=Background(astray=found))
    assert told["knocks"][-1]["verdict"] == "astray" and told["knocks"][-1]["seconds"] == 600
    assert said(told)[-1].endswith("clock about 10m slow, or a replay")
    assert told["conclusion"][0] == "Admitted to ssh for another 1h."
    assert told["conclusion"][1].startswith("It knocked ana's sequence for vpn of ")
    assert not any("firewall" in one for one in told["conclusion"])


def test_knocks_in_no_certain_order_are_told_to_need_a_longer_pause() -> None:
    d = Daemon("watch: counter\n" + ONE_DOOR)
    d.hear(STRANGER, "tcp/4617", UNSURE)
    for full in (True, False):
        told = d.why(full=full)
        assert (
            said(told)[-1]
            == "wrong after 1 of 3 knocks right (ssh); the next ones came too close together to tell"
            " their order"
        )
        assert "`watch: counter` needs a longer pause" in told["conclusion"][0]


def test_memory_of_a_source_is_bounded() -> None:
    d = Daemon()
    d.hear(STRANGER, *["tcp/4617", "tcp/1"] * 100, pause=0.001)
    assert len(d.why()["knocks"]) == 16


WORDS = st.lists(
    st.tuples(st.integers(0, 6), st.sampled_from((0.1, 30.0, 61.0, 1000.0))), min_size=1, max_size=24
)
PORTS = tuple(range(41001, 41008))
OTHERS = tuple(range(52108, 52101, -1))


def world(ports: tuple[int, ...], words: list[tuple[int, float]], *, full: bool) -> dict[str, Any]:
    """Two doors whose sequences have these ports, and a source that knocks at the ports so numbered."""
    a, b, c, d, *_ = (f"tcp/{port}" for port in ports)
    text = (
        "misses: {limit: 4, within: 10m, shun: 15m}\n"
        f"doors:\n  ssh:\n    services: [tcp/22]\n    fixed: {{knocks: [{a}, {b}, {c}], gap: 60s}}\n"
        f"  web:\n    services: [tcp/443]\n    fixed: {{knocks: [{a}, {d}, {b}], gap: 60s}}\n"
    )
    made = Daemon(text)
    for word, pause in words:
        made.hear(STRANGER, f"tcp/{ports[word]}")
        made.wait(pause)
    return made.why(full=full)


@settings(max_examples=200, deadline=None)
@given(WORDS)
def test_without_the_right_to_read_the_configuration_the_answer_does_not_depend_on_the_ports(
    words: list[tuple[int, float]],
) -> None:
    one, other = world(PORTS, words, full=False), world(OTHERS, words, full=False)
    assert one == other
    text = json.dumps(one)
    assert not any(str(port) in text for port in (*PORTS, *OTHERS))


@settings(max_examples=200, deadline=None)
@given(WORDS)
def test_nor_on_which_wrong_knock_came(words: list[tuple[int, float]]) -> None:
    """A wrong knock that is right at another place, and one that is right nowhere, look the same."""
    text = ONE_DOOR
    answers_to = []
    for wrong in ("tcp/6381", "tcp/41"):
        d = Daemon(text)
        for word, pause in words:
            d.hear(STRANGER, ("tcp/4617", "tcp/4617", "tcp/4617", wrong, wrong, wrong, wrong)[word])
            d.wait(pause)
        answers_to.append(d.why(full=False))
    assert answers_to[0] == answers_to[1]


def test_events_that_quote_the_configuration_are_told_whole_to_root_alone() -> None:
    told: list[dict[str, Any]] = [
        {"ago": 1, "event": "refused", "text": "p.yaml:14: doors.ssh.fixed.knocks[1]: 'tcp/4617': twice"},
        {"ago": 1, "event": "warning", "text": "the kernel refused: opening { tcp . 4617 }, udp/2953"},
        {"ago": 1, "event": "ready", "text": "ready; doors: ssh (tcp/22)"},
    ]
    whole = [{"time": "2027-01-15T07:59:59.000Z", "event": one["event"], "text": one["text"]} for one in told]
    assert answers.events(told, 1_800_000_000.0, full=True) == whole
    assert [one["text"] for one in answers.events(told, 1_800_000_000.0, full=False)] == [
        "p.yaml:14: doors.ssh.fixed.knocks[1]: (shown in full to root)",
        "the kernel refused: opening { tcp . … }, udp/…",
        "ready; doors: ssh (tcp/22)",
    ]


@pytest.mark.parametrize("columns", [80, 140])
@pytest.mark.parametrize("full", [True, False])
def test_the_screen_fits(columns: int, full: bool) -> None:
    d = Daemon("misses: {limit: 5, within: 10m, shun: 30m}\n" + ONE_DOOR)
    six = "2001:db8:1234:5678:9abc:def0:1234:5678"
    d.hear(six, "tcp/4617", "tcp/6381", *RIGHT)
    d.admit(six, "ssh", 8 * 3600, "ana")
    shown = printed(d.why(six, full=full), columns)
    assert max(len(line.rstrip()) for line in shown.splitlines()) <= columns
    assert ("tcp/6381" in shown) is full
    assert ("Only root is shown the ports." in shown) is not full
    assert "admitted  ssh until " in shown and "1 of 5 until it is shunned" in shown


def test_the_screen_says_who_is_shut_out() -> None:
    assert "not admitted  no door is open to it, and it has no sequence to go on with" in printed(
        Daemon().why()
    )
