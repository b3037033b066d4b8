"""Captures by tcpdump read back: what they tell is what the packet watcher heard of the same packets."""

from __future__ import annotations

import contextlib
import random
import select
import socket
import time
from pathlib import Path

import pytest

from lab import capture, crowd, sender, world
from lab.packets import tcp
from portress.knock import SECOND
from portress.trace.capture import opened
from portress.watch.packet import PacketWatcher

GROUP = 7507
RULES = f"""
table inet reporting {{
  chain entry {{
    type filter hook prerouting priority -150
    meta l4proto {{ tcp, udp }} log group {GROUP} snaplen 96 queue-threshold 1
  }}
}}"""


@pytest.mark.parametrize("device", ["eth0", "any"])
def test_a_capture_tells_what_the_watcher_heard(device: str, tmp_path: Path) -> None:
    rng = random.Random(5)
    file = tmp_path / "trace.pcap"
    with world() as w, contextlib.ExitStack() as stack:
        w.host.nft(RULES)
        ears = PacketWatcher(GROUP, time.time_ns)
        with w.host.enter():
            stack.enter_context(ears)
            index = socket.if_nametoindex("eth0") if device == "any" else 0
        began = time.time_ns()
        with capture(w.host, device=device, path=file), sender(w.stranger) as send:
            for _ in range(200):
                family = rng.choice((4, 6))
                source, target = rng.choice(crowd(50, family)), w.host4 if family == 4 else w.host6
                send.knock(source, target, f"{rng.choice(('tcp', 'udp'))}/{rng.randrange(1, 65536)}")
                send.send(target, tcp(source, target, 4617, flags=rng.choice((4, 16, 18))))
            heard = ears.read()
            while len(heard) < 200 and select.select([ears], [], [], 5)[0]:
                heard += ears.read()
        ended = time.time_ns()
        local = frozenset((socket.inet_aton(w.host4), socket.inet_pton(socket.AF_INET6, w.host6)))
    with opened(file, local=local) as read:
        traced = list(read)
    assert [each[:2] for each in traced] == [each[:2] for each in heard]
    assert len(traced) == 200
    assert read.notes == []
    assert {interface for *_, interface in traced} == {index}
    assert all(began - SECOND < moment < ended + SECOND for _, _, moment, _ in traced)
