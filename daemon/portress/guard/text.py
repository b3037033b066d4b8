"""The guard as nft text, for people to read and for `nft -c -f`: libnftables JSON -> text. Pure.

It knows the statements and expressions that `ruleset` uses, and no others.
"""

from __future__ import annotations

from typing import Any

from portress.guard.expressions import FAMILY, TABLE, Json
from portress.guard.ruleset import Ruleset


def _expression(value: Any) -> str:
    if not isinstance(value, dict):
        return str(value)
    ((kind, body),) = value.items()
    match kind:
        case "payload":
            return f"{body['protocol']} {body['field']}"
        case "meta":
            return str(body["key"]) if body["key"] in ("iifname",) else f"meta {body['key']}"
        case "ct":
            return f"ct {body['key']}"
        case "fib":
            return f"fib {' '.join(body['flags'])} {body['result']}"
        case "concat":
            return " . ".join(_expression(part) for part in body)
        case "range":
            return f"{body[0]}-{body[1]}"
        case "prefix":
            return f"{body['addr']}/{body['len']}"
        case "set":
            return "{ " + ", ".join(_quoted(part) for part in body) + " }"
        case "&":
            return f"{_expression(body[0])} & {_bracketed(body[1])}"
        case "|":
            return f"{_expression(body[0])} | {_expression(body[1])}"
        case "goto":
            return f"goto {body['target']}"
    raise AssertionError(f"the guard has no expression {kind}")


def _bracketed(value: Any) -> str:
    text = _expression(value)
    return f"({text})" if " | " in text else text


def _quoted(value: Any) -> str:
    text = _expression(value)
    return text if text in ("tcp", "udp") else f'"{text}"'


def _match(body: Json) -> str:
    left, right, op = body["left"], body["right"], body["op"]
    if op == "in":
        return f"{_expression(left)} {','.join(right)}"
    text = _expression(right)
    if "meta" in left and left["meta"]["key"] == "iifname" and not isinstance(right, dict):
        text = f'"{text}"'
    return f"{_expression(left)} {'' if op == '==' else op + ' '}{text}"


def _log(body: Json) -> str:
    words = ["log"]
    if "prefix" in body:
        words.append(f'prefix "{body["prefix"]}" level {body["level"]} flags {" ".join(body["flags"])}')
    else:
        words.append(
            f"group {body['group']} snaplen {body['snaplen']} queue-threshold {body['queue-threshold']}"
        )
    return " ".join(words)


def _statement(statement: Json) -> str:
    ((kind, body),) = statement.items()
    match kind:
        case "match":
            return _match(body)
        case "accept" | "drop":
            return str(kind)
        case "goto" | "jump":
            return f"{kind} {body['target']}"
        case "vmap":
            return f"{_expression(body['key'])} vmap {body['data']}"
        case "counter":
            return f'counter name "{body}"'
        case "reject":
            return f"reject with {' '.join(str(word) for word in body.values())}"
        case "limit":
            over = "over " if body.get("inv") else ""
            return f"limit rate {over}{body['rate']}/{body['per']} burst {body['burst']} packets"
        case "meter":
            elem = body["key"]["elem"]
            key = f"{_expression(elem['val'])} timeout {elem['timeout']}s"
            return f"meter {body['name']} size {body['size']} {{ {key} {_state(body['stmt'])} }}"
        case "log":
            return _log(body)
        case "set":
            elem = body["elem"]["elem"]
            return f"{body['op']} {body['set']} {{ {_expression(elem['val'])} timeout {elem['timeout']}s }}"
    raise AssertionError(f"the guard has no statement {kind}")


def _state(statement: Json) -> str:
    """What a meter keeps for each of its elements."""
    return "counter" if "counter" in statement else _statement(statement)


def _element(element: Any) -> str:
    if isinstance(element, list):
        return f"{_expression(element[0])} : {_expression(element[1])}"
    return _expression(element)


def _set(kind: str, body: Json, elements: list[Any]) -> list[str]:
    types = body["type"] if isinstance(body["type"], list) else [body["type"]]
    data = f" : {body['map']}" if kind == "map" else ""
    lines = [f"\t{kind} {body['name']} {{", f"\t\ttype {' . '.join(types)}{data}"]
    if "size" in body:
        lines.append(f"\t\tsize {body['size']}")
    if "flags" in body:
        lines.append(f"\t\tflags {','.join(body['flags'])}")
    if "gc-interval" in body:
        lines.append(f"\t\tgc-interval {body['gc-interval']}s")
    if elements:
        listed = ",\n\t\t\t     ".join(_element(one) for one in elements)
        lines.append(f"\t\telements = {{ {listed} }}")
    return [*lines, "\t}", ""]


def _chain(body: Json, rules: list[Json]) -> list[str]:
    lines = [f"\tchain {body['name']} {{"]
    if "hook" in body:
        kind = f"type {body['type']} hook {body['hook']} priority {body['prio']}; policy {body['policy']};"
        lines.append(f"\t\t{kind}")
    for rule in rules:
        comment = f' comment "{rule["comment"]}"' if "comment" in rule else ""
        lines.append("\t\t" + " ".join(_statement(one) for one in rule["expr"]) + comment)
    return [*lines, "\t}", ""]


def render(ruleset: Ruleset) -> str:
    """The whole table as nft text."""
    elements = {one["element"]["name"]: one["element"]["elem"] for one in ruleset.elements}
    lines = [f"table {FAMILY} {TABLE} {{"]
    for one in ruleset.sets:
        ((kind, body),) = one.items()
        if kind == "counter":
            lines += [f"\tcounter {body['name']} {{", "\t}", ""]
        else:
            lines += _set(kind, body, elements.get(body["name"], []))
    rules: dict[str, list[Json]] = {}
    for one in ruleset.rules:
        rules.setdefault(one["rule"]["chain"], []).append(one["rule"])
    # A chain stands before those that go to it.
    for chain in reversed(ruleset.chains):
        body = chain["chain"]
        lines += _chain(body, rules.get(body["name"], []))
    lines[-1] = "}"
    return "\n".join(lines) + "\n"
