"""The host's established connections: the kernel tells the same by sock_diag(7) as by its files in /proc."""

from __future__ import annotations

import contextlib
import socket
import sys

from lab import service, world

ASK = """
import os
from portress.session import connections
from portress.sock_diag import SockDiag
with SockDiag() as diag:
    told = len(diag.established())
asked, files = sorted(connections("self")), sorted(connections(str(os.getpid())))
def refuse(_):
    raise PermissionError(1, "not in this sandbox")
SockDiag.__enter__ = refuse
print(told, len(asked), asked == files, sorted(connections("self")) == files)
"""


def test_they_are_those_in_proc_of_both_families_over_mapped_addresses_and_where_it_is_refused() -> None:
    with world() as w, service(w.host, "tcp/22"), contextlib.ExitStack() as stack:
        with w.host.enter():
            listening = stack.enter_context(socket.socket(socket.AF_INET6))
            listening.bind(("::", 2222))  # for IPv4, too
            listening.listen()
            for host, port in ((w.host4, 22), (w.host6, 22), (w.host6, 2222), (w.host4, 2222)):
                stack.enter_context(socket.create_connection((host, port), 5))
            over = stack.enter_context(socket.socket(socket.AF_INET6))
            over.connect((f"::ffff:{w.host4}", 22))
            with socket.create_connection((w.host4, 22), 5):
                pass  # one that is over
        told = w.host.run([sys.executable, "-c", ASK]).stdout
        assert told == "10 10 True True\n"  # both ends of each
