"""Lines of the kernel's packet log: those kernel 6.18 wrote are read, and nothing else is believed."""

from __future__ import annotations

import random
import re
from ipaddress import ip_address

import pytest

from portress.knock import PROTOCOL_NAMES, TCP, UDP, Knock
from portress.watch.logline import parse

PREFIX = "portress: "
MAC = "MAC=1a:9b:c1:83:72:be:12:17:32:f5:1e:4d:08:00 "
ETHER = "MACSRC=12:17:32:f5:1e:4d MACDST=1a:9b:c1:83:72:be MACPROTO=0800 "
FOUR = "SRC=192.0.2.7 DST=198.51.100.1 LEN=44 TOS=0x00 PREC=0x00 TTL=64 ID=4508 "
FOUR_UDP = "SRC=192.0.2.7 DST=198.51.100.1 LEN=28 TOS=0x18 PREC=0xA0 TTL=64 ID=37360 "
SIX = (
    "SRC=2001:0db8:000c:0000:0000:0000:0000:0007 DST=2001:0db8:0001:0000:0000:0000:0000:0001 "
    "LEN=64 TC=0 HOPLIMIT=64 FLOWLBL=74565 "
)
SYN = "PROTO=TCP SPT=32768 DPT=4617 SEQ=1 ACK=0 WINDOW=64240 RES=0x00 SYN URGP=0 "
BARE = "PROTO=TCP SPT=32768 DPT=4617 WINDOW=64240 RES=0x00 SYN URGP=0 "
STACK = "OPT (020405B40402080A34936C5E000000000103030A) "
DATAGRAM = "PROTO=UDP SPT=32769 DPT=2953 LEN=8 "
IN = "portress: IN=eth0 OUT= "
ANA_4, ANA_6 = ip_address("192.0.2.7").packed, ip_address("2001:db8:c::7").packed
TCP_KNOCK, UDP_KNOCK = Knock.parse("tcp/4617"), Knock.parse("udp/2953")

# Each written by kernel 6.18 in a namespace, with every combination of nftables' `log flags`.
WRITTEN = [
    (IN + MAC + FOUR + SYN, ANA_4, TCP_KNOCK, "eth0"),
    (IN + MAC + FOUR + BARE, ANA_4, TCP_KNOCK, "eth0"),
    (IN + MAC + FOUR + BARE + "MARK=0x2a ", ANA_4, TCP_KNOCK, "eth0"),
    (IN + ETHER + FOUR + SYN + "OPT (020405B4) MARK=0x2a ", ANA_4, TCP_KNOCK, "eth0"),
    (
        IN + MAC + FOUR + "DF " + SYN + "OPT (020405B40402080A34936C5E000000000103030A) ",
        ANA_4,
        TCP_KNOCK,
        "eth0",
    ),
    (IN + MAC + FOUR_UDP + DATAGRAM, ANA_4, UDP_KNOCK, "eth0"),
    (IN + MAC + FOUR_UDP + "CE DF OPT (01010100) " + DATAGRAM, ANA_4, UDP_KNOCK, "eth0"),
    (IN + MAC + FOUR + SYN.replace("RES=0x00", "RES=0x38 AE CWR ECE"), ANA_4, TCP_KNOCK, "eth0"),
    (IN + MAC + FOUR + SYN.replace("SYN", "URG PSH SYN"), ANA_4, TCP_KNOCK, "eth0"),
    (IN + MAC + SIX + SYN, ANA_6, TCP_KNOCK, "eth0"),
    (IN + MAC + SIX + DATAGRAM, ANA_6, UDP_KNOCK, "eth0"),
    (IN + ETHER + SIX + "OPT ( ) OPT ( ) " + DATAGRAM + "MARK=0x2a ", ANA_6, UDP_KNOCK, "eth0"),
    ("portress: IN=tun0 OUT= MAC= " + FOUR + SYN, ANA_4, TCP_KNOCK, "tun0"),
    ("portress: IN=br0 OUT= PHYSIN=p0 " + MAC + FOUR_UDP + DATAGRAM, ANA_4, UDP_KNOCK, "br0"),
    ("portress: IN=br0 OUT= PHYSIN=p0 " + ETHER + FOUR_UDP + DATAGRAM, ANA_4, UDP_KNOCK, "br0"),
    (IN + MAC + FOUR_UDP + DATAGRAM + "UID=0 GID=0 ", ANA_4, UDP_KNOCK, "eth0"),
]


@pytest.mark.parametrize(("line", "source", "knock", "interface"), WRITTEN)
def test_what_the_kernel_wrote_is_read(line: str, source: bytes, knock: int, interface: str) -> None:
    for form in (line, line + "\n", line.rstrip(), line.encode(), line.rstrip().encode() + b"\n"):
        assert parse(form, PREFIX) == (source, knock, interface)


# Written by the same kernel, for packets that are no knocks.
NO_KNOCKS = [
    pytest.param(IN + MAC + FOUR + SYN.replace("SYN", "ACK SYN"), id="the answer to a SYN"),
    pytest.param(IN + MAC + FOUR + SYN.replace("SYN", "ACK"), id="an ACK"),
    pytest.param(IN + MAC + FOUR + SYN.replace("SYN", "RST SYN"), id="RST with SYN"),
    pytest.param(IN + MAC + FOUR + SYN.replace("SYN", "SYN FIN"), id="SYN with FIN"),
    pytest.param(IN + MAC + FOUR + SYN.replace("SYN ", ""), id="no flags"),
    pytest.param(IN + MAC + FOUR + SYN.replace("DPT=4617", "DPT=0"), id="port 0"),
    pytest.param(IN + MAC + FOUR_UDP + "MF " + DATAGRAM, id="the first part of a packet"),
    pytest.param(IN + MAC + FOUR_UDP + "DF FRAG:1 PROTO=UDP ", id="a later part of a packet"),
    pytest.param(IN + MAC + SIX + "FRAG:0 INCOMPLETE ID:00000000 " + DATAGRAM, id="an IPv6 part"),
    pytest.param(IN + ETHER + SIX + "OPT ( FRAG:0 ID:00000000 ) " + DATAGRAM, id="an IPv6 part with options"),
    pytest.param(IN + MAC + FOUR_UDP + "PROTO=TCP INCOMPLETE [8 bytes] ", id="a TCP header cut short"),
    pytest.param(IN + MAC + SIX + "PROTO=ICMPv6 TYPE=143 CODE=0 ", id="ICMPv6"),
    pytest.param(IN + MAC + FOUR + f"PROTO=ICMP TYPE=3 CODE=3 [{FOUR}{DATAGRAM}] ", id="ICMP about UDP"),
    pytest.param(IN + MAC + FOUR + "PROTO=47 ", id="GRE"),
    pytest.param("portress: IN= OUT=eth0 " + FOUR + SYN, id="going out"),
    pytest.param("portress: IN=eth0 OUT=eth1 " + MAC + FOUR + SYN, id="passing through"),
]


@pytest.mark.parametrize("line", NO_KNOCKS)
def test_what_the_kernel_writes_of_other_packets_is_no_knock(line: str) -> None:
    assert parse(line, PREFIX) is None


GOOD = IN + MAC + FOUR + SYN
FORGED = [
    pytest.param("", id="nothing"),
    pytest.param(PREFIX, id="the prefix alone"),
    pytest.param(GOOD.removeprefix(PREFIX), id="no prefix"),
    pytest.param("x" + GOOD, id="something before the prefix"),
    pytest.param(PREFIX + GOOD, id="the prefix twice"),
    pytest.param("other: " + GOOD, id="another prefix before it"),
    pytest.param(GOOD.replace("portress: ", "portress:  "), id="two spaces"),
    pytest.param(GOOD.replace("IN=eth0", "IN=e th0"), id="a space in the interface"),
    pytest.param(GOOD.replace("IN=eth0", "IN=averyveryverylongname"), id="an interface of 20 characters"),
    pytest.param(GOOD.replace("DST=", "SRC=203.0.113.9 DST="), id="a second SRC"),
    pytest.param(GOOD.replace("SRC=192.0.2.7 ", "SRC=192.0.2.7 SRC=192.0.2.7 "), id="SRC twice"),
    pytest.param(GOOD + "SRC=203.0.113.9 ", id="SRC at the end"),
    pytest.param(GOOD + GOOD, id="a line twice"),
    pytest.param(GOOD + "\n" + GOOD, id="two lines"),
    pytest.param(GOOD.replace(" DST", "\nDST"), id="a line's end inside"),
    pytest.param(GOOD.replace(" DST", "\tDST"), id="a tab"),
    pytest.param(GOOD + "\n\n", id="two line ends"),
    pytest.param(GOOD + "\0", id="a zero byte"),
    pytest.param(GOOD.replace("SPT=32768 DPT=4617", "DPT=4617 SPT=32768"), id="fields in another order"),
    pytest.param(GOOD.replace("DPT=4617", "DPT=04617"), id="a leading zero"),
    pytest.param(GOOD.replace("DPT=4617", "DPT=+4617"), id="a sign"),
    pytest.param(GOOD.replace("DPT=4617", "DPT=65536"), id="a port too great"),
    pytest.param(GOOD.replace("DPT=4617", "DPT=4617.0"), id="a fraction"),
    pytest.param(GOOD.replace("DPT=4617", "DPT=٧١٠١"), id="digits of another script"),
    pytest.param(GOOD.replace("SRC=192.0.2.7", "SRC=192.0.2.07"), id="an octet with a leading zero"),
    pytest.param(GOOD.replace("SRC=192.0.2.7", "SRC=192.0.2"), id="an address of three octets"),
    pytest.param(GOOD.replace("SRC=192.0.2.7", "SRC=192.0.2.256"), id="an octet too great"),
    pytest.param(GOOD.replace("SRC=192.0.2.7", "SRC=2001:db8::7"), id="a short IPv6 address"),
    pytest.param(GOOD.replace("LEN=44", "LEN=39"), id="no room for TCP"),
    pytest.param(GOOD.replace("TTL=64", "TTL=256"), id="a TTL too great"),
    pytest.param(GOOD.replace(MAC, ""), id="no MAC"),
    pytest.param(GOOD.replace("SYN", "SYN SYN"), id="a flag twice"),
    pytest.param(GOOD.replace("SYN", "syn"), id="small letters"),
    pytest.param(GOOD + "MARK=0x2a MARK=0x2a ", id="a mark twice"),
    pytest.param(GOOD + "OPT (020405b4) ", id="options in small letters"),
    pytest.param(GOOD + "OPT (" + "00" * 44 + ") ", id="more options than fit"),
    pytest.param(GOOD + "x" * 65536, id="64 KiB"),
    pytest.param(GOOD.replace("SEQ=1", "SEQ=" + "1" * 65536), id="a field of 64 KiB"),
    pytest.param(GOOD.replace(MAC, "MAC=" + "00:" * 20000 + "00 "), id="a MAC of 60 KB"),
    pytest.param(IN + MAC + FOUR_UDP + DATAGRAM.replace("LEN=8", "LEN=7"), id="UDP shorter than its header"),
    pytest.param(IN + MAC + FOUR_UDP + DATAGRAM.replace("LEN=8", "LEN=9"), id="UDP longer than the packet"),
    pytest.param(IN + MAC + SIX.replace("LEN=64", "LEN=59") + SYN, id="no room for TCP in IPv6"),
]


@pytest.mark.parametrize("line", FORGED)
def test_what_the_kernel_does_not_write_is_not_believed(line: str) -> None:
    assert parse(line, PREFIX) is None
    assert parse(line.encode(), PREFIX) is None


def test_other_encodings_are_not_believed_and_raise_nothing() -> None:
    for encoding in ("utf-16", "utf-16-le", "utf-32"):
        assert parse(GOOD.encode(encoding), PREFIX) is None
    assert parse(GOOD.encode("utf-8-sig"), PREFIX) is None
    for junk in (b"\xff\xfe", b"\xc3\x28", b"\xed\xa0\x80", b"\xf0\x9f\x9a\xaa"):
        assert parse(GOOD.encode() + junk, PREFIX) is None
        assert parse(GOOD.encode().replace(b"eth0", junk), PREFIX) is None
    assert parse(GOOD.replace("eth0", "\udc80"), PREFIX) is None


def test_the_prefix_is_the_administrators_own_and_taken_literally() -> None:
    rest = GOOD.removeprefix(PREFIX)
    for prefix in ("", "knock.*: ", "[gate] ", "Tür: ", "IN=", "SRC=192.0.2.7 "):
        assert parse(prefix + rest, prefix) == (ANA_4, TCP_KNOCK, "eth0")
        assert parse((prefix + rest).encode(), prefix) == (ANA_4, TCP_KNOCK, "eth0")
    assert parse("knockers: " + rest, "knock.*: ") is None


FIELD = re.compile(r"(OPT \([^)]*\)|INCOMPLETE \[[^]]*\]|\S*) ")
START = "IN OUT PHYSIN MAC MACSRC MACDST VPROTO VID MACPROTO TUNNEL SRC DST LEN "
MIDDLE = {4: "TOS PREC TTL ID CE DF OPT PROTO ", 6: "TC HOPLIMIT FLOWLBL OPT OPT PROTO "}
END = {
    TCP: "SPT DPT SEQ ACK WINDOW RES AE CWR ECE URG PSH SYN URGP OPT UID GID MARK",
    UDP: "SPT DPT LEN UID GID MARK",
}


def in_the_kernels_order(line: str) -> bool:
    """Whether the fields come in the order of nf_log_syslog.c, each once: judged without the parser."""
    words = [re.split("[= ]", word)[0] for word in FIELD.findall(line.rstrip("\n ") + " ")]
    middle, end = MIDDLE[4 if "TTL" in words else 6], END[TCP if " PROTO=TCP " in line else UDP]
    order = (START + middle + end).split()
    for word in words:
        while order and order[0] != word:
            del order[0]
        if not order:
            return False
        del order[0]
    return {"IN", "OUT", "SRC", "DST", "LEN", "PROTO", "SPT", "DPT"} <= set(words)


def mutated(rng: random.Random, line: str) -> bytes:
    """A line whose characters or words are changed, doubled, swapped, cut off or mixed with another's."""
    text = bytearray(line.encode())
    for _ in range(rng.choice((1, 1, 2, 3, 8))):
        at = rng.randrange(len(text) + 1)
        match rng.randrange(7):
            case 0:
                text[at : at + 1] = bytes((rng.randrange(256),))
            case 1:
                text[at : at + 1] = rng.choice((b"0", b"9", b" ", b"=", b"a", b":", b"", b"\n", b"\xff"))
            case 2:
                del text[at : at + rng.randrange(1, 12)]
            case 3:
                words = bytes(text).split(b" ")
                words.insert(rng.randrange(len(words)), rng.choice(words))
                text = bytearray(b" ".join(words))
            case 4:
                words = bytes(text).split(b" ")
                del words[rng.randrange(len(words))]
                text = bytearray(b" ".join(words))
            case 5:
                text[at:at] = rng.choice(WRITTEN)[0].encode()[: rng.randrange(60)]
            case 6:
                text[at:at] = rng.choice(
                    (b"SRC=203.0.113.9 ", b"portress: ", b"\nportress: IN=eth0 OUT= ", b"DPT=7 ")
                )
    return bytes(text)


def test_mutated_lines_raise_nothing_and_only_what_the_kernel_could_have_written_is_read() -> None:
    accepted = 0
    for case in range(10_000):
        rng = random.Random(case)
        line = mutated(rng, rng.choice(WRITTEN)[0])
        found = parse(line, PREFIX)
        assert parse(line.decode("utf-8", "surrogateescape"), PREFIX) == found, f"case {case}"
        if found is None:
            continue
        accepted += 1
        source, knock, interface = found
        text = line.decode("ascii")
        assert text.startswith(f"{PREFIX}IN={interface} OUT= "), f"case {case}"
        assert text.count("\n") <= 1 and in_the_kernels_order(text.removeprefix(PREFIX)), f"case {case}"
        assert re.findall(r" DPT=(\d+) ", text) == [str(knock & 0xFFFF)] and knock & 0xFFFF, f"case {case}"
        sources = re.findall(r" SRC=(\S+) ", text)
        assert [ip_address(each).packed for each in sources] == [source], f"case {case}"
        assert f" PROTO={PROTOCOL_NAMES[knock >> 16].upper()} " in text, f"case {case}"
    assert accepted > 100
