"""A transaction that the kernel refuses in each of its requests: the refusal is heard, however many."""

from __future__ import annotations

import socket

import pytest

from lab import namespace
from portress.guard.elements import ElementChanges
from portress.knock import Source
from portress.netlink import NETLINK_NETFILTER, Transactions

NETLINK = (socket.AF_NETLINK, socket.SOCK_RAW, NETLINK_NETFILTER)


@pytest.mark.parametrize(
    ("requests", "each"),
    [(600, 1), (20, 1000)],  # their answers, or those that repeat what was asked, are more than finds room
)
@pytest.mark.parametrize("shared", [False, True])
def test_the_first_refusal_is_heard_of_very_many(shared: bool, requests: int, each: int) -> None:
    with namespace("host") as ns, ns.enter(), socket.socket(*NETLINK) as owner:
        owner.bind((0, 0))
        ns.nft("table inet lab { set met { type ipv4_addr; size 65536; flags timeout; }; }")
        first = int.from_bytes(Source.parse("192.0.2.0").packed, "big")
        keys = [(first + number).to_bytes(4, "big") for number in range(each)]
        present = ElementChanges("lab")
        present.add("met", [(key, 60_000) for key in keys])
        again = ElementChanges("lab")
        for _ in range(requests):
            again.add("met", [(key, 60_000) for key in keys], new=True)
        transactions = Transactions(owner.fileno() if shared else None)
        try:
            present.make(transactions)
            for _ in range(2):  # nothing of the first answer is left for the second
                with pytest.raises(FileExistsError):
                    again.make(transactions)
            present.make(transactions)
        finally:
            transactions.close()
        with pytest.raises(BlockingIOError):  # nor for whom the socket belongs to
            owner.recv(1 << 16, socket.MSG_DONTWAIT)
