"""What is no knock by configuration: packets to services, and from sources in `always`.

In: the configuration. Out: look-ups for each packet of a capture.
"""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import IPv4Network, IPv6Network
from typing import Final

from portress.config.model import Config
from portress.knock import Knock, Service

_NETWORKS: Final = 65536  # addresses whose being in `always` is remembered


def services(config: Config) -> dict[int, str | None]:
    """Knocks that are none: a door's name for a guarded service, None for a public one."""
    found: dict[int, str | None] = {}
    for service, door in _all_services(config):
        if service.to is None:
            for port in range(service.first, service.last + 1):
                found[int(Knock.of(service.protocol, port))] = door
    return found


def placed(config: Config) -> list[tuple[Service, str | None]]:
    """The services of other destinations, each with its door; None: it is public."""
    return [pair for pair in _all_services(config) if pair[0].to is not None]


def _all_services(config: Config) -> Iterator[tuple[Service, str | None]]:
    for door in config.doors.values():
        yield from ((service, door.name) for service in door.services)
    yield from ((service, None) for service in config.public)


class Always:
    """The addresses that never need to knock."""

    def __init__(self, config: Config) -> None:
        self._networks: dict[int, list[tuple[int, int]]] = {4: [], 16: []}
        for network in config.always:
            self._networks[len(network.network_address.packed)].append(_range(network))
        self._known: dict[bytes, bool] = {}

    def __bool__(self) -> bool:
        return any(self._networks.values())

    def __contains__(self, source: bytes) -> bool:
        known = self._known.get(source)
        if known is None:
            if len(self._known) >= _NETWORKS:
                self._known.clear()
            number = int.from_bytes(source, "big")
            known = any(first <= number <= last for first, last in self._networks[len(source)])
            self._known[source] = known
        return known


def _range(network: IPv4Network | IPv6Network) -> tuple[int, int]:
    return int(network.network_address), int(network.broadcast_address)
