"""What becomes of a stranger's first packet in the other tables: followed rule by rule, on paper.

In: the tables and a packet. Out: the ends it can come to. Pure. What cannot be known beforehand (a limit, a
mark, a match of iptables) is taken both ways, so that a drop at every end is a drop for certain.

The packet is a stranger's: a rule for a named source does not meet it. But the end that a named source would
come to is told, too, with that source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final, Literal

from attrs import evolve, frozen

from portress.doctor.probe.packet import SOURCE, Lookup, Packet, Path, fits, told, value
from portress.doctor.probe.rules import ChainKey, Json, RuleChain, Tables
from portress.guard.ruleset import PRIORITY
from portress.knock import PROTOCOLS, TCP

Stage = Literal["before", "after"]  # the guard

_DEEPEST: Final = 16  # jumps within jumps, as in the kernel (NFT_JUMP_STACK_SIZE)
_MOST: Final = 64  # named sources followed at once
_FAMILY: Final = {4: "ip", 6: "ip6"}
_UNSURE: Final = frozenset({"unknown", "limit", "quota", "ct count", "connlimit", "socket", "osf"})
_ENDS: Final = frozenset(
    {"accept", "drop", "reject", "queue", "return", "jump", "goto", "vmap", "dnat", "redirect"}
)
_BEYOND: Final = frozenset({"tproxy", "synproxy", "fwd"})
# Targets of iptables after which a packet goes on as it was (man iptables-extensions).
_HARMLESS: Final = frozenset(
    {
        "AUDIT",
        "CHECKSUM",
        "CLASSIFY",
        "CONNMARK",
        "CONNSECMARK",
        "CT",
        "DSCP",
        "ECN",
        "HL",
        "HMARK",
        "IDLETIMER",
    }
    | {"LED", "LOG", "MARK", "MASQUERADE", "NFLOG", "NOTRACK", "RATEEST", "SECMARK", "SET", "SNAT"}
    | {"TCPMSS", "TCPOPTSTRIP", "TEE", "TOS", "TRACE", "TTL", "ULOG"}
)

State = tuple[Packet, Path]


@frozen
class End:
    """Where a packet ends: `where` is the chain that dropped it, "" if it passed all. `how`: "" without a
    word, or what the rule that rejects answers with, as nft writes it.
    """

    passed: bool
    stage: Stage
    where: str
    packet: Packet
    path: Path
    how: str = ""


@frozen
class Journey:
    """How a packet comes to the guard, if it does, and every end it can come to if the guard lets it pass."""

    at_guard: frozenset[State]
    ends: frozenset[End]

    @property
    def stranger(self) -> tuple[End, ...]:
        """The ends for sources that no rule names."""
        return tuple(end for end in self.ends if not end.path.sources)


def journey(tables: Tables, packet: Packet, addresses: frozenset[str]) -> Journey:
    """Follow a packet. `addresses` are this host's, to tell where a translation leads."""
    states: set[State] = {(packet, Path())}
    ends: set[End] = set()
    chains = tables.at("prerouting", packet.family, packet.entrance)
    for chain in tables.at("ingress", packet.family, packet.entrance):
        states = _meet(tables, chain, states, "before", ends, addresses)
    for chain in (chain for chain in chains if chain.place < PRIORITY):
        states = _meet(tables, chain, states, "before", ends, addresses)
    at_guard = frozenset(states)
    for chain in (chain for chain in chains if chain.place >= PRIORITY):
        states = _meet(tables, chain, states, "after", ends, addresses)
    for hook in ("input", "forward"):
        for chain in tables.at(hook, packet.family, packet.entrance):
            here = {state for state in states if (state[0].target is not None) == (hook == "forward")}
            states = (states - here) | _meet(tables, chain, here, "after", ends, addresses)
    return Journey(at_guard, frozenset(ends | {End(True, "after", "", *state) for state in states}))


def departure(tables: Tables, answer: Packet, addresses: frozenset[str]) -> frozenset[End]:
    """The ends that an answer of this host itself can come to, on its way out."""
    states: set[State] = {(answer, Path())}
    ends: set[End] = set()
    for hook in ("output", "postrouting"):
        for chain in tables.at(hook, answer.family, answer.entrance):
            if chain.kind != "nat":
                states = _meet(tables, chain, states, "after", ends, addresses)
    return frozenset(ends | {End(True, "after", "", *state) for state in states})


def _meet(
    tables: Tables,
    chain: RuleChain,
    states: set[State],
    stage: Stage,
    ends: set[End],
    addresses: frozenset[str],
) -> set[State]:
    """The states after a base chain; what it drops goes to `ends`."""
    after: set[State] = set()
    for packet in {packet for packet, _ in states}:
        paths = {path for one, path in states if one == packet}
        if chain.kind == "nat" and packet.translated:
            after |= {(packet, path) for path in paths}
            continue
        walk = _Walk(tables, packet, addresses)
        through = walk.chain(chain.key, paths, 0)
        after |= {(packet, path) for path in walk.accepted} | walk.translated
        ends |= {End(False, stage, where, packet, path, how) for where, path, how in walk.dropped}
        if chain.policy == "drop":
            ends |= {End(False, stage, f"{chain}, policy drop", packet, path) for path in through}
        else:
            after |= {(packet, path) for path in through}
    return after


class _Walk:
    """One packet's way through one base chain and those it jumps to."""

    def __init__(self, tables: Tables, packet: Packet, addresses: frozenset[str]) -> None:
        self.accepted: set[Path] = set()
        self.dropped: set[tuple[str, Path, str]] = set()
        self.translated: set[State] = set()
        self._tables = tables
        self._packet = packet
        self._addresses = addresses

    def chain(self, key: ChainKey, paths: set[Path], depth: int) -> set[Path]:
        """The paths that come out of the chain's end, or return."""
        chain = self._tables.chains.get(key)
        if chain is None or depth > _DEEPEST:
            return paths
        out: set[Path] = set()
        for rule in chain.rules:
            if not paths:
                break
            paths = self._rule(chain, rule, paths, out, depth)
        return out | paths

    def _rule(
        self, chain: RuleChain, rule: Iterable[Json], paths: set[Path], out: set[Path], depth: int
    ) -> set[Path]:
        """The paths that go on to the next rule; those that leave the chain go to `out`."""
        inside, following, family = set(paths), set[Path](), _FAMILY[self._packet.family]
        for expression in rule:
            ((kind, body),) = expression.items()
            if kind == "match":
                inside = self._match(chain, body, inside, following, depth)
            elif kind in _UNSURE or _limits(kind, body):
                following |= {_past(path, depth) for path in inside}
                if kind == "unknown":
                    inside = {evolve(path, assumed=True) for path in inside}
            elif kind == "notrack":
                inside = {evolve(path, untracked=True) for path in inside}
            elif kind == "mangle" and isinstance(port := _port_set(body, self._packet), int):
                self.translated |= {
                    (evolve(self._packet, port=port, translated=True), path) for path in inside
                }
                inside = set()
            elif kind == "dnat" and (body or {}).get("family", family) != family:
                break  # it is for packets of the other family
            elif kind in _BEYOND or (kind == "other" and body not in _HARMLESS):
                inside = {evolve(path, beyond=True) for path in inside}
            elif kind == "reject" and not _rejects(body, self._packet):
                break  # it is for packets of another family or protocol
            elif kind in _ENDS:
                inside = self._end(chain, kind, body, inside, out, depth)
                break
        return following | {_past(path, depth) for path in inside}

    def _match(
        self, chain: RuleChain, body: Json, paths: set[Path], following: set[Path], depth: int
    ) -> set[Path]:
        """The paths that the condition lets into the rule; the others go on to the next."""
        inside: set[Path] = set()
        for path in paths:
            found = value(body["left"], self._packet, path)
            if found is SOURCE:
                named = (told(body["right"]),)
                known = evolve(path, sources=named, since=depth)
                favours, shuns = (inside, following) if body["op"] != "!=" else (following, inside)
                if path.sources:
                    (favours if path.sources == named else shuns).add(path)
                else:
                    shuns.add(path)
                    if len(paths) < _MOST:
                        favours.add(known)
                continue
            holds = fits(body["op"], found, body["right"], self._lookup(chain))
            if holds is not False:
                inside.add(path if holds else evolve(path, assumed=True))
            if holds is not True:
                following.add(_past(path, depth))
        return inside

    def _end(
        self, chain: RuleChain, kind: str, body: Any, paths: set[Path], out: set[Path], depth: int
    ) -> set[Path]:
        """What a verdict does; the paths that go on to the next rule."""
        if kind in ("accept", "queue"):
            self.accepted |= {
                evolve(_accepted(path), beyond=path.beyond or kind == "queue") for path in paths
            }
        elif kind in ("drop", "reject"):
            how = _word(body) if kind == "reject" else ""
            self.dropped |= {(str(chain), path, how) for path in paths}
        elif kind == "return":
            out |= paths
        elif kind in ("jump", "goto"):
            family, table, _ = chain.key
            back = self.chain((family, table, body["target"]), paths, depth + 1) if paths else set[Path]()
            if kind == "jump":
                return back
            out |= back
        elif kind == "vmap":
            return self._vmap(chain, body, paths, out, depth)
        else:
            packet = self._translate(chain, kind, body)
            self.translated |= {(packet, path) for path in paths}
        return set()

    def _vmap(self, chain: RuleChain, body: Json, paths: set[Path], out: set[Path], depth: int) -> set[Path]:
        following: set[Path] = set()
        for path in paths:
            found = value(body["key"], self._packet, path)
            sure = False
            for key, verdict in self._pairs(chain, body["data"]):
                holds = False if found is SOURCE else fits("==", found, key, self._lookup(chain))
                if holds is False:
                    continue
                ((kind, target),) = verdict.items()
                taken = path if holds else evolve(path, assumed=True)
                following |= self._end(chain, kind, target, {taken}, out, depth)
                if holds is True:
                    sure = True
                    break
            if not sure:
                following.add(path)
        return following

    def _pairs(self, chain: RuleChain, data: Any) -> Iterator[tuple[Any, Json]]:
        """Keys and verdicts of a map, what holds for all others last."""
        pairs = (
            data["set"] if isinstance(data, dict) else self._tables.sets.get((*chain.key[:2], data[1:]), ())
        )
        yield from sorted(((key, verdict) for key, verdict in pairs), key=lambda pair: pair[0] == "*")

    def _translate(self, chain: RuleChain, kind: str, body: Any) -> Packet:
        """The packet after DNAT or a redirection. What a map says is looked up where it hangs on the port."""
        packet, body = self._packet, body or {}
        address, port = body.get("addr"), body.get("port")
        if isinstance(address, dict) and "map" in address:
            found = self._mapped(chain, address["map"])
            parts = found.get("concat", [found]) if isinstance(found, dict) else [found]
            address, port = parts[0], parts[1] if len(parts) > 1 else port
        port = port if isinstance(port, int) else packet.port
        local = kind == "redirect" or address in self._addresses or not address
        target = None if local else (address if isinstance(address, str) else "another host")
        return evolve(packet, port=port, target=target, translated=True)

    def _mapped(self, chain: RuleChain, body: Json) -> Any:
        key, lookup = value(body["key"], self._packet, Path()), self._lookup(chain)
        return next(
            (found for one, found in self._pairs(chain, body["data"]) if fits("==", key, one, lookup)), None
        )

    def _lookup(self, chain: RuleChain) -> Lookup:
        return lambda name: self._tables.sets.get((*chain.key[:2], name))


def _port_set(body: Any, packet: Packet) -> int | None:
    """The port that `tcp dport set` writes, which needs no connection tracking and so may come before it."""
    payload = ((body or {}).get("key") or {}).get("payload", {})
    protocol = PROTOCOLS.get(str(payload.get("protocol")))
    if payload.get("field") != "dport" or protocol != packet.protocol:
        return None
    return body["value"] if isinstance(body["value"], int) else None


def _rejects(body: Any, packet: Packet) -> bool:
    """Whether a `reject` is for such packets: nft leaves out the condition that its answer implies."""
    kind = str((body or {}).get("type"))
    fitting = {"tcp reset": packet.protocol == TCP, "icmp": packet.family == 4, "icmpv6": packet.family == 6}
    return fitting.get(kind, True)


def _word(body: Any) -> str:
    """What a `reject` answers with, as nft writes it."""
    kind, code = (body or {}).get("type", "icmpx"), (body or {}).get("expr", "port-unreachable")
    return kind if kind == "tcp reset" else f"{kind} {code}"


def _limits(kind: str, body: Any) -> bool:
    """Whether it counts or limits by source, as `add @s { ip saddr limit rate over 10/minute }` does."""
    if kind not in ("set", "meter"):
        return False
    statements = body.get("stmt") or []
    listed = [statements] if isinstance(statements, dict) else statements
    return any(one.keys() & _UNSURE for one in listed)


def _past(path: Path, depth: int) -> Path:
    """The path behind a rule: a source that it named has no more effect."""
    return evolve(path, since=None) if path.since == depth else path


def _accepted(path: Path) -> Path:
    return evolve(path, granted=path.granted or path.since is not None, since=None)
