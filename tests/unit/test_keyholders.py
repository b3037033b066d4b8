"""keyholders.yaml is read strictly, changed atomically, and never quoted where a secret might show."""

from __future__ import annotations

import multiprocessing
import os
import random
import re
import stat
from pathlib import Path
from typing import Any

import pytest
from attrs import evolve

from portress.clock import step_at
from portress.config.model import Authenticator, Config, Door, Rotating
from portress.durations import expiry, expiry_text
from portress.errors import Mistake
from portress.keyholders import edit as enrolment
from portress.keyholders.file import load, locate, parse, without_hope
from portress.keyholders.keyholder import Keyholder
from portress.keyholders.secret import to_base32
from portress.knock import SECOND, TCP, UDP, Service
from portress.sequence import authenticator, rotating
from portress.sequence.enrolled import expected

ANA = "JBSWY3DPEHPK3PXPJBSWY3DPEHPK3PXP"
BEN = "MFRGGZDFMZTWQ2LKNNWG23TPOBYXE43U"
NOON = 1_700_000_000.0

VPN = Door(
    "vpn",
    (Service.parse("udp/51820"),),
    24 * 3600 * SECOND,
    rotating=Rotating((20000, 51999), (TCP, UDP), 4, 10 * SECOND, 1),
)
SSH = Door(
    "ssh", (Service.parse("tcp/22"),), 8 * 3600 * SECOND, authenticator=Authenticator(21000, 30 * SECOND, 1)
)
DOORS = {"vpn": VPN, "ssh": SSH}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "keyholders.yaml"


def write(path: Path, text: str, mode: int = 0o600) -> None:
    path.write_text(text)
    path.chmod(mode)


def mistakes(text: str) -> list[str]:
    with pytest.raises(Mistake) as caught:
        parse(text, "k.yaml", DOORS)
    return list(caught.value.lines)


# Reading


def test_keyholders_are_read_in_the_files_order(path: Path) -> None:
    write(
        path,
        f"# staff\n- {{name: ben, doors: [ssh], secret: {BEN}, style: authenticator, until: 2027-01-31}}\n"
        f"- name: ana\n  doors: [vpn]\n  secret: {ANA}\n",
    )
    ben, ana = load(path, DOORS)
    assert (ben.name, ben.doors, ben.style) == ("ben", ("ssh",), "authenticator")
    assert ben.until == 1801440000.0  # date -u -d 2027-02-01 +%s
    assert (ana.name, ana.style, ana.until) == ("ana", "derived", None)
    assert to_base32(ana.secret) == ANA


def test_no_file_is_no_keyholders(path: Path) -> None:
    assert load(path, DOORS) == ()


@pytest.mark.parametrize("text", ["", "# nobody yet\n", "[]\n"])
def test_an_empty_file_is_no_keyholders(text: str) -> None:
    assert parse(text, "k.yaml", DOORS) == ()


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o777])
def test_a_file_that_others_can_read_is_refused_naming_chmod(path: Path, mode: int) -> None:
    write(path, f"- {{name: ana, doors: [vpn], secret: {ANA}}}\n", mode)
    with pytest.raises(Mistake, match=f"mode {mode:04o}: .*: chmod 600 {path}"):
        load(path, DOORS)


def test_a_credential_is_found_and_keeps_the_mode_systemd_gave_it(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    credentials = tmp_path / "credentials"
    credentials.mkdir()
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(credentials))
    config = tmp_path / "portress.yaml"
    assert locate(config) == path
    write(credentials / "keyholders.yaml", f"- {{name: ana, doors: [vpn], secret: {ANA}}}\n", 0o440)
    assert locate(config) == credentials / "keyholders.yaml"
    assert [keyholder.name for keyholder in load(locate(config), DOORS)] == ["ana"]
    unit = (Path(__file__).parents[2] / "systemd/portress.service").read_text()
    (absent,) = re.findall(r"^SetCredential=keyholders\.yaml:(.*)$", unit, re.MULTILINE)
    (credentials / "keyholders.yaml").chmod(0o600)
    (credentials / "keyholders.yaml").write_text(absent)
    assert locate(config) == path


@pytest.mark.parametrize(
    ("entry", "line"),
    [
        ("{name: ana, doors: [vpm], secret: S}", "ana.doors[0]: 'vpm': no such door: the nearest is 'vpn'"),
        ("{name: ana, doors: [], secret: S}", "ana.doors: an empty list: a list of doors, for example [vpn]"),
        ("{name: ana, secret: S}", "ana: doors is missing: the doors their sequences open"),
        ("{doors: [vpn], secret: S}", "[0]: name is missing: the keyholder's name"),
        ("{name: -a, doors: [vpn], secret: S}", "[0].name: '-a': a name is 1 to 64 letters"),
        (
            "{name: ana, doors: [vpn], secret: S, stile: derived}",
            "ana.stile: unknown key: the nearest known one",
        ),
        (
            "{name: ana, doors: [vpn], secret: S, style: derive}",
            "ana.style: 'derive': derived or authenticator",
        ),
        ("{name: ana, doors: [ssh], secret: S}", "ana.doors[0]: 'ssh': this door has no `rotating:`, which"),
        (
            "{name: ana, doors: [vpn], secret: S, style: authenticator}",
            "ana.doors[0]: 'vpn': this door has no `authenticator:`, which style authenticator needs; "
            "style derived would suit",
        ),
        (
            "{name: ana, doors: [vpn], secret: S, until: tomorrow}",
            "ana.until: 'tomorrow': a date (2027-01-31)",
        ),
        (
            "{name: ana, doors: [vpn], secret: S, until: 2027-01-31T12:00}",
            "ana.until: '2027-01-31T12:00': a date (2027-01-31), or a time with its zone "
            "(2027-01-31T18:00+01:00): the zone is missing",
        ),
        ("{name: ana, doors: [vpn], secret: MFRGGZDFMZTWQ2LK}", "ana.secret: a secret has at least 128 bits"),
        ("{name: ana, doors: [vpn], secret: 0189}", "ana.secret: a secret is written in base32"),
        ("{name: ana, doors: [vpn], secret: [S]}", "ana.secret: a secret is one word in base32"),
        ("ana", "[0]: 'ana': a keyholder, for example {name: ana"),
    ],
)
def test_a_mistake_names_line_key_value_and_what_would_be_right(entry: str, line: str) -> None:
    (told,) = mistakes(f"\n- {entry.replace('secret: S', f'secret: {ANA}')}\n")
    assert told.startswith(f"k.yaml:2: {line}")


def test_a_name_that_stands_twice_is_a_mistake_at_the_second() -> None:
    entry = "- {name: ana, doors: [vpn], secret: %s}\n"
    assert mistakes(entry % ANA + entry % BEN) == [
        "k.yaml:2: ana.name: 'ana': duplicate of the name on line 1 already"
    ]


def test_two_keyholders_with_one_secret_are_a_mistake() -> None:
    text = f"- {{name: ana, doors: [vpn], secret: {ANA}}}\n- {{name: ben, doors: [vpn], secret: {ANA}}}\n"
    assert mistakes(text) == ["k.yaml:2: ben.secret: the same secret as ana's: each has one of their own"]


def test_all_mistakes_are_told_at_once() -> None:
    text = f"- {{name: ana, doors: [vpm], secret: {ANA}}}\n- {{name: ben, doors: [vpn]}}\n- 7\n"
    assert [line.split(":")[1] for line in mistakes(text)] == ["1", "2", "3"]


def test_a_file_that_is_no_list_is_a_mistake() -> None:
    assert "a list of keyholders" in mistakes("ana: {doors: [vpn]}\n")[0]


@pytest.mark.parametrize(
    "text",
    [
        f"- {ANA}\n",
        f"- {{name: ana, doors: {ANA}, secret: {BEN}}}\n",
        f"- {{name: ana, doors: [{ANA}], secret: {BEN}}}\n",
        f"- {{name: '{ANA}!', doors: [vpn], secret: {BEN}}}\n",
        f"- {{name: {ANA}, doors: [vpn]}}\n",
        f"- {{name: ana, doors: [vpn], secret: {BEN}, style: {ANA}}}\n",
        f"- {{name: ana, doors: [vpn], secret: {BEN}, until: {ANA}}}\n",
        f"- {{name: ana, doors: [vpn], secrt: {ANA}}}\n",
        f"- {{name: ana, doors: [vpn], {ANA}: secret}}\n",
        f"- {{name: ana, doors: [vpn], secret: {ANA}0}}\n",
        f"- {{name: ana, doors: [vpn], secret: &a {ANA}}}\n",
        f"- {{name: ana, doors: [vpn], secret: !{ANA} x}}\n",
        f"- {{name: ana, doors: [vpn], secret: {ANA}\n",
        f"{ANA}\n",
        f"- {{name: ana, doors: [vpm], secret: {ANA}}}\n",
    ],
)
def test_no_mistake_shows_a_secret_wherever_it_stands(text: str) -> None:
    for line in mistakes(text):
        assert ANA[:16] not in line and BEN[:16] not in line


def test_a_long_name_is_still_shown_in_its_mistakes() -> None:
    text = f"- {{name: administratorslaptop, doors: [vpm], secret: {ANA}}}\n"
    assert mistakes(text) == [
        "k.yaml:1: administratorslaptop.doors[0]: 'vpm': no such door: the nearest is 'vpn'"
    ]


def test_no_keyholder_shows_a_secret() -> None:
    keyholder = Keyholder("ana", ("vpn",), b"s3cr3t-s3cr3t-s3cr3t")
    assert "s3cr3t" not in f"{keyholder!r} {keyholder} {[keyholder]}"


def test_no_mutation_raises_anything_but_a_mistake_or_shows_a_secret() -> None:
    """2,000 seeded mutations of a sound file."""
    entries = (
        f"- {{name: ana, doors: [vpn], secret: {ANA}, until: 2027-01-31}}\n- name: ben\n  doors: [ssh]\n"
    )
    sound = entries.encode()
    seeded = random.Random(4)
    refused = 0
    for _ in range(2000):
        mutated = bytearray(sound)
        for _ in range(seeded.randrange(1, 6)):
            spot = seeded.randrange(len(mutated))
            mutated[spot : spot + seeded.randrange(3)] = seeded.choice(
                (
                    b"",
                    b"\n",
                    b":",
                    b"- ",
                    b"{",
                    b"]",
                    b"'",
                    b"\t",
                    b"&a ",
                    b"*a",
                    b"!!x ",
                    seeded.randbytes(2),
                )
            )
        try:
            parse(mutated.decode("latin-1"), "k.yaml", DOORS)
        except Mistake as mistake:
            refused += 1
            assert ANA not in str(mistake)
    assert refused > 1000


# Moments


@pytest.mark.parametrize("text", ["2027-01-31", "2027-01-31T18:00:00Z", "2027-01-31T18:00:00.250000Z"])
def test_an_expiry_is_written_as_it_was_read(text: str) -> None:
    assert expiry_text(expiry(text)) == text


@pytest.mark.parametrize(
    "text",
    ["9999-12-31", "9999-12-31T23:59:59-12:00", "0001-01-01", "0001-01-01T00:00Z", "0001-01-01T00:00+14:00"],
)
def test_an_expiry_at_the_ends_of_the_calendar_can_be_written_and_read_back(text: str) -> None:
    until = expiry(text)
    assert expiry(expiry_text(until)) == until
    assert (until > 250e9) is text.startswith("9999")


def test_an_expirys_zone_counts() -> None:
    assert expiry("2027-01-31T18:00+01:00") == expiry("2027-01-31T17:00:00Z")


@pytest.mark.parametrize(
    "text", ["", "2027-02-30", "9999-99-99", "20270131", "2027-01-31 ", "9" * 50, "²027-01-31"]
)
def test_what_is_no_moment_is_a_value_error(text: str) -> None:
    with pytest.raises(ValueError, match=r"a date \(2027-01-31\)"):
        expiry(text)


# Writing


def keyholder(name: str, secret: str = ANA, **others: Any) -> Keyholder:
    (found,) = parse(f"- {{name: '{name}', doors: [vpn], secret: {secret}}}", "k.yaml", None)
    return evolve(found, **others)


def test_enrolling_makes_a_private_file_that_reads_back(path: Path) -> None:
    ana = keyholder("ana", until=expiry("2027-01-31"))
    enrolment.add(path, ana)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert load(path, DOORS) == (ana,)
    assert path.read_text().startswith("# Who may open")
    assert [entry.name for entry in path.parent.iterdir()] == ["keyholders.yaml"]


def test_enrolling_and_unenrolling_keep_comments_and_order(path: Path) -> None:
    text = (
        f"# staff\n- {{name: ana, doors: [vpn], secret: {ANA}}}   # left hand\n\n# guests\n"
        f"- name: ben\n  doors: [vpn]\n  # the laptop\n  secret: {BEN}\n# the end\n"
    )
    write(path, text)
    enrolment.add(path, keyholder("cleo", "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"))
    assert path.read_text().startswith(text)
    enrolment.remove(path, "ben")
    assert path.read_text().splitlines()[:5] == [*text.splitlines()[:4], "# the end"]
    assert [found.name for found in load(path, DOORS)] == ["ana", "cleo"]
    enrolment.remove(path, "cleo")
    enrolment.remove(path, "ana")
    assert path.read_text() == "# staff\n\n# guests\n# the end\n[]\n"
    assert load(path, DOORS, some=True) == ()
    enrolment.add(path, keyholder("ana"))
    assert [found.name for found in load(path, DOORS)] == ["ana"]
    assert "[]" not in path.read_text()


def test_that_there_are_no_keyholders_any_more_has_to_be_written(path: Path) -> None:
    with pytest.raises(Mistake, match=r"no such file: .* write an empty list into it: \[\]$"):
        load(path, DOORS, some=True)
    for text in ("", "\n", "# nobody\n"):
        write(path, text)
        with pytest.raises(Mistake, match=r"nothing is written in it: .*: \[\]$"):
            load(path, DOORS, some=True)
        assert load(path, DOORS) == ()
    write(path, "# nobody\n[]\n")
    assert load(path, DOORS, some=True) == ()


def test_names_that_differ_by_case_only_are_refused(path: Path) -> None:
    text = f"- {{name: ana, doors: [vpn], secret: {ANA}}}\n- {{name: Ana, doors: [vpn], secret: {BEN}}}\n"
    with pytest.raises(Mistake) as told:
        parse(text, "k.yaml", DOORS)
    assert told.value.lines == (
        "k.yaml:2: Ana.name: 'Ana': duplicate of the name on line 1 already, but for its case: 'ana'",
    )
    enrolment.add(path, keyholder("ana"))
    with pytest.raises(Mistake, match="ana is enrolled already"):
        enrolment.add(path, keyholder("ANA", BEN))


@pytest.mark.parametrize(
    ("entry", "after"),
    [
        (f"- {{name: ana, doors: [vpn], secret: {ANA}}}   # left\n", "doors: [vpn, web], secret"),
        (f"- name: ana\n  doors: [ vpn ]  # hers\n  secret: {ANA}\n", "  doors: [vpn, web]  # hers\n"),
        (f"- name: ana\n  doors:\n    - vpn\n  secret: {ANA}\n", "doors: [vpn, web]"),
    ],
)
def test_a_keyholder_gets_one_more_door_and_keeps_the_secret(path: Path, entry: str, after: str) -> None:
    other = f"# others\n- {{name: ben, doors: [vpn], secret: {BEN}}}   # right\n"
    write(path, entry + other)
    changed = enrolment.extend(path, "ana", ("web",))
    assert changed == evolve(keyholder("ana"), doors=("vpn", "web"))
    assert parse(path.read_text(), "k", None)[0] == changed
    assert after in path.read_text() and path.read_text().endswith(other)
    assert path.stat().st_mode & 0o777 == 0o600
    with pytest.raises(Mistake, match="ana is enrolled already for door vpn"):
        enrolment.extend(path, "ana", ("vpn",))
    with pytest.raises(enrolment.Unknown):
        enrolment.extend(path, "eva", ("web",))


def test_a_door_that_nobody_can_open_is_named() -> None:
    config = Config(doors=DOORS)
    fixed = {name for name, door in DOORS.items() if door.fixed}
    assert len(without_hope(config, (), NOON)) == len(DOORS) - len(fixed)
    told = without_hope(config, [keyholder("ana", doors=("vpn",))], NOON)
    assert not any("door vpn" in line for line in told) and any("--door ssh" in line for line in told)
    late = keyholder("ana", doors=("vpn",), until=NOON)
    assert any("door vpn: nobody can open it" in line for line in without_hope(config, [late], NOON))
    assert not any("door vpn" in line for line in without_hope(config, [late], NOON - 1))


@pytest.mark.parametrize(
    "text", ["[]\n", "# none\n[]", "", f"  - {{name: ben, doors: [vpn], secret: {BEN}}}"]
)
def test_enrolling_goes_along_with_the_files_layout(path: Path, text: str) -> None:
    write(path, text)
    enrolment.add(path, keyholder("ana"))
    assert load(path, DOORS)[-1].name == "ana"


@pytest.mark.parametrize("name", ["on", "123", "1e5", "null", "a@example.org", "2027-01-31"])
def test_a_name_that_yaml_takes_for_something_else_reads_back(path: Path, name: str) -> None:
    enrolment.add(path, keyholder(name))
    assert [found.name for found in load(path, DOORS)] == [name]


def test_a_layout_that_cannot_be_changed_safely_is_left_alone(path: Path) -> None:
    text = f"[{{name: ben, doors: [vpn], secret: {BEN}}},\n {{name: cleo, doors: [vpn], secret: {ANA}}}]\n"
    write(path, text)
    with pytest.raises(Mistake, match="cannot be changed safely"):
        enrolment.add(path, keyholder("ana", "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"))
    with pytest.raises(Mistake, match="cannot be changed safely"):
        enrolment.remove(path, "cleo")
    assert path.read_text() == text


def test_a_name_is_enrolled_once(path: Path) -> None:
    enrolment.add(path, keyholder("ana"))
    with pytest.raises(Mistake, match="ana is enrolled already"):
        enrolment.add(path, keyholder("ana", BEN))


def test_unenrolling_nobody_names_the_nearest(path: Path) -> None:
    enrolment.add(path, keyholder("ana"))
    with pytest.raises(Mistake, match="no keyholder is called 'anna': the nearest is 'ana'"):
        enrolment.remove(path, "anna")


def test_a_keyholder_whose_door_is_gone_can_be_unenrolled(path: Path) -> None:
    enrolment.add(path, keyholder("ana", doors=("attic",)))
    assert enrolment.remove(path, "ana").doors == ("attic",)


def test_a_change_makes_a_readable_file_private(path: Path) -> None:
    write(path, "", 0o644)
    enrolment.add(path, keyholder("ana"))
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_link_stays_a_link(path: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    path.symlink_to(tmp_path / "elsewhere" / "real.yaml")
    enrolment.save(path, [keyholder("ben", BEN)])
    enrolment.add(path, keyholder("ana"))
    assert path.is_symlink()
    assert len(load(path, DOORS)) == 2


def test_a_directory_that_is_not_there_is_a_mistake(tmp_path: Path) -> None:
    with pytest.raises(Mistake, match="cannot be changed: No such file or directory"):
        enrolment.add(tmp_path / "nowhere" / "keyholders.yaml", keyholder("ana"))


def test_a_failed_change_leaves_the_file_and_nothing_beside_it(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    enrolment.add(path, keyholder("ana"))
    before = path.read_text()

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(Mistake, match="cannot be changed: No space left on device"):
        enrolment.add(path, keyholder("ben", BEN))
    assert path.read_text() == before
    assert [entry.name for entry in path.parent.iterdir()] == ["keyholders.yaml"]


def test_of_changes_at_once_none_is_lost(path: Path) -> None:
    fork = multiprocessing.get_context("fork")

    def enrol(number: int) -> None:
        for turn in range(5):
            secret = to_base32(bytes([number, turn]) * 10)
            enrolment.add(path, keyholder(f"k{number}-{turn}", secret))

    workers = [fork.Process(target=enrol, args=(number,)) for number in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(30)
    assert len(load(path, DOORS)) == 15


# What they make the doors expect


def test_each_keyholder_is_expected_at_each_of_their_doors() -> None:
    config = Config(doors=DOORS)
    ana, ben = keyholder("ana"), keyholder("ben", BEN, doors=("ssh",), style="authenticator")
    step = step_at(NOON)
    assert VPN.rotating is not None and SSH.authenticator is not None
    derived, dialled = expected([ana, ben], config, step)
    assert derived.sequence == rotating.derive(ana.secret, "vpn", VPN.rotating, step)
    assert (derived.door, derived.keyholder, derived.step) == ("vpn", "ana", step)
    assert dialled.sequence == authenticator.derive(ben.secret, SSH.authenticator, step)
    assert (dialled.door, dialled.keyholder, dialled.step) == ("ssh", "ben", step)


def test_hosts_of_different_sites_expect_different_sequences_of_the_same_secret() -> None:
    assert VPN.rotating is not None
    step = step_at(NOON)
    found = {
        site: expected([keyholder("ana")], Config(doors=DOORS, site=site), step)[0].sequence
        for site in ("", "edge", "core")
    }
    assert len(set(found.values())) == 3
    for site, sequence in found.items():
        assert sequence == rotating.derive(keyholder("ana").secret, "vpn", VPN.rotating, step, site)


def test_a_keyholder_is_expected_up_to_the_end_of_their_time() -> None:
    ana = keyholder("ana", until=NOON)
    config = Config(doors=DOORS)
    assert expected([ana], config, step_at(NOON - 1))
    assert not expected([ana], config, step_at(NOON) + 1)


def test_a_door_that_is_gone_or_has_another_style_expects_nobody() -> None:
    config = Config(doors={"ssh": SSH})
    assert expected([keyholder("ana", doors=("vpn", "ssh"))], config, 1) == []
