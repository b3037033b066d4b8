"""What the other side has to do: the exact commands for a laptop, a phone, an app, a fixed sequence. Pure."""

from __future__ import annotations

from pathlib import Path

from portress import by_hand
from portress.begin.plan import Answers, Planned
from portress.knock import TCP


def commands(
    answers: Answers, planned: list[Planned], card: Path | None, user: str, *, away: bool = False
) -> list[str]:
    """Lines to be read and copied. `user`: who logs in. `away`: nobody is connected over the network."""
    if answers.way == "rotating":
        assert card is not None
        return _laptop(answers, card, user, away)
    if answers.way == "phone":
        return [
            "On the phone, open the knocking page: /usr/share/portress/knock-page/index.html,",
            "from any web server or as a file. Give it the keycard, and press Knock. Then",
            "connect.",
        ]
    if answers.way == "authenticator":
        return ["Knock with the app's code, as said above. Then connect."]
    lines, more = [], list[str]()
    for one in planned:
        knocks = " ".join(str(knock) for knock in one.knocks)
        then = f" && ssh {user}@{answers.host}" if one.name == "ssh" else ""
        lines.append(f"  portress-knock --to {answers.host} {knocks}{then}")
        more += by_hand.lines(answers.host, by_hand.written(one.knocks))
    return [
        "On the other machine (portress-knock is one file that needs only Python 3.9):",
        *lines,
        *more,
    ]


def _laptop(answers: Answers, card: Path, user: str, away: bool) -> list[str]:
    ssh = [one for one in answers.services if one.program.startswith("sshd")]
    port = f" -p {ssh[0].service.first}" if ssh and ssh[0].service.first != 22 else ""
    copy, at = f"     scp{port.replace('-p', '-P')} {user}@{answers.host}", f"{user}@{answers.host}"
    lines = [
        "On your laptop:",
        "1. Copy the keycard, and portress-knock, one file that needs only Python 3.9:",
        f"{copy}:{card} .",
        f"{copy}:/usr/bin/portress-knock .",
    ]
    if away:
        lines += [
            "   You are at the console, so the laptop cannot connect yet. Let it in first, in",
            "   another terminal here: portress admit LAPTOP'S-ADDRESS DOOR --for 10m",
        ]
    if not ssh or ssh[0].service.protocol != TCP:
        return [*lines, "2. Try it, from another network if you can:", f"     ./portress-knock {card.name}"]
    relay = f"portress-knock {card.name} --relay %h %p"
    return [
        *lines,
        "2. Try it, from another network if you can:",
        f"     ssh{port} -o 'ProxyCommand=./{relay}' {at}",
        "   On Windows:",
        f'     ssh{port} -o "ProxyCommand=py {relay}" {at}',
        "3. To keep it, leave both files in your home directory, and put this into",
        "   ~/.ssh/config:",
        f"     Host {answers.host}",
        f"         ProxyCommand ~/portress-knock ~/{card.name} --relay %h %p",
    ]
