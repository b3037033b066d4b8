"""`places`: how many sources one keyholder may have admitted at a time. Real packets, both ways to decide."""

from __future__ import annotations

import base64
import json
import time

import pytest

from lab import crowd, daemon, sender, until, world
from portress.clock import STEP
from portress.config.model import Rotating
from portress.knock import SECOND, TCP, UDP
from portress.sequence.rotating import derive

SECRETS = {"ana": b"A" * 20, "ben": b"B" * 20}
RULE = Rotating((20000, 30999), (TCP, UDP), 4, 10 * SECOND, 10)


def config(decide: str, places: int) -> str:
    return f"""
decide: {decide}
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    places: {places}
    rotating: {{pool: 20000-30999, length: 4, gap: 10s, skew: 10}}
"""


KEYHOLDERS = "".join(
    f"- {{name: {name}, doors: [ssh], secret: {base64.b32encode(secret).decode()}}}\n"
    for name, secret in SECRETS.items()
)


def sequence(name: str, away: int) -> list[str]:
    return [str(one) for one in derive(SECRETS[name], "ssh", RULE, int(time.time() // STEP) + away).knocks]


@pytest.mark.parametrize("decide", ["kernel", "daemon"])
@pytest.mark.parametrize("places", [1, 2])
def test_the_newest_admission_of_a_keyholder_ends_the_oldest(decide: str, places: int) -> None:
    with (
        world() as w,
        daemon(w.host, config(decide, places), keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
    ):

        def admitted() -> set[str]:
            return {one["source"] for one in d.status()["admissions"]}

        sources = crowd(4)
        ben, *anas = sources
        send.knocks(ben, w.host4, sequence("ben", 0))
        until(lambda: admitted() == {ben})
        for number, source in enumerate(anas):
            send.knocks(source, w.host4, sequence("ana", number))
            wanted = {ben, *anas[max(0, number + 1 - places) : number + 1]}
            until(lambda wanted=wanted: admitted() == wanted)
        moved = d.wait_for(f"ana moved from {anas[2 - places]} to {anas[2]} at ssh, for 1h")
        assert moved
        assert f"{anas[2]} admitted" not in d.log
        assert f"{anas[2 - places]}'s admission" not in d.log
        endings = [one["ending"] for one in json.loads(d.verb("history", "--json").stdout)["admissions"]]
        assert endings.count("moved") == 3 - places
        held = w.host.run(["nft", "list", "set", "inet", "portress", "ssh_4"]).stdout
        assert {one for one in sources if f"{one} " in held} == {ben, *anas[3 - places :]}
