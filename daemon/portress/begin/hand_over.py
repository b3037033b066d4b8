"""What the other side has to do: the exact commands for a laptop, a phone, an app, a fixed sequence. Pure."""

from __future__ import annotations

from pathlib import Path

from portress import by_hand
from portress.begin.plan import Answers, Planned
from portress.knock import TCP


def commands(answers: Answers, planned: list[Planned], card: Path | None) -> list[str]:
    """Lines to be read and copied."""
    if answers.way == "rotating":
        assert card is not None
        return _laptop(answers, card)
    if answers.way == "phone":
        return [
            "Open the knocking page on the phone (/usr/share/portress/knock-page/index.html, from any web",
            "server or as a file), give it the keycard, and press Knock. Then connect.",
        ]
    if answers.way == "authenticator":
        lines = ["Read the code in pairs and dial the four ports with any program that connects:"]
        for one in planned:
            assert one.base is not None
            ports = ", ".join(f"tcp {one.base + 100 * place} + pair {place + 1}" for place in range(4))
            lines.append(f"  {one.name}: {ports}")
        return lines
    lines, more = [], list[str]()
    for one in planned:
        knocks = " ".join(str(knock) for knock in one.knocks)
        then = f" && ssh {answers.host}" if one.name == "ssh" else ""
        lines.append(f"  portress-knock --to {answers.host} {knocks}{then}")
        more += by_hand.lines(answers.host, by_hand.written(one.knocks))
    return [
        "On the other machine (portress-knock is one file, it needs nothing but Python 3.9):",
        *lines,
        *more,
    ]


def _laptop(answers: Answers, card: Path) -> list[str]:
    ssh = [one for one in answers.services if one.program.startswith("sshd")]
    port = f" -p {ssh[0].service.first}" if ssh and ssh[0].service.first != 22 else ""
    lines = [
        f"1. Copy {card} and /usr/bin/portress-knock (one file, it needs nothing but",
        "   Python 3.9) to your laptop while you are still connected, for example:",
        f"     scp{port.replace('-p', '-P')} root@{answers.host}:{card} .",
        f"     scp{port.replace('-p', '-P')} root@{answers.host}:/usr/bin/portress-knock .",
    ]
    if ssh and ssh[0].service.protocol == TCP:
        relay = f"./portress-knock {card.name} --relay %h %p"
        lines += [
            "2. Try it, from another network if you can:",
            f"     ssh{port} -o ProxyCommand='{relay}' {answers.host}",
            "3. To keep it, in ~/.ssh/config:",
            f"     Host {answers.host}",
            f"         ProxyCommand portress-knock ~/{card.name} --relay %h %p",
        ]
    else:
        lines += ["2. Try it, from another network if you can:", f"     ./portress-knock {card.name}"]
    return lines
