"""What `portress trace` makes of knocks told as a story: verdicts, reasons, hosts, time, bounded memory."""

from __future__ import annotations

from datetime import UTC

import pytest
from attrs import evolve

from portress import hours
from portress.clock import step_at
from portress.config.model import Rotating
from portress.keyholders import sheet
from portress.keyholders.keyholder import Keyholder, Sheet
from portress.knock import SECOND, Source
from portress.sequence import rotating
from portress.trace import screen as trace_screen
from portress.trace.replay import Trace
from portress.trace.timeline import Note, Timeline, Timelines, Tried
from unit.stories import ANA, BEGIN, HOST, ONE_DOOR, ROTATING, Story, Told, config, run

RIGHT = ("tcp/4617", "udp/2953", "tcp/6381")
STRANGER, ANOTHER = "192.0.2.7", "203.0.113.9"


def traced(
    *told: Told, text: str = ONE_DOOR, keyholders: tuple[Keyholder, ...] = (), only: str | None = None
) -> Trace:
    source = None if only is None else Source.parse(only)
    timelines = None if only is None else Timelines(each=200)
    trace = Trace(config(text), keyholders, only=source, timelines=timelines)
    trace.follow(Story(*sorted(told, key=lambda one: one[0])))
    return trace


def heading(trace: Trace, source: str) -> str:
    """What is said first of a source."""
    (one,) = (one for one in trace.timelines if str(trace.source(one.source)) == source)
    return trace_screen.title(trace, one).plain


def lines(trace: Trace, source: str = STRANGER) -> list[str]:
    """What is said of each of a source's knocks."""
    (one,) = (one for one in trace.timelines if str(trace.source(one.source)) == source)
    return [trace_screen.what(note, UTC) for note in one if isinstance(note, Note)]


def notes(one: Timeline) -> list[Note]:
    return [note for note in one if isinstance(note, Note)]


def sequence(away: int = 0, at: float = 0.0, skewed: str = ROTATING) -> list[str]:
    """Ana's knocks for vpn of the step `away` from the one at that second of the story."""
    rule = config(skewed).doors["vpn"].rotating
    assert isinstance(rule, Rotating)
    step = step_at(BEGIN + at) + away
    return [str(knock) for knock in rotating.derive(ANA.secret, "vpn", rule, step).knocks]


def test_the_right_knocks_open_the_door_for_its_stay() -> None:
    assert lines(traced(*run(STRANGER, *RIGHT))) == [
        "1 of 3 knocks right (ssh)",
        "2 of 3 knocks right (ssh)",
        "complete: ssh, admitted until 20:30:00",
    ]


def leaves(away: int = 0) -> list[str]:
    rule = config(LEFT).doors["vpn"].rotating
    assert isinstance(rule, Rotating)
    step = step_at(BEGIN) + away
    return [str(knock) for knock in rotating.leaving(ANA.secret, "vpn", rule, step).knocks]


LEFT = ROTATING.replace("stay: 24h", "stay: 24h\n    leaving: true")


def test_whoever_leaves_is_out_and_nobody_else() -> None:
    served = (20.0, STRANGER, "udp/51820"), (23.0, STRANGER, "udp/51820")
    told = [*run(STRANGER, *sequence(), at=10), *run(STRANGER, *leaves(), at=21), *served]
    told += run(ANOTHER, *leaves(1), at=22)
    trace = traced(*told, text=LEFT, keyholders=(ANA,))
    said = lines(trace)
    assert said[3].startswith("complete: vpn (keyholder ana), admitted until")
    assert said[4] == "no knock: a service of vpn, open to this source"
    assert said[5:8] == [f"{number} of 4 knocks right (vpn)" for number in (1, 2, 3)]
    assert said[8:] == [
        "complete: leaves vpn (keyholder ana), admission over",
        "no knock: a service of vpn, shut to this source",
    ]
    assert heading(trace, STRANGER).endswith("  opened vpn")
    assert heading(trace, ANOTHER).endswith("  opened nothing: it left")
    in_vain = "complete: leaves vpn (keyholder ana), who was not admitted there: no effect"
    assert lines(trace, ANOTHER)[-1] == in_vain
    again = traced(*told, *run(ANOTHER, *leaves(), at=24), text=LEFT, keyholders=(ANA,))
    assert lines(again, ANOTHER)[-1].startswith("refused, older than the sequence used")


def test_a_late_knock_starts_over_and_the_pause_and_the_gap_are_told() -> None:
    late = lines(traced(*run(STRANGER, *RIGHT[:2]), (61.3, STRANGER, RIGHT[2])))[-1]
    assert late == "too late: 2 of 3 knocks right (ssh), then 61.2 s pause (gap 60 s)"


def test_a_knock_that_is_late_by_a_hair_is_told_to_be_late() -> None:
    late = lines(traced((0, STRANGER, "tcp/4617"), (60.000001, STRANGER, "udp/2953")))[-1]
    assert late == "too late: 1 of 3 knocks right (ssh), then 60.000001 s pause (gap 60 s)"


def test_exactly_at_the_gap_is_in_time() -> None:
    assert (
        lines(traced((0, STRANGER, "tcp/4617"), (60, STRANGER, "udp/2953")))[-1]
        == "2 of 3 knocks right (ssh)"
    )


def test_a_knock_days_too_late_is_told_in_days() -> None:
    late = lines(traced((0, STRANGER, "tcp/4617"), (90000, STRANGER, "tcp/4617")))[-1]
    assert (
        late == "too late: 1 of 3 knocks right (ssh), then 1d 1h pause (gap 1m); counted as a new first knock"
    )


def test_a_wrong_protocol_is_told_beside_the_expected_knock() -> None:
    missed = lines(traced(*run(STRANGER, "tcp/4617", "tcp/2953")))[-1]
    assert missed == "wrong after 1 of 3 knocks right (ssh); expected udp/2953, got tcp/2953"


def test_a_knock_out_of_order_is_told_to_be_too_early() -> None:
    missed = lines(traced(*run(STRANGER, "tcp/4617", "tcp/6381")))[-1]
    assert missed == "wrong after 1 of 3 knocks right (ssh); expected udp/2953, got tcp/6381 (too early)"


def test_the_newest_admission_of_a_keyholder_ends_the_oldest_beyond_the_places() -> None:
    text = ROTATING + "    places: 1\n"
    then = [(at, STRANGER, "udp/51820") for at in (5, 45)] + [(46, ANOTHER, "udp/51820")]
    story = [*run(STRANGER, *sequence()), *run(ANOTHER, *sequence(at=40), at=40), *then]
    trace = traced(*story, text=text, keyholders=(ANA,))
    words = [one.rpartition(", ")[2] for one in lines(trace) if "service" in one]
    assert words == ["open to this source", "shut to this source"]
    assert lines(trace, ANOTHER)[-2].endswith(f", moved from {STRANGER}")
    assert lines(trace, ANOTHER)[-1].endswith("open to this source")
    # Of one source alone the same is told, and without the key nobody moves.
    assert lines(traced(*story, text=text, keyholders=(ANA,), only=ANOTHER), ANOTHER)[-2].endswith(
        f", moved from {STRANGER}"
    )
    free = traced(*story, text=ROTATING, keyholders=(ANA,))
    assert "moved" not in lines(free, ANOTHER)[-2]
    assert lines(free)[-1].endswith("open to this source")


def test_a_line_of_paper_is_named_and_works_once_at_any_time() -> None:
    text = ROTATING + "    paper: {sequences: 3}\n"
    ana = evolve(ANA, paper={"vpn": Sheet(41, 3, "00" * 8)})
    door = config(text).doors["vpn"]
    second = [str(one) for one in sheet.sequences(ana, door, ana.paper["vpn"], "")[1].knocks]
    months = 100 * 86400.0
    trace = traced(
        *run(STRANGER, *second, at=months, pause=20),
        *run(ANOTHER, *second, at=2 * months),
        text=text,
        keyholders=(ana,),
    )
    assert lines(trace)[-1].startswith("complete: vpn (keyholder ana, paper 2 of 3), admitted until")
    assert lines(trace, ANOTHER)[-1] == (
        f"refused, already used at 12:31:20 by {STRANGER}: vpn (keyholder ana, paper 2 of 3)"
    )


def test_what_was_expected_is_right_after_a_miss_that_began_anew() -> None:
    told = lines(traced(*run(STRANGER, "tcp/4617", "udp/2953", "tcp/4617", "tcp/2953")))
    assert told[2].startswith("repeated")
    told = lines(traced(*run(STRANGER, "tcp/4617", "tcp/1", "tcp/4617", "udp/2953", "tcp/2")))
    assert told[-1] == "wrong after 2 of 3 knocks right (ssh); expected tcp/6381, got tcp/2"


def test_all_that_was_expected_is_told_where_sequences_share_a_beginning() -> None:
    more = "".join(
        f"  d{n}:\n    services: [tcp/{100 + n}]\n    fixed: {{knocks: [tcp/4617, tcp/{9310 + n}]}}\n"
        for n in range(4)
    )
    missed = lines(traced(*run(STRANGER, "tcp/4617", "tcp/1"), text=ONE_DOOR + more))[-1]
    assert missed.endswith("expected tcp/9310, tcp/9311, tcp/9312 or 2 others, got tcp/1")
    assert missed.startswith("wrong after 1 of 3 knocks right (ssh, d0, d1 and 2 more);")


def test_a_connection_to_the_service_is_told_to_find_the_door_shut_or_open() -> None:
    told = lines(traced((0, STRANGER, "tcp/4617"), *run(STRANGER, "tcp/22", *RIGHT, "tcp/22", at=1)))
    assert told[1] == "no knock: a service of ssh, shut to this source"
    assert told[-1] == "no knock: a service of ssh, open to this source"


ONE_CONNECTION = ONE_DOOR.replace("stay: 8h", "stay: 30s").replace("60s", "60s, admits: connection")


def test_a_door_that_admits_a_connection_is_open_to_the_port_knocked_from_alone() -> None:
    mine, other = f"{STRANGER} port 40111", f"{STRANGER} port 40112"
    told = lines(
        traced(
            *run(mine, *RIGHT),
            (1, other, "tcp/22"),
            (2, mine, "tcp/22"),
            (3, f"{ANOTHER} port 40111", "tcp/22"),
            (31, mine, "tcp/22"),
            text=ONE_CONNECTION,
        )
    )
    assert told[2] == (
        "complete: ssh, admitted until 12:30:30, only the connection from port 40111, this knock's own"
    )
    assert told[3:] == [
        "no knock: a service of ssh, shut: knocked from port 40111, tried from port 40112",
        "no knock: a service of ssh, from the port it knocked from: open to one connection",
        "no knock: a service of ssh, shut to this source",
    ]


def test_the_port_that_counts_is_that_of_the_last_knock_and_of_the_whole_address() -> None:
    """Neighbours in a prefix that counts as one source are others all the same."""
    one, two = "2001:db8::1", "2001:db8::2"
    told = lines(
        traced(
            (0, f"{one} port 40001", RIGHT[0]),
            (1, f"{one} port 40002", RIGHT[1]),
            (2, f"{one} port 40003", RIGHT[2]),
            (3, f"{one} port 40001", "tcp/22"),
            (4, f"{two} port 40003", "tcp/22"),
            (5, f"{one} port 40003", "tcp/22"),
            text=ONE_CONNECTION,
            only=f"{one}/64",
        ),
        "2001:db8::/64",
    )
    assert [one.partition(", ")[2] for one in told[3:]] == [
        "shut: knocked from port 40003, tried from port 40001",
        "shut to this source",
        "from the port it knocked from: open to one connection",
    ]


# 2026-10-25, 00:00 UTC: in Berlin 02:00 to 03:00 comes twice that night, first as 00:00 to 01:00 UTC.
NIGHT = 1_792_886_400 - BEGIN
IN_HOURS = ONE_DOOR + '    hours: {from: "02:00", to: "02:30", zone: Europe/Berlin}\n'


def test_hours_are_those_of_the_captured_time_also_where_a_clock_time_comes_twice() -> None:
    told = lines(
        traced(
            *run(STRANGER, *RIGHT, at=NIGHT - 10),
            *run(STRANGER, *RIGHT, at=NIGHT + 10),
            *run(STRANGER, *RIGHT, at=NIGHT + 3600 + 10),
            text=IN_HOURS,
        )
    )
    assert [one for one in told if "2 of" not in one and "1 of" not in one] == [
        "right, but closed at that hour: ssh; opens at Sun 2026-10-25 02:00 (Europe/Berlin)",
        "complete: ssh, admitted until 08:00:10",
        "right, but closed at that hour: ssh; opens at Mon 2026-10-26 02:00 (Europe/Berlin)",
    ]


def test_a_keyholders_own_hours_are_those_of_the_captured_time() -> None:
    """The story begins at 12:30 UTC on a Thursday."""
    for window, words in (
        ("thu 12:00-13:00 UTC", "complete: vpn (keyholder ana)"),
        ("fri 12:00-13:00 UTC", "closed"),
    ):
        ana = evolve(ANA, hours=(hours.window(window),))
        trace = traced(*run(STRANGER, *sequence()), text=ROTATING, keyholders=(ana,))
        assert words in lines(trace)[-1], lines(trace)
        head = "opened vpn" if "complete" in words else "opened nothing: right, but closed at that hour"
        assert heading(trace, STRANGER).endswith(f"  {head}")


def test_admissions_that_end_at_closing_end_there_in_a_trace() -> None:
    text = ONE_DOOR + '    at_closing: end\n    hours: {from: "12:00", to: "12:31", zone: UTC}\n'
    told = lines(
        traced(*run(STRANGER, *RIGHT), (59, STRANGER, "tcp/22"), (61, STRANGER, "tcp/22"), text=text)
    )
    assert told[2] == "complete: ssh, admitted until 12:31:00"
    assert [one.rpartition(", ")[2] for one in told[3:]] == ["open to this source", "shut to this source"]


def test_a_connection_after_the_stay_finds_the_door_shut() -> None:
    told = lines(traced(*run(STRANGER, *RIGHT), (8 * 3600 + 1, STRANGER, "tcp/22")))
    assert told[-1] == "no knock: a service of ssh, shut to this source"


def test_shunning_is_traced() -> None:
    text = "misses: {limit: 2, within: 10m, shun: 30m}\n" + ONE_DOOR
    trace = traced(
        *run(STRANGER, "tcp/4617", "tcp/1", "tcp/4617", "tcp/2", *RIGHT),
        *run(STRANGER, *RIGHT, at=1800.4),
        text=text,
    )
    told = lines(trace)
    assert told[3].endswith("got tcp/2; shunned")
    assert told[4] == "ignored: the source is shunned"
    assert told[-1].startswith("complete: ssh")


def test_who_is_shunned_at_the_end_is_told() -> None:
    text = "misses: {limit: 1, within: 10m, shun: 30m}\n" + ONE_DOOR
    trace = traced(*run(STRANGER, "tcp/4617", "tcp/1"), text=text)
    (one,) = trace.timelines
    ends = trace_screen.ending(trace, one, trace.standing(), trace.shunned())
    assert str(ends) == "at the end: shunned for 30m more"


def test_a_caller_under_way_and_one_whose_gap_went_by_are_told_apart_at_the_end() -> None:
    trace = traced((0, STRANGER, "tcp/4617"), (70, ANOTHER, "tcp/4617"), (80, ANOTHER, "tcp/4617"))
    ends = [trace_screen.ending(trace, one, trace.standing(), {}) for one in trace.timelines]
    assert [str(one) for one in ends] == [
        "at the end: expired after 1 right knock, no further one within the gap",
        "at the end: 1 of 3 knocks right, 50s left for the next one",
    ]


def test_noise_leaves_nothing_but_a_count() -> None:
    trace = traced(*run(STRANGER, "tcp/1", "tcp/2", "udp/4617", at=1), (0, ANOTHER, "tcp/4617"))
    assert [str(trace.source(one.source)) for one in trace.timelines] == [ANOTHER]
    assert (trace.knocks, trace.silent) == (4, 3)


def test_public_services_always_and_guarded_services_are_no_knocks() -> None:
    text = "always: [198.51.100.128/25]\npublic: [tcp/80]\n" + ONE_DOOR
    trace = traced(
        *run(STRANGER, "tcp/4617", "tcp/80", "udp/2953", "tcp/22", "tcp/6381"),
        *run("198.51.100.200", *RIGHT),
        text=text,
    )
    assert [dict(one.opened) for one in trace.timelines] == [{"ssh": 1}]
    assert {kind: count for kind, count in trace.passed_by.items() if count} == {
        "always": 3,
        "public": 1,
        "service": 1,
    }


def test_an_address_in_always_counts_whole_where_prefixes_are_sources() -> None:
    text = "always: [192.0.2.7/32]\nsource_prefix: {ipv4: 24}\n" + ONE_DOOR
    trace = traced(
        (0, "192.0.2.8", "tcp/4617"), (1, "192.0.2.7", "tcp/1"), (2, "192.0.2.9", "udp/2953"), text=text
    )
    assert lines(trace, "192.0.2.0/24") == ["1 of 3 knocks right (ssh)", "2 of 3 knocks right (ssh)"]


def test_this_host_is_where_first_knocks_go() -> None:
    trace = Trace(config())
    trace.follow(Story(*run(STRANGER, "tcp/9", at=0), to="203.0.113.80"))
    trace.follow(Story(*run(STRANGER, "tcp/4617", "udp/2953", at=1)))
    trace.follow(Story(*run(STRANGER, "tcp/443", at=2), to="203.0.113.80"))
    trace.follow(Story(*run(STRANGER, "tcp/6381", at=3)))
    assert [trace.source(one) for one in trace.hosts] == [Source.parse(HOST)]
    assert lines(trace)[-1].startswith("complete")
    assert trace.passed_by["elsewhere"] == 2


def test_this_host_can_be_named() -> None:
    trace = Trace(config(), hosts=frozenset({Source.parse("198.51.100.2").packed}))
    trace.follow(Story(*run(STRANGER, *RIGHT)))
    assert list(trace.timelines) == []
    assert trace.passed_by["elsewhere"] == 3


@pytest.mark.parametrize("to", ["255.255.255.255", "224.0.0.251"])
def test_no_host_has_the_address_of_a_group(to: str) -> None:
    trace = Trace(config())
    trace.follow(Story(*run(STRANGER, *RIGHT), to=to))
    assert trace.hosts == set()


def test_packets_a_little_out_of_order_are_taken_as_late_as_the_ones_before() -> None:
    trace = Trace(config())
    trace.follow(Story((1.0, STRANGER, "tcp/4617"), (0.9, STRANGER, "udp/2953"), (1.1, STRANGER, "tcp/6381")))
    assert lines(trace)[-1].startswith("complete")
    assert trace.disorder == 1


def test_a_clock_set_back_does_not_stop_time() -> None:
    trace = Trace(config())
    trace.follow(Story((5000, STRANGER, "tcp/4617"), (10, STRANGER, "udp/2953"), (71, STRANGER, "tcp/6381")))
    assert lines(trace)[-1] == "too late: 2 of 3 knocks right (ssh), then 61 s pause (gap 60 s)"
    assert trace.jumps == 1


@pytest.mark.parametrize("seconds", [-BEGIN - 1, 253_402_300_799 - BEGIN, 300_000_000_000])
def test_packets_at_impossible_times_are_left_out(seconds: float) -> None:
    trace = Trace(config(ROTATING), (ANA,))
    trace.follow(Story((seconds, STRANGER, "tcp/4617")))
    assert trace.passed_by["time"] == 1


def test_rotating_sequences_are_those_of_the_captured_time() -> None:
    trace = traced(
        *run(STRANGER, *sequence(), at=1),
        *run(ANOTHER, *sequence(at=3600), at=3600),
        text=ROTATING,
        keyholders=(ANA,),
    )
    assert lines(trace)[-1] == "complete: vpn (keyholder ana), admitted until 2026-01-02 12:30"
    assert lines(trace, ANOTHER)[-1].startswith("complete: vpn (keyholder ana), admitted")


@pytest.mark.parametrize(("away", "words"), [(-1, "clock 1 step behind"), (1, "clock 1 step ahead")])
def test_a_clock_that_is_a_step_off_is_told(away: int, words: str) -> None:
    trace = traced(*run(STRANGER, *sequence(away), at=1), text=ROTATING, keyholders=(ANA,))
    assert lines(trace)[-1].startswith(f"complete: vpn (keyholder ana, {words})")


@pytest.mark.parametrize(("away", "words"), [(-14, "about 7m slow"), (4, "about 2m fast")])
def test_a_clock_that_is_too_far_off_is_found(away: int, words: str) -> None:
    trace = traced(*run(STRANGER, *sequence(away), at=1), text=ROTATING, keyholders=(ANA,))
    assert words in lines(trace)[-1]
    assert trace.tracker.used == {}


def test_a_clock_too_far_off_is_found_of_everyone_and_also_after_a_right_one() -> None:
    trace = traced(
        *run("192.0.2.1", *sequence(), at=1),
        *run(STRANGER, *sequence(-14), at=3),
        *run(ANOTHER, *sequence(-14), at=5),
        text=ROTATING,
        keyholders=(ANA,),
    )
    assert "slow" in lines(trace)[-1] and "slow" in lines(trace, ANOTHER)[-1]


def test_a_replay_is_told_with_when_and_by_whom_the_sequence_was_used() -> None:
    trace = traced(
        *run(STRANGER, *sequence(), at=1),
        *run(ANOTHER, *sequence(), at=5),
        *run(STRANGER, *sequence(), at=9),
        text=ROTATING,
        keyholders=(ANA,),
    )
    assert lines(trace, ANOTHER)[-1] == (
        "refused, already used at 12:30:01 by 192.0.2.7: vpn (keyholder ana)"
    )
    assert lines(trace)[-1] == "complete again from the same source: no effect (vpn)"


def test_an_older_step_than_the_one_used_is_told() -> None:
    trace = traced(
        *run(STRANGER, *sequence(), at=1),
        *run(ANOTHER, *sequence(-1), at=5),
        text=ROTATING,
        keyholders=(ANA,),
    )
    assert lines(trace, ANOTHER)[-1] == (
        "refused, older than the sequence used at 12:30:01 by 192.0.2.7: vpn (keyholder ana)"
    )


def test_a_step_that_begins_within_a_sequence_does_not_disturb_it() -> None:
    trace = traced(*run(STRANGER, *sequence(), at=28, pause=1), text=ROTATING, keyholders=(ANA,))
    assert lines(trace)[-1].startswith("complete")


def test_without_skew_a_step_that_has_gone_by_still_ends_for_callers_under_way() -> None:
    strict = ROTATING.replace("skew: 1", "skew: 0")
    trace = traced(
        *run(STRANGER, *sequence(), at=29, pause=0.9),
        *run(ANOTHER, *sequence(), at=33, pause=0.1),
        text=strict,
        keyholders=(ANA,),
    )
    assert lines(trace)[-1].startswith("complete: vpn")
    assert "slow" in lines(trace, ANOTHER)[-1]


def test_a_keyholder_that_ends_is_let_in_no_longer_than_that() -> None:
    ends = Keyholder("ana", ("vpn",), ANA.secret, "derived", BEGIN + 90.0)
    trace = traced(*run(STRANGER, *sequence(), at=1), text=ROTATING, keyholders=(ends,))
    assert lines(trace)[-1].endswith("admitted until 12:31:30")


def test_of_one_source_everything_is_told_and_of_others_nothing() -> None:
    trace = traced(*run(STRANGER, "tcp/1", "tcp/2", "tcp/3", at=1), *run(ANOTHER, *RIGHT), only=STRANGER)
    assert lines(trace) == ["starts no sequence"] * 3
    assert len(list(trace.timelines)) == 1


def test_what_went_to_another_host_is_told_of_one_source_that_is_asked_for() -> None:
    trace = traced(*run(STRANGER, "tcp/4618"), only=STRANGER)
    assert lines(trace) == ["no knock: to 198.51.100.1, another host"]


def test_an_address_found_to_be_this_hosts_is_not_called_another_hosts() -> None:
    """The first packets came before the first knock told whose address it is."""
    early, right = run(STRANGER, "tcp/4618", "tcp/4619"), run(STRANGER, *RIGHT, at=5)
    trace = traced(*early, *right, only=STRANGER)
    (one,) = trace.timelines
    told = [trace_screen.what(note, UTC, trace.hosts) for note in notes(one)]
    assert told[:2] == ["starts no sequence"] * 2 and told[-1].startswith("complete: ssh")
    assert trace.passed_by["elsewhere"] == 0 and trace.knocks == 5
    values = trace_screen.timeline_values(trace, one, {}, {})
    assert [knock["verdict"] for knock in values["knocks"]][:2] == ["ignored", "ignored"]


@pytest.mark.parametrize("only", ["192.0.2.0/24", "192.0.2.7/32"])
def test_sources_can_be_chosen_by_a_prefix(only: str) -> None:
    trace = traced(*run(STRANGER, *RIGHT), *run(ANOTHER, *RIGHT), *run("2001:db8::7", *RIGHT), only=only)
    assert [str(trace.source(one.source)) for one in trace.timelines] == [STRANGER]


def test_knocks_of_a_kind_in_a_row_are_one_line() -> None:
    sweep = [f"tcp/{port}" for port in range(1001, 2001)]
    trace = traced(*run(STRANGER, "tcp/4617", *sweep, pause=0.001))
    (one,) = trace.timelines
    assert len(notes(one)) == 3
    assert notes(one)[-1].times == 999


def test_a_source_keeps_its_first_lines_and_its_last_ones() -> None:
    told = run(STRANGER, *["tcp/4617", "tcp/1"] * 500, pause=0.01)
    trace = Trace(config(), timelines=Timelines(each=20))
    trace.follow(Story(*told))
    (one,) = trace.timelines
    whole = list(one)
    assert whole[16] == 980
    assert [note.at - BEGIN * SECOND for note in notes(one)[-2:]] == [9_980_000_000, 9_990_000_000]
    assert one.counts == {"advanced": 500, "missed": 500}


def test_those_who_got_on_push_out_nobody_but_each_other() -> None:
    crowd = [f"2001:db8:0:{number:x}::" for number in range(1, 101)]
    trace = Trace(config(), timelines=Timelines(sources=3, beginners=5))
    trace.follow(
        Story(*run(STRANGER, *RIGHT), *((1 + n / 100, one, "tcp/4617") for n, one in enumerate(crowd)))
    )
    kept = [str(trace.source(one.source)) for one in trace.timelines]
    assert kept == [STRANGER, *(f"{one}/64" for one in crowd[-5:])]
    assert trace.timelines.left_out == 95


def test_a_source_that_was_left_out_and_comes_back_is_judged_as_if_it_had_not_been() -> None:
    trace = Trace(config(), timelines=Timelines(sources=1, beginners=1))
    trace.follow(
        Story(
            (0, STRANGER, "tcp/4617"),
            (1, ANOTHER, "tcp/4617"),
            (2, STRANGER, "udp/2953"),
            (3, STRANGER, "tcp/1"),
        )
    )
    assert lines(trace) == ["2 of 3 knocks right (ssh)", "wrong after 2 of 3 knocks right (ssh)"]


def test_tries_at_a_service_are_no_knocks_in_the_counts() -> None:
    trace = traced(*run(STRANGER, *RIGHT, "tcp/22"))
    (one,) = trace.timelines
    assert one.counts == {"advanced": 2, "completed": 1}
    assert notes(one)[-1].what == Tried("ssh", True)
