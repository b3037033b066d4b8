"""Words in a configuration with a form of their own: an address to listen at, a pool, a prefix. Pure.

In: a word. Out: its value; ValueError, whose text says what would be right.
"""

from __future__ import annotations

import re
from ipaddress import ip_address
from typing import Final

JOURNAL_PREFIX: Final = r"[ !#%&(-\[\]-~]{1,127}"


def listen(text: str) -> tuple[str, int]:
    """`127.0.0.1:9753` or `[::1]:9753`: an address of this host and a port. Raises ValueError."""
    match = re.fullmatch(r"([0-9.]+|\[[0-9A-Fa-f:.]+\]):([1-9][0-9]{0,4})", text, re.ASCII)
    try:
        if match and int(match[2]) <= 65535:
            return str(ip_address(match[1].strip("[]"))), int(match[2])
    except ValueError:
        pass
    raise ValueError('an address and a port in quotes, for example "127.0.0.1:9753" or "[::1]:9753"')


def pool(text: str) -> tuple[int, int]:
    """`10100-32767`: the first and the last port. Raises ValueError."""
    match = re.fullmatch(r"(0|[1-9][0-9]{0,5})-(0|[1-9][0-9]{0,5})", text, re.ASCII)
    if not match:
        raise ValueError("a pool is a range of ports, for example 10100-32767")
    first, last = int(match[1]), int(match[2])
    if not 1 <= first <= 65535 or not 1 <= last <= 65535:
        raise ValueError("a port is 1 to 65535")
    if last < first:
        raise ValueError(f"a pool is written from the lower port to the higher, for example {last}-{first}")
    return first, last


def journal_prefix(text: str) -> str:
    """What kernel log lines begin with: nftables takes 127 characters, no quotes, and $ for the name of a
    variable. Raises ValueError."""
    if not re.fullmatch(JOURNAL_PREFIX, text, re.ASCII) or not text.strip():
        raise ValueError("1 to 127 characters of ASCII, none of them a quote, \\ or $, and not all spaces")
    return text
