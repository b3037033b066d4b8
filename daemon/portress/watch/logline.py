"""Reads a knock out of one line of the kernel's packet log in text form (nf_log_syslog).

In: the line as the kernel wrote it, and the prefix that the rule gave it. Out: the source address, the knock
and the interface, or None. What stands in such a line is chosen by strangers, and others can write lines that
look like one: a line counts only if the whole of it is what the kernel writes for a first packet to this
host, every field in the kernel's order, once, and no greater than it can be.

The order is that of net/netfilter/nf_log_syslog.c, with any of the `flags` that nftables' `log` can be given:

    PREFIXIN=eth0 OUT= MAC=… SRC=192.0.2.7 DST=198.51.100.1 LEN=44 TOS=0x00 PREC=0x00 TTL=64 ID=4508 DF
    PROTO=TCP SPT=32768 DPT=4617 SEQ=1 ACK=0 WINDOW=64240 RES=0x00 SYN URGP=0
"""

from __future__ import annotations

import re
import socket
from typing import Final

from portress.knock import TCP, UDP

_LONGEST: Final = 1024  # bytes; the kernel's own buffer for such a line (S_SIZE)

_LONG = r"(?:0|[1-9][0-9]{0,9})"  # 32 bits, nearly
_SHORT = (
    r"(?:6553[0-5]|655[0-2][0-9]|65[0-4][0-9]{2}|6[0-4][0-9]{3}|[1-5][0-9]{4}|[1-9][0-9]{0,3}|0)"  # 16 bits
)
_OCTET = r"(?:25[0-5]|2[0-4][0-9]|1[0-9]{2}|[1-9]?[0-9])"
_FOUR = rf"{_OCTET}(?:\.{_OCTET}){{3}}"
_SIX = r"[0-9a-f]{4}(?::[0-9a-f]{4}){7}"
_HARDWARE = r"[0-9a-f]{2}(?::[0-9a-f]{2}){5}"
_NAME = r"[!-.0-9;-~]{1,15}"  # what dev_valid_name() allows, of ASCII

_MAC = (
    rf"MAC=(?:[0-9a-f]{{2}}(?::[0-9a-f]{{2}}){{0,63}})? (?:TUNNEL={_FOUR}->{_FOUR} )?"
    rf"|MACSRC={_HARDWARE} MACDST={_HARDWARE} (?:VPROTO=[0-9a-f]{{4}} VID={_SHORT} )?MACPROTO=[0-9a-f]{{4}} "
)
# OUT is empty: a packet on its way through is not for this host. PHYSIN is a port of the bridge that IN is.
_START = rf"IN=(?P<interface>{_NAME}) OUT= (?:PHYSIN={_NAME} )?(?:{_MAC})"
# Without MF and FRAG: a part of a packet is no knock.
_IPV4 = (
    rf"SRC=(?P<four>{_FOUR}) DST={_FOUR} LEN=(?P<total>{_SHORT}) TOS=0x[0-9A-F]{{2}} PREC=0x[0-9A-F]{{2}} "
    rf"TTL={_OCTET} ID={_SHORT} (?:CE )?(?:DF )?(?:OPT \((?:[0-9A-F]{{8}}){{1,10}}\) )?"
)
_IPV6 = (
    rf"SRC=(?P<six>{_SIX}) DST={_SIX} LEN=(?P<total6>{_LONG}) TC={_OCTET} HOPLIMIT={_OCTET} "
    rf"FLOWLBL={_LONG} (?:OPT \( \) ){{0,8}}"
)
# Without ACK, RST and FIN: a first packet.
_TCP = (
    rf"PROTO=TCP SPT={_SHORT} DPT=(?P<tcp>{_SHORT}) (?:SEQ={_LONG} ACK={_LONG} )?WINDOW={_SHORT} "
    rf"RES=0x[0-9a-f]{{2}} (?:AE )?(?:CWR )?(?:ECE )?(?:URG )?(?:PSH )?SYN URGP={_SHORT} "
    r"(?:OPT \((?:[0-9A-F]{8}){1,10}\) )?"
)
_UDP = rf"PROTO=UDP SPT={_SHORT} DPT=(?P<udp>{_SHORT}) LEN=(?P<datagram>{_SHORT}) "
_END = rf"(?:UID={_LONG} GID={_LONG} )?(?:MARK=0x[0-9a-f]{{1,8}} )?"

_match: Final = re.compile(f"{_START}(?:{_IPV4}|{_IPV6})(?:{_TCP}|{_UDP}){_END}", re.ASCII).fullmatch


def parse(line: str | bytes, prefix: str) -> tuple[bytes, int, str] | None:
    """(source address, 4 or 16 bytes; knock; interface) if the line is a first packet's, else None.

    `line` is the message without a time or a host's name before it; a line's end and the space that the
    kernel writes before it may be missing. Never raises.
    """
    text = _behind(line, prefix)
    if text is None:
        return None
    found = _match(text)
    if found is None:
        return None
    four, tcp = found["four"], found["tcp"]
    port = int(tcp or found["udp"])
    room = int(found["total"]) - 20 if four else int(found["total6"]) - 40
    if port == 0 or not (20 if tcp else 8) <= room <= 65535:
        return None
    if not tcp and not 8 <= int(found["datagram"]) <= room:
        return None
    source = socket.inet_aton(four) if four else bytes.fromhex(found["six"].replace(":", ""))
    return source, (TCP if tcp else UDP) << 16 | port, found["interface"]


def _behind(line: str | bytes, prefix: str) -> str | None:
    """What follows the prefix, in ASCII and ending in the one space that the kernel ends its fields with."""
    if isinstance(line, bytes):
        start = prefix.encode("utf-8", "surrogatepass")
        if not line.startswith(start) or len(line) > len(start) + _LONGEST:
            return None
        text = line[len(start) :].decode("latin-1")
    else:
        if not line.startswith(prefix) or len(line) > len(prefix) + _LONGEST:
            return None
        text = line[len(prefix) :]
    if not text.isascii():
        return None
    text = text.removesuffix("\n")
    return text if text.endswith(" ") else f"{text} "
