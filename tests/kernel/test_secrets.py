"""Where a keyholder's secret may be read: in keyholders.yaml and on the keycard, and nowhere else."""

from __future__ import annotations

import base64
import contextlib
import json
import threading
from collections.abc import Iterator
from pathlib import Path

import client
from lab import daemon, sshd, world

CONFIG = """\
doors:
  vpn:
    services: [tcp/22]
    stay: 1h
    rotating: {pool: 20000-49999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
  wiki:
    services: [tcp/8443]
    authenticator: {base: 21000, gap: 30s, skew: 1}
"""


@contextlib.contextmanager
def watched() -> Iterator[set[bytes]]:
    """The command lines and environments of all processes of this machine, looked at over and over."""
    seen: set[bytes] = set()
    over = threading.Event()

    def look() -> None:
        while not over.is_set():
            for path in Path("/proc").glob("[0-9]*"):
                for name in ("cmdline", "environ"):
                    with contextlib.suppress(OSError):
                        seen.add((path / name).read_bytes())

    thread = threading.Thread(target=look)
    thread.start()
    try:
        yield seen
    finally:
        over.set()
        thread.join()


def spelt(secret: str) -> list[bytes]:
    """A secret in base32 as it might stand somewhere: base32, hex, base64 and the bytes themselves."""
    raw = base64.b32decode(secret + "=" * (-len(secret) % 8))
    return [secret.encode(), secret.lower().encode(), raw.hex().encode(), base64.b64encode(raw), raw]


def test_a_secret_stands_in_no_process_list_no_log_no_answer_and_no_other_file() -> None:
    secrets: list[str] = []
    told: list[str] = []
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG) as d:

        def heard(verb: str, *words: str) -> None:
            done = d.verb(verb, *words, check=False)
            told.append(done.stdout + done.stderr)

        with watched() as seen:
            for name, door in (("ana", "vpn"), ("ben", "wiki")):
                card = d.folder / f"{name}.keycard"
                done = d.verb("enrol", name, "--door", door, "--host", w.host4, "--keycard", str(card))
                told.append(done.stderr)
                secrets.append(json.loads(card.read_text())["secret"])
            knock = ["/usr/bin/python3", "-I", str(client.CLIENT), "-v"]
            relay = " ".join([*knock, str(d.folder / "ana.keycard"), "--relay", "%h", "%p"])
            words = server.command(w.host4, "true", wait=60)
            done = w.stranger.run([words[0], "-o", f"ProxyCommand={relay}", *words[1:]], timeout=90)
            told.append(done.stderr)
            done = w.another.run([*knock, str(d.folder / "ben.keycard")])
            told.append(done.stdout + done.stderr)
            d.wait_for("admitted to wiki", "ben")
            for verb in ("status", "keyholders", "history", "doctor", "strength", "check", "rules"):
                heard(verb)
            for verb in ("status", "keyholders", "history"):
                heard(verb, "--json")
            heard("why", w.stranger4)
            kept = (d.folder / "keyholders.yaml").read_text()
            broken = kept.replace("secret: ", "secrte: ").replace("name: ana", f"name: {secrets[0]}")
            (d.folder / "keyholders.yaml").write_text(broken)
            for verb in ("keyholders", "check", "unenrol", "doctor"):
                heard(verb, *(["ana"] if verb == "unenrol" else []))
            d.reload()
            d.wait_for("secrte")
            (d.folder / "keyholders.yaml").write_text(kept)
            heard("unenrol", "ana")
            d.terminate()
        private = {"keyholders.yaml", "ana.keycard", "ben.keycard"}
        files = {path: path.read_bytes() for path in d.folder.rglob("*") if path.is_file()}
        everything = [d.log.encode(), *(text.encode() for text in told), *seen]
        everything += [data for path, data in files.items() if path.name not in private]
    assert any(b"ana.keycard" in one for one in seen)  # the list was really looked at
    assert all(
        secret.encode() in files[d.folder / f"{name}.keycard"]
        for name, secret in zip(("ana", "ben"), secrets, strict=True)
    )
    for secret in secrets:
        for form in spelt(secret):
            assert not any(form in one for one in everything)
