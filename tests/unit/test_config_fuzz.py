"""Thousands of damaged configurations: whatever is in a file, nothing but Mistake leaves the reader."""

from __future__ import annotations

import random
import re
from collections.abc import Callable

import yaml

from portress.config import schema as keys
from portress.config import yaml_tree as reading
from portress.config.load import parse
from portress.config.model import Config
from portress.errors import Mistake
from unit.config_texts import DOORS, EXAMPLES, complaints

SEED = 20240611
ROUNDS = 5_000

SEEDS = [path.read_bytes() for path in EXAMPLES] + [DOORS.encode()]

# Words that belong in a configuration, words that nearly do, and words that YAML is known to stumble over.
WORDS = """
    tcp/22 udp/51820 tcp/4617 tcp/1-65535 udp/0 tcp/65536 tcp/٣ 20000-51999 51999-20000 1-4
    30s 0s 100ms 9999999999999d 8h 2d -1s 0 -1 1e9 0x10 010 1_000 12:30 2027-01-31 2027-01-31T10:00:00Z
    .inf .nan true false
    on off yes no y ~ null = << * & ! !!int !!binary &a *a | > %YAML --- ... ? : - [ ] { } , # ' "
    lo eth0 0.0.0.0/0 ::/0 192.0.2.0/24 2001:db8::/32 ::ffff:192.0.2.1 fe80::1%eth0 always callers ssh
    doors: services: fixed: rotating: authenticator: knocks: gap: stay: pool: base: watch: misses: metrics:
    journal: counter: length: protocols: skew: listen: always: public: inside: source_prefix:
""".encode().split()
WORDS += [b"\t", b"\r", b"\0", b"\xff", b"\xe2\x80\xa8", b"\xf0\x9f\x9a\xaa", b"\x1b[31m"]
WORDS += [b"9" * 5000, b"[" * 50, b"x" * 300]


def flip(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + bytes([rng.randrange(256)]) + data[at + 1 :]


def cut(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + data[at + rng.randrange(1, 20) :]


def insert(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + rng.choice(WORDS) + data[at:]


def swap_word(data: bytes, rng: random.Random) -> bytes:
    """Another word in a word's place: the rest stays well written, so that deep checks are reached."""
    words = list(re.finditer(rb"[\w./:-]+", data))
    if not words:
        return data
    old = rng.choice(words)
    return data[: old.start()] + rng.choice(WORDS) + data[old.end() :]


def copy_word(data: bytes, rng: random.Random) -> bytes:
    words = list(re.finditer(rb"[\w./-]+", data))
    if not words:
        return data
    old, new = rng.choice(words), rng.choice(words)
    return data[: old.start()] + new[0] + data[old.end() :]


def lines(data: bytes, rng: random.Random) -> bytes:
    """A line doubled, moved or indented otherwise."""
    some = data.split(b"\n")
    line = some.pop(rng.randrange(len(some)))
    line = rng.choice([line, b"  " + line, line.strip(), line + b"\n" + line])
    some.insert(rng.randrange(len(some) + 1), line)
    return b"\n".join(some)


def splice(data: bytes, rng: random.Random) -> bytes:
    other = rng.choice(SEEDS)
    return data[: rng.randrange(len(data))] + other[rng.randrange(len(other)) :]


DAMAGES: list[Callable[[bytes, random.Random], bytes]] = [
    flip,
    cut,
    insert,
    swap_word,
    copy_word,
    lines,
    splice,
]
WEIGHTS = [2, 2, 3, 5, 5, 3, 1]


def damaged(rng: random.Random) -> bytes:
    data = rng.choice(SEEDS)
    for damage in rng.choices(DAMAGES, WEIGHTS, k=rng.choice([1, 1, 1, 2, 3, 8])):
        data = damage(data, rng) or b"-"
    return data


def read(data: bytes) -> Config | Mistake:
    try:
        return parse(reading.decode(data, "fuzz.yaml"), "fuzz.yaml")
    except Mistake as told:
        return told


def well_told(mistake: Mistake, data: bytes) -> bool:
    """Every line is one printable line of bearable length with a place in the file; they are in order."""
    matches = [re.fullmatch(r"fuzz\.yaml:(\d+): .+", line) for line in mistake.lines]
    numbers = [int(match[1]) if match else 0 for match in matches]
    return (
        all(0 < number <= data.count(b"\n") + 1 for number in numbers)
        and numbers == sorted(numbers)
        and all(line.isprintable() and len(line) < 500 for line in mistake.lines)
    )


def test_nothing_but_mistakes_leaves_the_reader() -> None:
    rng = random.Random(SEED)
    schema = keys.schema()
    accepted = 0
    told: set[str] = set()
    for _ in range(ROUNDS):
        data = damaged(rng)
        outcome = read(data)
        if isinstance(outcome, Config):
            accepted += 1
            # What Portress accepts, an editor does not complain of.
            assert complaints(schema, yaml.load(data, reading.LOADER)) == [], data
        else:
            assert well_told(outcome, data), (data, outcome.lines)
            told.update(line.rpartition(": ")[2] for line in outcome.lines)
    # The damage neither spares everything nor stops at the first gate.
    assert accepted > ROUNDS // 20
    assert len(told) > 100
