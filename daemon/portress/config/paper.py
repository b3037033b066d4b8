"""What must be right about a door's `paper`, beside its pool. Pure.

In: a door as it was read. Out: findings, each with its line.
"""

from __future__ import annotations

from portress.config.shapes import Found
from portress.config.yaml_tree import Findings


def check(door: Found, findings: Findings) -> None:
    """Paper is a keyholder's, so the door must have a way for them; it admits the source."""
    paper = door.get("paper")
    if paper is None:
        return
    if "rotating" not in door.value and "authenticator" not in door.value:
        what = "paper is for keyholders: this door needs `rotating:` or `authenticator:` as well"
        findings.mistake(paper.place, what)
    admits = door.get("rotating", "admits")
    if admits and admits.value == "connection":
        what = "paper is dialled with any program, so it admits the whole source all the same"
        findings.warn(paper.place, what)
    protocols = door.get("paper", "protocols")
    if protocols and "udp" in protocols.plain:
        findings.warn(protocols.place, "not every program sends UDP: with [tcp] any program can dial paper")
