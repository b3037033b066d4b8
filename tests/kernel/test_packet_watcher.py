"""The packet watcher against the real packet log, in namespaces: what the kernel reports is what is heard."""

from __future__ import annotations

import contextlib
import errno
import itertools
import os
import select
import socket
import struct
import sys
import time
from collections.abc import Iterator

import pytest

from lab import Namespace, Sender, link, namespace, sender
from lab.packets import tcp
from portress.errors import Mistake
from portress.knock import Knock, Widths
from portress.watch.packet import PacketWatcher, forget_interface_names, interface_name

GROUP = 7507
HOST_4, HOST_6 = "198.51.100.1", "2001:db8:1::1"
ANA_4, ANA_6 = "192.0.2.7", "2001:db8:c::7"
EVERYTHING = f"""
table inet reporting {{
  chain entry {{
    type filter hook prerouting priority -150
    meta l4proto {{ tcp, udp, icmp }} log group {GROUP} snaplen 96 queue-threshold 1
  }}
}}"""


@pytest.fixture
def host() -> Iterator[Namespace]:
    with namespace("host") as made:
        made.nft(EVERYTHING)
        yield made


@pytest.fixture
def send(host: Namespace) -> Iterator[Sender]:
    """Sends what the stranger on the host's eth0 has to say."""
    with namespace("stranger") as stranger:
        one, other = [f"{HOST_4}/24", f"{HOST_6}/64"], ["198.51.100.2/24", "2001:db8:1::2/64"]
        link(host, "eth0", one, stranger, "eth0", other)
        with sender(stranger) as made:
            yield made


@contextlib.contextmanager
def watcher(host: Namespace, **options: int) -> Iterator[PacketWatcher]:
    """A watcher at work in the namespace; its clock counts the calls."""
    made = PacketWatcher(GROUP, itertools.count(1).__next__, **options)
    with host.enter():
        made.__enter__()
    with contextlib.closing(made):
        yield made


def hear(ears: PacketWatcher, count: int) -> list[tuple[bytes, int, int, int]]:
    """At least `count` knocks, or what came within five seconds."""
    heard = ears.read()
    while len(heard) < count and select.select([ears], [], [], 5)[0]:
        heard += ears.read()
    return heard


def packed(address: str) -> bytes:
    return socket.inet_pton(socket.AF_INET6 if ":" in address else socket.AF_INET, address)


def test_knocks_of_both_families_and_protocols_are_heard_in_order(host: Namespace, send: Sender) -> None:
    with watcher(host) as ears:
        for source, target in ((ANA_4, HOST_4), (ANA_6, HOST_6)):
            for text in ("tcp/4617", "udp/2953", "tcp/6381"):
                send.knock(source, target, text)
        heard = hear(ears, 6)
    texts = ["tcp/4617", "udp/2953", "tcp/6381"]
    expected = [(packed(source), Knock.parse(text)) for source in (ANA_4, ANA_6) for text in texts]
    assert [(source, knock) for source, knock, _, _ in heard] == expected
    assert (ears.lost, ears.overruns, dict(ears.odd)) == (0, 0, {})


def test_a_real_stacks_connection_attempt_and_datagram_are_heard(host: Namespace) -> None:
    with watcher(host) as ears, host.enter():
        with socket.socket() as dialling:
            dialling.setblocking(False)
            assert dialling.connect_ex(("127.0.0.1", 4617)) == errno.EINPROGRESS
            heard = hear(ears, 1)
        with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as asking:
            asking.sendto(b"", ("::1", 2953))
            heard += hear(ears, 1)
    assert [(source, str(Knock(knock))) for source, knock, _, _ in heard] == [
        (packed("127.0.0.1"), "tcp/4617"),
        (packed("::1"), "udp/2953"),
    ]


def test_a_knock_carries_the_moment_of_reading_and_the_interface(host: Namespace, send: Sender) -> None:
    with watcher(host) as ears:
        send.knock(ANA_4, HOST_4, "tcp/4617")
        select.select([ears], [], [], 5)
        first = ears.read()
        send.knock(ANA_4, HOST_4, "tcp/4617")
        select.select([ears], [], [], 5)
        second = ears.read()
    with host.enter():
        forget_interface_names()
        assert [interface_name(index) for *_, index in first + second] == ["eth0", "eth0"]
        assert interface_name(4_000_000) == "#4000000"
    assert second[0][2] == first[0][2] + 1


def test_a_knock_read_late_carries_the_moment_it_came(host: Namespace, send: Sender) -> None:
    """By the kernel's own stamp (NFULA_TIMESTAMP), whatever the reader's clock has come to since."""
    ears = PacketWatcher(GROUP, time.monotonic_ns, wall=time.time_ns)
    with host.enter():
        ears.__enter__()
    with contextlib.closing(ears):
        sent = []
        for pause in (0.0, 0.3, 0.7):
            time.sleep(pause)
            before = time.monotonic_ns()
            send.knock(ANA_4, HOST_4, "tcp/4617")
            sent.append((before, time.monotonic_ns()))
        time.sleep(0.5)
        heard = hear(ears, 3)
        assert [(source, str(Knock(knock))) for source, knock, _, _ in heard] == [
            (packed(ANA_4), "tcp/4617")
        ] * 3
        for (before, after), (_, _, moment, _) in zip(sent, heard, strict=True):
            assert before - 1_000_000 <= moment <= after + 1_000_000  # stamps are in microseconds
        assert ears.read() == [] and ears.lag == 0


def test_what_is_no_knock_is_counted_by_kind(host: Namespace, send: Sender) -> None:
    with watcher(host) as ears:
        for flags in (0x12, 0x10, 0x04):
            send.send(HOST_4, tcp(ANA_4, HOST_4, 4617, flags=flags))
        send.knock(ANA_4, HOST_4, "udp/2953")
        assert len(hear(ears, 1)) == 1
    assert dict(ears.odd) == {"later": 3}


def test_a_fragmented_datagram_is_heard_once_put_together(host: Namespace) -> None:
    host.nft("table inet tracking { chain entry { type filter hook prerouting priority 0; ct state new; }; }")
    with namespace("stranger") as stranger, watcher(host) as ears:
        link(host, "eth0", [f"{HOST_4}/24"], stranger, "eth0", ["198.51.100.2/24"])
        with stranger.enter(), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
            asking.sendto(bytes(5000), (HOST_4, 2953))
        heard = hear(ears, 1)
    assert [knock for _, knock, _, _ in heard] == [Knock.parse("udp/2953")]
    assert dict(ears.odd) == {}


def wrapped(source: str, target: str, first: int, extensions: bytes, port: int) -> bytes:
    """A UDP datagram behind IPv6 extension headers, `first` being the number of the first one."""
    body = extensions + struct.pack(">HHHH", 40000, port, 8, 0)
    return struct.pack(">IHBB16s16s", 0x60000000, len(body), first, 64, packed(source), packed(target)) + body


def test_extension_headers_are_seen_through_as_nftables_does(host: Namespace, send: Sender) -> None:
    host.nft("table inet tracking { chain entry { type filter hook prerouting priority 0; ct state new; }; }")
    options = bytes((1, 4, 0, 0, 0, 0))  # PadN
    seen = {
        6042: (0, bytes((17, 0)) + options),
        9002: (60, bytes((17, 0)) + options),
        9003: (43, bytes((17, 0)) + bytes(6)),
        9004: (0, bytes((60, 0)) + options + bytes((43, 0)) + options + bytes((17, 0)) + bytes(6)),
        9005: (44, bytes((17, 0, 0, 0, 0, 0, 0, 1))),  # an atomic fragment
    }
    unseen = {
        9006: (51, bytes((17, 1)) + bytes(10)),
        9007: (0, bytes((51, 0)) + options + bytes((17, 1)) + bytes(10)),
    }
    with watcher(host) as ears:
        for port, (first, extensions) in (unseen | seen).items():
            send.send(HOST_6, wrapped(ANA_6, HOST_6, first, extensions, port))
        heard = hear(ears, len(seen))
    assert [knock & 0xFFFF for _, knock, _, _ in heard] == list(seen)
    assert dict(ears.odd) == {}


def test_a_budget_bounds_what_one_call_reads(host: Namespace, send: Sender) -> None:
    with watcher(host) as ears:
        for _ in range(10):
            send.knock(ANA_4, HOST_4, "udp/2953")
        select.select([ears], [], [], 5)
        assert len(ears.read(budget=4)) == 4
        assert len(hear(ears, 6)) == 6
        assert ears.read() == []


def test_sources_are_masked_to_the_prefixes(host: Namespace, send: Sender) -> None:
    with watcher(host, widths=Widths(24, 56)) as ears:
        send.knock(ANA_4, HOST_4, "tcp/4617")
        send.knock("2001:db8:c:12ff::7", HOST_6, "tcp/4617")
        heard = hear(ears, 2)
    assert [source for source, *_ in heard] == [packed("192.0.2.0"), packed("2001:db8:c:1200::")]


def test_a_full_buffer_is_survived_and_every_lost_packet_counted(host: Namespace, send: Sender) -> None:
    with watcher(host, buffer=4096) as ears:
        for _ in range(200):
            send.knock(ANA_4, HOST_4, "udp/2953")
        heard = len(hear(ears, 1))
        assert ears.overruns == 1
        send.knock(ANA_4, HOST_4, "udp/2953")
        heard += len(hear(ears, 1))
        assert 0 < heard < 200
        assert heard + ears.lost == 201


def test_very_many_packets_are_reported_together_and_few_again_one_by_one(
    host: Namespace, send: Sender
) -> None:
    """By the watcher's clock, which goes on 1 ms a read: 250 packets a read are many, none are few."""
    host.nft(f"flush table inet reporting\n{EVERYTHING.replace('threshold 1', 'threshold 64')}")
    ears = PacketWatcher(GROUP, itertools.count(0, 1_000_000).__next__)
    with host.enter():
        ears.__enter__()

    def parts(count: int) -> list[int]:
        """How many packets each datagram of the next `count` packets brings."""
        for _ in range(count):
            send.knock(ANA_4, HOST_4, "udp/2953")
        found: list[int] = []
        while sum(found) < count and select.select([ears], [], [], 5)[0]:
            found += [len(ears.read(budget=1))]
        return found

    with contextlib.closing(ears):
        assert parts(5) == [1] * 5
        for _ in range(55):
            for _ in range(250):
                send.knock(ANA_4, HOST_4, "udp/2953")
            hear(ears, 1)
        while select.select([ears], [], [], 0.05)[0]:
            ears.read()
        assert max(parts(300)) > 1
        for _ in range(110):
            ears.read()
        assert parts(5) == [1] * 5
    assert (ears.lost, ears.overruns, dict(ears.odd)) == (0, 0, {})


def test_a_second_watcher_of_the_group_is_refused_and_told_why(host: Namespace) -> None:
    with (
        watcher(host),
        pytest.raises(Mistake, match=r"another portress .* packet log group 7507 here"),
        watcher(host),
    ):
        pass


def test_a_group_is_free_again_when_its_watcher_is_closed(host: Namespace, send: Sender) -> None:
    with watcher(host):
        pass
    with watcher(host) as ears:
        send.knock(ANA_4, HOST_4, "tcp/4617")
        assert len(hear(ears, 1)) == 1
    assert ears.lost == 0


def test_the_same_group_in_another_namespace_is_another_group(host: Namespace) -> None:
    with namespace("other") as other, watcher(host), watcher(other) as ears:
        assert ears.read() == []


def test_without_the_capability_the_mistake_names_it(host: Namespace) -> None:
    script = """
import os, sys
from portress.errors import Mistake
from portress.watch.packet import PacketWatcher
os.setuid(65534)
try:
    PacketWatcher(7507, lambda: 0).__enter__()
except Mistake as mistake:
    print(mistake)
"""
    assert "CAP_NET_ADMIN" in host.run([sys.executable, "-c", script]).stdout


def test_nobody_but_the_kernel_can_speak_to_the_watcher(host: Namespace) -> None:
    with watcher(host) as ears, host.enter():
        with socket.socket(fileno=os.dup(ears.fileno())) as same:
            port = same.getsockname()[0]
        with (
            socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, 12) as forger,
            pytest.raises(ConnectionRefusedError),
        ):
            forger.sendto(bytes(20), (port, 0))
        assert ears.read() == []
        assert dict(ears.odd) == {}


def test_a_closed_watcher_says_so(host: Namespace) -> None:
    with watcher(host) as ears:
        ears.close()
        with pytest.raises(ValueError, match="closed"):
            ears.read()
