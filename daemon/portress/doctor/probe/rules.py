"""The other tables' rules, as libnftables tells them, in a form that `passage` can follow.

What iptables wrote comes in JSON without the content of its own matches and targets; as far as libnftables
can say them in its text, they are read from there.
"""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from attrs import evolve, frozen

from portress.doctor.probe.finding import Fact
from portress.errors import Mistake
from portress.guard.language import FAMILY, TABLE
from portress.guard.libnftables import Nft

Json = dict[str, Any]
ChainKey = tuple[str, str, str]  # family, table, chain

_DSTNAT: Final = -100  # NF_IP_PRI_NAT_DST
_LEGACY: Final = ("ip_tables_names", "ip6_tables_names")
_HANDLE: Final = re.compile(r"^\s*(.*?)\s*# handle (\d+)$")
_DPORT: Final = re.compile(r"\b(tcp|udp) dport (!= )?(\{[^}]*\}|[\d-]+)")
_STATE: Final = re.compile(r"\bct state (!= )?([a-z,]+)")
_TYPE: Final = re.compile(r"\bfib daddr type (!= )?([a-z]+)\b")
_DNAT: Final = re.compile(r"\bdnat (?:ip6? )?to (\[[^\]]*\]|[^\s:]*)(?::(\d+))?")
_DEVICES: Final = re.compile(r"\bdevices? (= \{[^}]*\}|\"[^\"]*\"|\S+)")
_REJECT: Final = re.compile(r"\breject with (tcp reset|icmp(?:v6|x)?)(?:(?: type)? ([a-z-]+))?")
_REDIRECT: Final = re.compile(r"\bredirect(?: to :(\d+))?")


@frozen
class RuleChain:
    """A chain with its rules, each a list of expressions. `hook` is None unless packets begin there."""

    key: ChainKey
    rules: tuple[tuple[Json, ...], ...]
    hook: str | None = None
    priority: int = 0
    policy: str = "accept"
    devices: tuple[str, ...] = ()  # of a chain at ingress
    kind: str = "filter"  # filter, nat, route

    @property
    def place(self) -> int:
        """Its priority in fact: all of a hook's nat chains are looked at in one place (nf_nat_core.c)."""
        return _DSTNAT if self.kind == "nat" and self.hook == "prerouting" else self.priority

    def __str__(self) -> str:
        family, table, name = self.key
        return f"table {family} {table}, chain {name}"


@frozen
class Tables:
    """Every table but the guard's. `sets`: elements of those that ports, protocols or verdicts hang on."""

    chains: Mapping[ChainKey, RuleChain]
    sets: Mapping[tuple[str, str, str], tuple[Any, ...]]
    legacy: tuple[str, ...] = ()  # tables of the older iptables, which nftables does not see

    def at(self, hook: str, family: int, device: str) -> list[RuleChain]:
        """The chains that packets of that family (4, 6) from that interface meet at a hook, in order."""
        families = {"inet", "ip" if family == 4 else "ip6"}
        found = [
            chain
            for chain in self.chains.values()
            if chain.hook == hook
            and (device in chain.devices if hook == "ingress" else chain.key[0] in families)
        ]
        return sorted(found, key=lambda chain: (chain.place, chain.priority))


def read() -> Tables:
    """Ask the kernel. Raises Mistake if it refuses."""
    nft = Nft()
    nft.set_json_output(True)
    nft.set_stateless_output(True)
    nft.set_terse_output(True)
    nft.set_numeric_prio_output(True)
    # Table by table: what nft 1.0.6 cannot put into JSON, as the guard's own maps, it complains of.
    # Those with chains: `list tables` of nft 1.0.6 reads every element of every set.
    chained = [one["chain"] for one in _ask(nft, "list chains") if "chain" in one]
    listing = [
        found
        for family, name in dict.fromkeys((one["family"], one["table"]) for one in chained)
        if (family, name) != (FAMILY, TABLE)
        for found in _ask(nft, f"list table {family} {name}")
    ]
    chains = {key: _placed(chain) for key, chain in _chains(listing, _texts(listing)).items()}
    nft.set_terse_output(False)
    wanted = {(*chain.key[:2], name) for chain in chains.values() for name in _references(chain)}
    sets = {
        (one[kind]["family"], one[kind]["table"], one[kind]["name"]): tuple(found[kind].get("elem", ()))
        for one in listing
        for kind in ("set", "map")
        if kind in one and (one[kind]["family"], one[kind]["table"], one[kind]["name"]) in wanted
        for found in _ask(nft, f"list {kind} {one[kind]['family']} {one[kind]['table']} {one[kind]['name']}")
        if kind in found
    }
    return Tables(chains, sets, _legacy())


def facts(tables: Tables) -> Iterator[Fact]:
    """Which firewalls filter what comes in, beside the guard."""
    filters: dict[str, bool] = {}  # what it is called -> whether it drops what it does not accept
    for chain in tables.chains.values():
        if chain.kind == "filter" and chain.hook in ("prerouting", "input"):
            drops = chain.policy == "drop"
            if chain.rules or drops:
                name = _firewall(tables, chain)
                filters[name] = filters.get(name, False) or drops
    if tables.legacy:
        filters[f"iptables-legacy (tables {', '.join(tables.legacy)})"] = False
    told = [f"{name}{', policy drop' if drops else ''}" for name, drops in filters.items()]
    yield Fact("firewall", "; ".join(told) or "none besides Portress")


def _firewall(tables: Tables, chain: RuleChain) -> str:
    """What manages the chain, where that is known by its names; else its table."""
    family, table, _ = chain.key
    if table == "firewalld":
        return table
    if any(one[1] == table and one[2].startswith("ufw") for one in tables.chains):
        return "ufw"
    return f"table {family} {table}"


def _chains(
    listing: list[Json], texts: Mapping[tuple[str, str], Mapping[int, str]]
) -> dict[ChainKey, RuleChain]:
    """The chains of every table but the guard's, and their rules with what iptables wrote put into words."""
    heads: dict[ChainKey, Json] = {}
    rules: dict[ChainKey, list[tuple[Json, ...]]] = {}
    for one in listing:
        ((kind, body),) = one.items()
        if kind == "chain":
            heads[body["family"], body["table"], body["name"]] = body
        elif kind == "rule":
            text = texts.get((body["family"], body["table"]), {}).get(body["handle"], "")
            key = (body["family"], body["table"], body["chain"])
            rules.setdefault(key, []).append(tuple(_translated(body.get("expr", []), text)))
    return {
        key: RuleChain(
            key,
            tuple(rules.get(key, ())),
            body.get("hook"),
            body.get("prio", 0),
            body.get("policy", "accept"),
            tuple([dev] if isinstance(dev := body.get("dev", []), str) else dev),
            body.get("type", "filter"),
        )
        for key, body in heads.items()
        if key[:2] != (FAMILY, TABLE)
    }


def _placed(chain: RuleChain) -> RuleChain:
    """With its devices, which nft 1.0.6 tells in its text only."""
    if chain.hook != "ingress" or chain.devices:
        return chain
    family, table, name = chain.key
    head = _text(family, table).partition(f"chain {name} {{")[2].partition(";")[0]
    found = _DEVICES.search(head)
    return evolve(chain, devices=tuple(re.findall(r"[^\s,\"{}=]+", found[1]))) if found else chain


def _texts(listing: list[Json]) -> dict[tuple[str, str], dict[int, str]]:
    """The rules of tables that iptables wrote to, as text, by handle."""
    written = {
        (one["rule"]["family"], one["rule"]["table"])
        for one in listing
        if "rule" in one and any("xt" in expression for expression in one["rule"].get("expr", []))
    }
    found: dict[tuple[str, str], dict[int, str]] = {}
    for family, table in written:
        lines = map(_HANDLE.match, _text(family, table).splitlines())
        found[family, table] = {int(line[2]): line[1] for line in lines if line}
    return found


def _translated(expressions: list[Json], text: str) -> Iterator[Json]:
    """A rule's expressions; those of iptables as nftables' own, or as `unknown` where that cannot be."""
    rest = []
    for expression in expressions:
        if not isinstance(expression, dict):  # a statement that nft has no JSON for
            rest.append({"unknown": expression})
            continue
        foreign = expression.get("xt")
        if "xt" not in expression:
            if "match" in expression:
                yield expression
            else:
                rest.append(expression)
        elif foreign is None or foreign["type"] == "match":
            yield from _match(foreign["name"] if foreign else "", text)
        else:
            rest.append(_target(foreign["name"], text))
    yield from rest


def _match(name: str, text: str) -> Iterator[Json]:
    if name == "comment":
        return
    if name in ("conntrack", "state") and (found := _STATE.search(text)):
        yield _equal({"ct": {"key": "state"}}, found[2].split(","), found[1])
    elif name in ("multiport", "tcp", "udp") and (found := _DPORT.search(text)):
        ports = [_port(word) for word in found[3].strip("{} ").replace(",", " ").split()]
        yield _equal({"payload": {"protocol": found[1], "field": "dport"}}, {"set": ports}, found[2])
    elif name == "addrtype" and (found := _TYPE.search(text)):
        yield _equal({"fib": {"result": "type", "flags": ["daddr"]}}, found[2], found[1])
    else:
        yield {"unknown": None}


def _equal(left: Json, right: Any, unlike: str | None) -> Json:
    return {"match": {"op": "!=" if unlike else "==", "left": left, "right": right}}


def _port(word: str) -> Any:
    first, dash, last = word.partition("-")
    return {"range": [int(first), int(last)]} if dash else int(first)


def _target(name: str, text: str) -> Json:
    if name == "DNAT" and (found := _DNAT.search(text)):
        return {"dnat": {"addr": found[1].strip("[]"), **({"port": int(found[2])} if found[2] else {})}}
    if name == "REDIRECT" and (found := _REDIRECT.search(text)):
        return {"redirect": {"port": int(found[1])} if found[1] else None}
    if name in ("CT", "NOTRACK") and "notrack" in text:
        return {"notrack": None}
    if name == "REJECT":
        return {"reject": _reject(text)}
    return {"other": name}


def _reject(text: str) -> Json | None:
    """What a REJECT of iptables answers with; None: with the default, a port that cannot be reached."""
    if (found := _REJECT.search(text)) is None:
        return None
    return {"type": found[1], **({"expr": found[2]} if found[2] else {})}


def _references(chain: RuleChain) -> Iterator[str]:
    """Names of the sets and maps that the chain's rules look ports, protocols and interfaces up in."""
    for rule in chain.rules:
        for expression in rule:
            match, vmap = expression.get("match"), expression.get("vmap")
            if match and isinstance(match["right"], str) and match["right"].startswith("@"):
                if not _of_addresses(match["left"]):
                    yield match["right"][1:]
            elif vmap and isinstance(vmap["data"], str) and not _of_addresses(vmap["key"]):
                yield vmap["data"][1:]


def _of_addresses(left: Json) -> bool:
    parts = left.get("concat", [left])
    return any(part.get("payload", {}).get("field") in ("saddr", "daddr") for part in parts)


def _ask(nft: Any, words: str) -> list[Json]:
    code, output, error = nft.cmd(words)
    if code != 0:
        raise Mistake(f"the other tables cannot be read: {error.strip().splitlines()[0]}")
    found: list[Json] = json.loads(output)["nftables"] if output else []
    return found


def _text(family: str, table: str) -> str:
    """A table as nft writes it for people, with the rules' handles.

    By a process of its own: libnftables has iptables' extensions of one address family only, whichever it
    needed first, and complains on the standard error output about the rest.
    """
    words = ["nft", "--handle", "--stateless", "--terse", "list", "table", family, table]
    try:
        return subprocess.run(words, capture_output=True, text=True, timeout=30).stdout
    except (OSError, subprocess.TimeoutExpired):
        return ""


def _legacy() -> tuple[str, ...]:
    found: list[str] = []
    for name in _LEGACY:
        try:
            found += Path("/proc/thread-self/net", name).read_text().split()
        except OSError:
            continue
    return tuple(dict.fromkeys(found))
