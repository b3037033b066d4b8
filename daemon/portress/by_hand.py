"""One line for a shell that knocks with what the system has: where there is no client of ours. Pure.

In: the host, and what to knock as it is written on paper (`tcp 10123 udp 20456`, or ports alone: tcp). Out: a
line for a POSIX shell, whose bash opens the sockets, and one for PowerShell. Each gives a knock 0.3 s: less
than a system waits before it repeats a first packet (RFC 6298: 1 s).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from portress.knock import PROTOCOL_NAMES, Knock

KNOCKS: Final = "KNOCKS"  # stands where a line of paper, or the four ports of a code, goes

_POSIX: Final = (
    '(p=tcp; for k in {knocks}; do case $k in tcp|udp) p=$k;; *) bash -c "echo >/dev/$p/{host}/$k" & '
    "sleep 0.3; kill $! || :;; esac; done) 2>/dev/null"
)
_POWERSHELL: Final = (
    "$a=[Net.Dns]::GetHostAddresses('{host}')[0]; $p='tcp'; foreach($k in -split '{knocks}'){{"
    "if($k -in 'tcp','udp'){{$p=$k}}elseif($p -eq 'udp'){{"
    "$s=New-Object Net.Sockets.UdpClient($a.AddressFamily); "
    "[void]$s.Send([byte[]]@(10),1,(New-Object Net.IPEndPoint($a,[int]$k))); $s.Close()}}else{{"
    "$s=New-Object Net.Sockets.TcpClient($a.AddressFamily); [void]$s.BeginConnect($a,[int]$k,$null,$null); "
    "Start-Sleep -Milliseconds 300; $s.Close()}}}}"
)


def written(knocks: Iterable[Knock]) -> str:
    """Knocks as the lines take them: `tcp 10123 udp 20456`."""
    return " ".join(f"{PROTOCOL_NAMES[knock.protocol]} {knock.port}" for knock in knocks)


def posix(host: str, knocks: str = KNOCKS) -> str:
    """For Linux, macOS and the BSDs: any POSIX shell, and bash somewhere on the PATH."""
    return _POSIX.format(host=host, knocks=knocks)


def powershell(host: str, knocks: str = KNOCKS) -> str:
    """For Windows PowerShell 5.1 and later."""
    return _POWERSHELL.format(host=host, knocks=knocks)


def lines(host: str, knocks: str = KNOCKS) -> list[str]:
    """Both, each below the name of its system."""
    return [
        "With nothing installed, from Linux or macOS:",
        f"    {posix(host, knocks)}",
        "With nothing installed, from Windows (PowerShell):",
        f"    {powershell(host, knocks)}",
    ]
