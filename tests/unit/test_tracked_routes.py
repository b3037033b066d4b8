"""What routing says of an address: asked once, also of an interface that is gone meanwhile."""

from __future__ import annotations

import pytest

from portress.guard import tracked


class Kernel:
    """Routing by which every address is this host's own, over an interface without a name (2^31 - 1)."""

    def __init__(self) -> None:
        self.asked: list[bytes] = []
        self.closed = 0

    def towards(self, address: bytes) -> tuple[int, int]:
        self.asked.append(address)
        return 2, (1 << 31) - 1

    def close(self) -> None:
        self.closed += 1


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> Kernel:
    one = Kernel()
    monkeypatch.setattr(tracked, "RtNetlink", lambda: one)
    return one


def test_an_address_is_asked_for_once_and_an_interface_that_is_gone_has_no_name(kernel: Kernel) -> None:
    routes = tracked.Routes()
    address = bytes((192, 0, 2, 7))
    assert routes.own(address) and routes.interface(address) == ""
    assert kernel.asked == [address]


def test_its_socket_is_closed_with_it(kernel: Kernel) -> None:
    tracked.Routes().close()
    assert kernel.closed == 1
