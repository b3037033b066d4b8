"""A transaction that the kernel refuses in each of its requests: the refusal is heard, however many."""

from __future__ import annotations

import pytest

from lab import namespace
from portress.guard.elements import ElementChanges
from portress.guard.libnftables import Nft
from portress.knock import Source
from portress.netlink import Transactions, sockets


@pytest.mark.parametrize(
    ("requests", "each"),
    [(600, 1), (20, 1000)],  # their answers, or those that repeat what was asked, are more than finds room
)
@pytest.mark.parametrize("shared", [False, True])
def test_the_first_refusal_is_heard_of_very_many(shared: bool, requests: int, each: int) -> None:
    with namespace("host") as ns, ns.enter():
        others = sockets()
        nft = Nft()
        assert (
            nft.cmd("add table inet lab { set met { type ipv4_addr; size 65536; flags timeout; }; }")[0] == 0
        )
        (owner,) = (descriptor for port, descriptor in sockets().items() if port not in others)
        first = Source.parse("192.0.2.0").packed
        keys = [(int.from_bytes(first, "big") + number).to_bytes(4, "big") for number in range(each)]
        present = ElementChanges("lab")
        present.add("met", [(key, 60_000) for key in keys])
        again = ElementChanges("lab")
        for _ in range(requests):
            again.add("met", [(key, 60_000) for key in keys], new=True)
        transactions = Transactions(owner if shared else None)
        try:
            present.make(transactions)
            for _ in range(2):  # nothing of the first answer is left for the second
                with pytest.raises(FileExistsError):
                    again.make(transactions)
            present.make(transactions)
        finally:
            transactions.close()
        assert nft.cmd("list table inet lab")[0] == 0
