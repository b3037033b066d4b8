"""Closed and guarded ports answer alike, whatever the host's own firewall does with closed ports."""

from __future__ import annotations

import pytest

from kernel.test_closed_alike import FIREWALLS, scanned


@pytest.mark.parametrize("firewall", FIREWALLS)
def test_nmap_sees_no_difference(firewall: str) -> None:
    scanned(firewall)
    print(f"\n{firewall}: no difference")
