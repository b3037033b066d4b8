"""nft and the kernel take the guard of every kind of configuration, as its text is kept for reading."""

from __future__ import annotations

import json

import pytest

from guard_texts import CONFIGURATIONS, FOLDER
from lab import namespace


@pytest.mark.parametrize("name", CONFIGURATIONS)
def test_the_kernel_takes_the_guards_text(name: str) -> None:
    with namespace("host") as host:
        host.nft((FOLDER / f"{name}.nft").read_text())
        listed = json.loads(host.run(["nft", "-j", "list", "table", "inet", "portress"]).stdout)
        hooks = {one["chain"].get("prio") for one in listed["nftables"] if "chain" in one}
        assert {-300, -150} <= hooks
