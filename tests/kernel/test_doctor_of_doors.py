"""What the doctor finds of other tables, listeners and interfaces, in namespaces prepared to have it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from kernel.patient import ABSENT, CONFIG, FIREWALL, ROTATING, finding, kept, listening, names, report
from lab import World, daemon, link, namespace, service, tcp_state, world
from portress.doctor.probe import rules, sockets


@pytest.fixture
def w() -> Iterator[World]:
    with world() as made:
        yield made


# Other tables


def test_a_firewall_that_shuts_the_service_is_found(w: World) -> None:
    w.host.nft(FIREWALL.replace("22, 443", "443"))
    with service(w.host, "tcp/22"), kept(w.host) as made:
        found = finding(made, "dropped-after")
    assert (found["doors"], found["severity"]) == (["ssh"], "error")
    assert "table inet firewall, chain input, policy drop" in found["what"]


def test_iptables_rules_that_shut_the_service_are_found(w: World) -> None:
    for command in ("iptables", "ip6tables"):
        w.host.run(
            [command, "-A", "INPUT", "-m", "conntrack", "--ctstate", "ESTABLISHED,RELATED", "-j", "ACCEPT"]
        )
        w.host.run(
            [command, "-A", "INPUT", "-p", "tcp", "-m", "multiport", "--dports", "80,443", "-j", "ACCEPT"]
        )
        w.host.run([command, "-P", "INPUT", "DROP"])
    w.host.run(["iptables", "-N", "quiet"])
    w.host.run(["iptables", "-A", "INPUT", "-m", "addrtype", "--dst-type", "BROADCAST", "-j", "quiet"])
    w.host.run(["iptables", "-A", "quiet", "-j", "DROP"])
    with service(w.host, "tcp/22"), kept(w.host) as made:
        what = finding(made, "dropped-after")["what"]
    assert "table ip filter, chain INPUT" in what
    assert "quiet" not in what


def test_a_firewall_that_shuts_one_family_is_found(w: World) -> None:
    w.host.run(["ip6tables", "-P", "INPUT", "DROP"])
    with service(w.host, "tcp/22"), kept(w.host) as made:
        assert "dropped over IPv6 in" in finding(made, "dropped-one-family")["what"]


def test_what_is_dropped_before_the_guard_is_found(w: World) -> None:
    w.host.nft(
        "table inet early { chain raw { type filter hook prerouting priority -300; tcp dport 22 drop; }; }"
    )
    with service(w.host, "tcp/22"), kept(w.host) as made:
        assert "before the guard" in finding(made, "dropped-before")["why"]


def test_knocks_that_are_dropped_at_an_interface_are_found(w: World) -> None:
    w.host.nft(
        'table netdev early { chain eth { type filter hook ingress devices = { "eth0", "eth1" } priority 0;'
        " udp dport 2953 drop; }; }"
    )
    with service(w.host, "tcp/22"), kept(w.host) as made:
        assert finding(made, "knock-unheard")["doors"] == ["ssh"]


def test_what_may_be_dropped_by_where_it_comes_from_or_how_often_is_no_finding(w: World) -> None:
    """Reverse path filters, limits of new connections by source, and an accept for sources at another port:
    the knocks come to the guard all the same, and fare as at any other closed port after it."""
    w.host.nft(
        FIREWALL.replace(
            "tcp dport @open accept",
            """tcp dport 22 meter often { ip saddr limit rate over 10/minute } drop
    tcp dport 22 ct state new add @many { ip saddr ct count over 20 } reject
    ip saddr 203.0.113.0/24 tcp dport 443 accept
    tcp dport @open accept""",
        ).replace("  chain input", "  set many { type ipv4_addr; flags dynamic; }\n  chain input")
    )
    w.host.nft(
        "table inet paths { chain raw { type filter hook prerouting priority -290;"
        " meta nfproto ipv6 fib saddr . mark . iif oif missing drop; }; }"
    )
    with service(w.host, "tcp/22"), kept(w.host) as made:
        assert names(made) == ABSENT


def test_an_accept_for_sources_that_have_to_knock_now_is_found(w: World) -> None:
    rule = "ip saddr 203.0.113.0/24 tcp dport 22 accept"
    w.host.nft(FIREWALL.replace("tcp dport @open accept", f"{rule}\n tcp dport @open accept"))
    with service(w.host, "tcp/22"), kept(w.host) as made:
        assert "203.0.113.0/24" in finding(made, "accept-unreached")["what"]
        made.configure(f"always: [203.0.113.0/24]\n{CONFIG}")
        assert names(made) == ABSENT


def test_a_service_exempt_from_connection_tracking_is_found(w: World) -> None:
    w.host.run(["iptables", "-t", "raw", "-A", "PREROUTING", "-p", "tcp", "--dport", "22", "-j", "NOTRACK"])
    with service(w.host, "tcp/22"), kept(w.host) as made:
        finding(made, "untracked")


def test_a_translation_before_the_guard_is_found(w: World) -> None:
    w.host.nft(
        "table ip early { chain dial { type filter hook prerouting priority -300; "
        "tcp dport 22 tcp dport set 23; }; }"
    )
    with service(w.host, "tcp/22"), service(w.host, "tcp/23"), kept(w.host) as made:
        assert finding(made, "translated-before")["severity"] == "error"


def test_a_redirected_port_that_leads_round_the_door_is_found_and_really_does(w: World) -> None:
    w.host.nft(
        "table ip round { chain dial { type nat hook prerouting priority -100; "
        "tcp dport 2222 redirect to :22; }; }"
    )
    with service(w.host, "tcp/22"), daemon(w.host, CONFIG) as made:
        assert finding(made, "way-round")["what"] == "tcp/2222 leads to tcp/22"
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        assert tcp_state(w.stranger, w.host4, 2222) == "open"


def test_a_container_guarded_by_its_inner_port_is_found(w: World) -> None:
    """As Docker publishes a port, for both families: iptables' own target, which JSON does not tell."""
    for command, inner in (("iptables", "198.51.100.70:22"), ("ip6tables", "[2001:db8:2::70]:22")):
        publish = ["-p", "tcp", "--dport", "8022", "-j", "DNAT", "--to-destination", inner]
        w.host.run([command, "-t", "nat", "-A", "PREROUTING", *publish])
    with kept(w.host) as made:
        found = [one for one in report(made)["findings"] if one["name"] == "way-round"]
    assert {one["what"] for one in found} == {
        "tcp/8022 leads to tcp/22 of 198.51.100.70",
        "tcp/8022 leads to tcp/22 of 2001:db8:2::70",
    }


def test_rules_of_the_older_iptables_are_found(w: World) -> None:
    w.host.run(["iptables-legacy", "-A", "INPUT", "-p", "tcp", "--dport", "22", "-j", "DROP"])
    with service(w.host, "tcp/22"), kept(w.host) as made:
        assert "tables filter" in finding(made, "iptables-legacy")["what"]


def test_the_rules_of_the_guard_itself_are_not_looked_at(w: World) -> None:
    with daemon(w.host, CONFIG, start=False):
        assert w.host.call(rules.read).chains == {}


# Listeners and interfaces


def test_a_service_that_nobody_serves_is_found(w: World) -> None:
    with kept(w.host) as made:
        assert finding(made, "service-silent")["what"] == "nothing listens at tcp/22 (guarded)"


def test_a_public_service_that_nobody_serves_is_found(w: World) -> None:
    with service(w.host, "tcp/22"), kept(w.host, f"public: [tcp/443]\n{CONFIG}") as made:
        assert finding(made, "service-silent")["what"] == "nothing listens at tcp/443 (public)"


def test_a_service_that_listens_inside_only_is_found(w: World) -> None:
    with listening(w, "AF_INET", "SOCK_STREAM", "127.0.0.1", "22") as process, kept(w.host) as made:
        what = finding(made, "service-silent")["what"]
    assert what.endswith(f"(process {process.pid}) listens on 127.0.0.1 only")


@pytest.mark.parametrize(
    ("family", "there", "missing"), [("AF_INET", "IPv4", "IPv6"), ("AF_INET6", "IPv6", "IPv4")]
)
def test_a_service_of_one_family_is_found(w: World, family: str, there: str, missing: str) -> None:
    address = "0.0.0.0" if family == "AF_INET" else "::"
    with listening(w, family, "SOCK_STREAM", address, "22"), kept(w.host) as made:
        found = finding(made, "service-one-family")
    assert f"listens over {there} only" in found["what"]
    assert f"this host has {missing} addresses" in found["why"]


def test_a_program_that_answers_at_a_knock_is_found_by_its_name(w: World) -> None:
    other = listening(w, "AF_INET", "SOCK_DGRAM", "0.0.0.0", "2953")
    with service(w.host, "tcp/22"), other as process, kept(w.host) as made:
        what = finding(made, "knock-answered")["what"]
    assert f"(process {process.pid}) listens at udp/2953" in what


def test_a_program_where_sequences_are_drawn_is_found(w: World) -> None:
    other = listening(w, "AF_INET", "SOCK_STREAM", "0.0.0.0", "25000")
    with other, service(w.host, "udp/51820"), kept(w.host, ROTATING) as made:
        assert "pool-answered" in names(made)


def test_sockets_of_both_kinds_and_families_are_listed(w: World) -> None:
    with service(w.host, "tcp/22"), listening(w, "AF_INET6", "SOCK_DGRAM", "::", "53"):
        found = {
            (str(one.knock >> 16), one.knock & 0xFFFF): one.families for one in w.host.call(sockets.read)
        }
    assert found[("6", 22)] == {4, 6}
    assert found[("17", 53)] == {6}


def test_a_default_route_by_an_interface_inside_is_found(w: World) -> None:
    """It came after the configuration was taken: check, guard and a reload refuse one that is there."""
    with namespace("tunnel") as tunnel:
        link(w.host, "he6", ["2001:db8:4::1/64"], tunnel, "eth0", ["2001:db8:4::2/64"])
        with service(w.host, "tcp/22"), kept(w.host, f"inside: [he6]\n{CONFIG}") as made:
            assert "inside-default-route" not in names(made)
            w.host.ip("route add default via 2001:db8:4::2", "route add default via 198.51.100.10")
            found = finding(made, "inside-default-route")
    assert found["what"] == "the IPv6 default route goes by he6, which is inside"
    assert "inside_default_route: [he6]" in found["do"]


def test_an_interface_that_is_not_there_is_found(w: World) -> None:
    with service(w.host, "tcp/22"), kept(w.host, f"inside: [eth1, etho]\n{CONFIG}") as made:
        assert "no interface etho" in finding(made, "inside-absent")["what"]
