"""Which flows the kernel is asked for: after a flood it has hundreds of thousands, and nobody wants them."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator

import pytest

from lab import World, sender, until, world
from portress.guard import flows, strangers, tracked
from portress.knock import Service, Source
from portress.netlink import Netfilter

# An answer would end a flow at once.
TRACKS = """table inet other {
chain input { type filter hook input priority 0; ct state new accept; }
chain output { type filter hook output priority -300; tcp flags rst drop; }
}"""
DIALLED = {("tcp", 8080), ("tcp", 8081), ("udp", 8080), ("udp", 5000)}
_NUMBERS = {6: "tcp", 17: "udp"}


@contextlib.contextmanager
def _with_flows() -> Iterator[World]:
    """A host that tracks a flow of either family to each of `DIALLED`."""
    with world() as w, sender(w.stranger) as peer:
        w.host.nft(TRACKS)

        def all_there() -> bool:
            for host, source in ((w.host4, w.stranger4), (w.host6, w.stranger6)):
                for protocol, port in DIALLED:
                    (peer.syn if protocol == "tcp" else peer.udp)(source, host, port, 40000)
            return len(_known(w, None)) == 2 * len(DIALLED)

        until(all_there)
        yield w


def _known(w: World, services: list[Service] | None) -> set[tuple[int, str, int]]:
    """Family, protocol and dialled port of the flows that the kernel tells."""
    with w.host.enter(), Netfilter() as netfilter:
        found = [*tracked.flows(netfilter, services)]
    ours = {socket.inet_pton(socket.AF_INET, w.stranger4), socket.inet_pton(socket.AF_INET6, w.stranger6)}
    told = [(len(one.source), _NUMBERS[one.protocol], one.port) for one in found if one.source in ours]
    assert len(set(told)) == len(told), told
    return set(told)


def _of(*dialled: tuple[str, int]) -> set[tuple[int, str, int]]:
    return {(size, protocol, port) for size in (4, 16) for protocol, port in dialled}


def test_the_kernel_tells_the_flows_to_a_few_single_ports_and_no_others(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(tracked, "SCARCE", -1)
    with _with_flows() as w:
        assert _known(w, [Service.parse("tcp/8080")]) == _of(("tcp", 8080))
        some = [Service.parse(one) for one in ("tcp/8081", "udp/8080", "udp/8080@192.0.2.1", "tcp/9")]
        assert _known(w, some) == _of(("tcp", 8081), ("udp", 8080))
        assert _known(w, []) == set()


def test_of_few_flows_all_are_told_at_once_and_of_more_those_to_the_ports(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    some = [Service.parse(one) for one in ("tcp/8081", "udp/8080")]
    with _with_flows() as w:
        count = int(w.host.run(["cat", "/proc/sys/net/netfilter/nf_conntrack_count"]).stdout)
        for limit, wanted in ((count + 50, DIALLED), (count - 1, {("tcp", 8081), ("udp", 8080)})):
            monkeypatch.setattr(tracked, "SCARCE", limit)
            assert _known(w, some) == _of(*wanted)
        assert _known(w, []) == set()


@pytest.mark.parametrize("limit", [-1, 256])
@pytest.mark.parametrize(
    "services",
    [["tcp/8080-8081"], ["tcp/9", "tcp/8000-9000"], [f"tcp/{port}" for port in range(8073, 8082)]],
    ids=["range", "port and range", "many"],
)
def test_of_ranges_and_of_very_many_ports_none_is_missing(
    monkeypatch: pytest.MonkeyPatch, services: list[str], limit: int
) -> None:
    monkeypatch.setattr(tracked, "SCARCE", limit)
    with _with_flows() as w:
        assert _known(w, [*map(Service.parse, services)]) >= _of(("tcp", 8080), ("tcp", 8081))


@pytest.mark.parametrize("limit", [-1, 256])
@pytest.mark.parametrize("service", ["tcp/8080", "tcp/8080-8081"])
def test_the_flows_of_a_source_are_cut_by_the_port_it_dialled(
    monkeypatch: pytest.MonkeyPatch, service: str, limit: int
) -> None:
    monkeypatch.setattr(tracked, "SCARCE", limit)
    with _with_flows() as w:
        services = [Service.parse(service)]
        gone = {("tcp", port) for port in (8080, 8081) if (6 << 16 | port) in services[0]}
        sources = [Source.parse(w.stranger4), Source.parse(w.stranger6)]
        cut = w.host.call(flows.cut_each, sources, services)
        assert cut == dict.fromkeys(sources, len(gone))
        assert _known(w, None) == _of(*(DIALLED - gone))


@pytest.mark.parametrize("limit", [-1, 256])
@pytest.mark.parametrize("service", ["tcp/8080", "tcp/8080-8080", "tcp/8080-8081"])
def test_flows_without_a_time_are_found_a_part_after_the_other(
    monkeypatch: pytest.MonkeyPatch, service: str, limit: int
) -> None:
    monkeypatch.setattr(tracked, "SCARCE", limit)
    with _with_flows() as w:
        doors = strangers.GuardedPorts({"web": [Service.parse(service)]}, lambda *_: False, lambda _: True)
        with w.host.enter():
            parts = [*strangers.without_time(doors)]
        found = [ends for part in parts for ends in part]
        assert parts and parts[-1] == []  # the kernel has looked through its flows
        assert {(len(source), port) for source, _, _, port in found} == {
            (size, port) for size in (4, 16) for port in (8080, 8081) if (6 << 16 | port) in doors.all[0]
        }
