"""The host's established connections: the kernel tells the same by sock_diag(7) as by its files in /proc."""

from __future__ import annotations

import contextlib
import socket
import sys

from lab import service, world
from portress.guard import sockets
from portress.knock import Among, Service, Source
from portress.session import Connection, connections

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


def test_those_with_certain_ends_or_of_a_source_to_a_service_are_ended_and_no_others() -> None:
    with world() as w, service(w.host, "tcp/22"), service(w.host, "tcp/80"), contextlib.ExitStack() as stack:
        with w.stranger.enter():
            dialled = [
                stack.enter_context(socket.create_connection((host, port), 5))
                for host, port in ((w.host4, 22), (w.host6, 22), (w.host4, 80), (w.host6, 80))
            ]
        ours = {Source.parse(w.stranger4), Source.parse(w.stranger6)}
        assert w.host.call(sockets.end_these, {(Source.parse(w.stranger4).packed, 1, 22)}) == 0
        one = dialled[0].getsockname()
        assert w.host.call(sockets.end_these, {(Source.parse(one[0]).packed, one[1], 22)}) == 1
        assert w.host.call(sockets.end, Among({Source.parse("192.0.2.99")}), [Service.parse("tcp/80")]) == 0
        assert w.host.call(sockets.end, Among(ours), [Service.parse("tcp/80")]) == 2
        left = {(len(each.peer), each.local_port) for each in w.host.call(_established)}
        assert left == {(16, 22)}


def _established() -> list[Connection]:
    return [*connections("self")]
