"""Names that interfaces, programs and other people's rules bear are shown escaped."""

from __future__ import annotations

import subprocess
import sys

from lab import daemon, world

CONFIG = """\
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 30s}
"""
NASTY = "x\x1b[2J\x9b\u202ey"  # a kernel takes any byte for an interface's name but /, : and blanks
SERVER = """
import socket, time
open("/proc/self/comm", "w").write("s\\x1b[2J\\x9b\\u202e")
with socket.create_server(("127.0.0.1", 22)):
    print("listening", flush=True)
    time.sleep(60)
"""


def test_the_names_of_interfaces_and_programs_steer_no_terminal() -> None:
    with world() as w:
        w.host.run(["ip", "link", "add", NASTY, "type", "veth", "peer", "name", "other"])
        w.host.run(["ip", "address", "add", "192.0.2.1/24", "dev", NASTY])
        w.host.run(["ip", "link", "set", NASTY, "up"])
        w.host.nft(
            "table inet other { chain first { type filter hook input priority 0; policy drop; }\n"
            f'  chain pre {{ type filter hook prerouting priority -400; iifname "{NASTY}" accept; }}\n}}'
        )
        served = w.host.popen([sys.executable, "-c", SERVER], stdout=subprocess.PIPE)
        with daemon(w.host, CONFIG) as d:
            assert served.stdout is not None and served.stdout.readline() == "listening\n"
            said = [d.verb(verb, check=False) for verb in ("check", "doctor", "status", "rules")]
            texts = [one.stdout + one.stderr for one in said]
            d.verb("why", "192.0.2.9", check=False)
            assert "\\u001b[2J" in "".join(texts)
            for text in [*texts, d.log]:
                assert all(letter.isprintable() or letter in "\n\t" for letter in text)
