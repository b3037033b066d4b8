"""The example for cloud-init, in a booted machine: shut, kept, and open to a keycard."""

from __future__ import annotations

import json
import sys
import time

import yaml

from lab import tcp_state
from lab.portress import REPOSITORY
from system.host import host


def test_the_cloud_init_example_shuts_ssh_and_its_keycard_opens_it() -> None:
    example = yaml.safe_load((REPOSITORY / "config/cloud-init.yaml").read_text())
    _, begin = example["runcmd"]  # the package is installed already
    sample = (REPOSITORY / "systemd/debian/portress.yaml").read_text()
    with host(sample, run=False) as machine:
        begin[begin.index("vpn.example.org")] = machine.host4
        assert tcp_state(machine.stranger, machine.host4, 22) == "open"
        done = machine.run(*begin, timeout=90)
        answer = json.loads(done.stdout)
        assert answer["kept"] and answer["keycards"] == ["/root/admin.keycard"]
        assert answer["saved"] is not None and machine.path(answer["saved"]).read_text() == sample
        assert tcp_state(machine.stranger, machine.host4, 22) != "open"
        card = machine.path("/root/admin.keycard")
        assert card.stat().st_mode & 0o777 == 0o600
        assert json.loads(card.read_text())["secret"] not in done.stdout + done.stderr
        for unit in ("portress.service", "portress-guard.service"):
            assert machine.run("systemctl", "is-enabled", unit).stdout.strip() == "enabled"
        knock = [sys.executable, str(REPOSITORY / "scripts/portress-knock"), str(card)]
        # The first start after a boot refuses rotating sequences until those of before it are over: a minute.
        end = time.monotonic() + 120
        while tcp_state(machine.stranger, machine.host4, 22) != "open":
            assert time.monotonic() < end
            time.sleep(15)
            machine.stranger.run(knock, timeout=60)
        assert tcp_state(machine.another, machine.host4, 22) != "open"
