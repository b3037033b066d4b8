"""Places in a fleet: a keyholder who moves from one gateway to another has moved at all of them."""

from __future__ import annotations

import pytest

from kernel.test_fleet import ROTATING, WAYS, inside, sequence, true
from kernel.test_rotating import holders, settled
from lab import sender
from lab.fleets import fleet


@pytest.mark.parametrize("decide", WAYS)
def test_the_newest_admission_at_any_gateway_ends_the_oldest_at_all(decide: str) -> None:
    settled(14)
    config = ROTATING.replace("DECIDE", decide) + "    places: 1\n"
    with fleet(config, keyholders=holders(["ana"])) as f:
        first, second = f.gateways
        with sender(f.client) as send:
            send.knocks(f.client4, first.address, sequence(), 0.03)
        for one in f.gateways:
            true(lambda one=one: inside(one) == {(f.client4, "vpn")})
        with sender(f.other) as send:
            send.knocks(f.other4, second.address, sequence(1), 0.03)
        for one in f.gateways:
            true(lambda one=one: inside(one) == {(f.other4, "vpn")})
        second.daemon.wait_for(f"ana moved from {f.client4} to {f.other4}")
