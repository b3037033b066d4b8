"""The text log of the running kernel: what it writes of a knock is what the parser takes for one."""

from __future__ import annotations

import contextlib
import os
import socket
import struct
import time
from collections.abc import Iterator

import pytest

from lab import Sender, crowd, sender, world
from lab.journal import namespaces_may_log
from lab.packets import tcp
from portress.knock import Knock
from portress.watch.logline import parse

PREFIX = "portress-test: "


@contextlib.contextmanager
def kernel_log() -> Iterator[int]:
    """The kernel's messages from now on; reading never waits."""
    file = os.open("/dev/kmsg", os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        os.lseek(file, 0, os.SEEK_END)
        yield file
    finally:
        os.close(file)


def messages(file: int, end: str) -> list[bytes]:
    """Messages with the prefix, until one has `end` in it; at most five seconds."""
    found: list[bytes] = []
    until = time.monotonic() + 5
    while time.monotonic() < until and not (found and end.encode() in found[-1]):
        try:
            message = os.read(file, 8192).partition(b";")[2]
        except BlockingIOError:
            time.sleep(0.01)
        except BrokenPipeError:  # the ring went round meanwhile
            continue
        else:
            found += [message] * message.startswith(PREFIX.encode())
    return found


def say(send: Sender, host4: str, host6: str) -> list[tuple[bytes, str]]:
    """Knocks of every kind, and as many packets that are none; returns the knocks."""
    told = []
    for number, source in enumerate(crowd(4) + crowd(4, family=6)):
        six = ":" in source
        target, text = host6 if six else host4, f"{('tcp', 'udp')[number % 2]}/{4617 + number}"
        send.knock(source, target, text)
        send.send(target, tcp(source, target, 4617, flags=(0x12, 0x10, 0x04, 0x03)[number % 4]))
        told.append((socket.inet_pton(socket.AF_INET6 if six else socket.AF_INET, source), text))
    # Options in the IPv4 header, and a DF, CE and TOS that nobody sends by accident.
    ip, udp = bytes((1, 1, 1, 0)), struct.pack(">HHHH", 4000, 6042, 8, 0)
    addresses = socket.inet_aton("192.0.2.7") + socket.inet_aton(host4)
    send.send(host4, struct.pack(">BBHHHBBH", 0x46, 0xB8, 32, 7, 0xC000, 64, 17, 0) + addresses + ip + udp)
    told.append((socket.inet_aton("192.0.2.7"), "udp/6042"))
    send.udp("192.0.2.8", host4, 9999)
    return [*told, (socket.inet_aton("192.0.2.8"), "udp/9999")]


@pytest.mark.parametrize("flags", ["", "flags tcp sequence", "flags tcp sequence,options", "flags all"])
def test_the_running_kernels_lines_are_read(flags: str) -> None:
    with world() as w, namespaces_may_log(), kernel_log() as file, sender(w.stranger) as send:
        w.host.nft(
            f"""
            table inet logging {{
              chain entry {{
                type filter hook prerouting priority -150
                meta l4proto {{ tcp, udp }} log prefix "{PREFIX}" {flags}
              }}
            }}"""
        )
        told = say(send, w.host4, w.host6)
        lines = messages(file, " DPT=9999 ")
    assert len(lines) == len(told) + 8
    heard = [found for found in (parse(line, PREFIX) for line in lines) if found is not None]
    assert [(source, str(Knock(knock))) for source, knock, _ in heard] == told
    assert {interface for *_, interface in heard} == {"eth0"}
