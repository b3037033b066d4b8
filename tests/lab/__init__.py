"""The laboratory: throw-away network namespaces with real links, and real programs in them.

    from lab import daemon, sender, sshd, tcp_state, world

    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG) as portress:
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        with sender(w.stranger) as send:
            send.knocks(w.stranger4, w.host4, ["tcp/4617", "udp/2953", "tcp/6381"], pause=0.01)
        portress.wait_for("admitted")
        assert server.ssh(w.stranger, w.host4, "id", "-un").stdout == "root\\n"

All of it needs root. What is made here is removed on leaving the `with`, also on Ctrl-C; what a killed run
left behind is removed by the next one. Nothing outside the namespaces is touched: no address, rule or sysctl
of the machine.
Addresses are those of RFC 5737 (192.0.2.0/24, 198.51.100.0/24, 203.0.113.0/24) and RFC 3849 (2001:db8::/32).

- `space`    Namespace, namespace(), link(), sweep(): run, popen, enter, nft
- `worlds`   world(): a stranger and another stranger, the host, a backend behind the host
- `packets`  sender(): SYNs and datagrams with forged sources, IPv4 and IPv6; punctual(): sent in time
- `probe`    tcp_state(), udp_state(), echoes(): what a stranger meets; service(): something to meet; until()
- `ssh`      sshd(): a real OpenSSH server with throw-away keys, and logins to it
- `capture`  capture(): tcpdump
- `portress` daemon(): the guard and the daemon from a configuration's text; owned(): whose the guard is
- `zones`    time zones in which hours begin at any second
"""

from lab.capture import Capture, capture
from lab.packets import Sender, datagram, one_processor, punctual, sender, syn
from lab.portress import Daemon, as_nobody, daemon, owned, portress
from lab.probe import echoes, service, tcp_state, udp_state, until
from lab.space import NEEDS_ROOT, LabError, Namespace, link, namespace, scratch, sweep
from lab.ssh import Login, Sshd, sshd
from lab.worlds import World, crowd, plug, world

__all__ = [
    "NEEDS_ROOT",
    "Capture",
    "Daemon",
    "LabError",
    "Login",
    "Namespace",
    "Sender",
    "Sshd",
    "World",
    "as_nobody",
    "capture",
    "crowd",
    "daemon",
    "datagram",
    "echoes",
    "link",
    "namespace",
    "one_processor",
    "owned",
    "plug",
    "portress",
    "punctual",
    "scratch",
    "sender",
    "service",
    "sshd",
    "sweep",
    "syn",
    "tcp_state",
    "udp_state",
    "until",
    "world",
]
