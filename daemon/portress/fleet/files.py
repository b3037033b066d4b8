"""The files that a fleet's section names: are they there, private, of each other, and in date?

In: the section. Out: what is wrong, a line each. Nothing is sent anywhere.
"""

from __future__ import annotations

import datetime
import ssl
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from attrs import frozen
from cryptography import x509

from portress.config.model import Fleet
from portress.durations import spell
from portress.errors import Mistake
from portress.fleet.roster import access
from portress.fleet.seal import read_secret
from portress.knock import SECOND

SOON: Final = 14 * 86400  # seconds before its end that a certificate is warned of


@frozen
class Certificate:
    """One in a file: the moments (unix s) from which and until which it is valid."""

    file: Path
    begins: float
    ends: float


def mistakes(fleet: Fleet, now: float) -> Iterator[str]:
    """What keeps this gateway from its fleet. `now`: unix seconds."""
    for work in (lambda: read_secret(fleet.secret), lambda: access(fleet)):
        try:
            work()
        except Mistake as mistake:
            yield from mistake.lines
    unreadable = [*_unreadable(fleet)]
    yield from unreadable
    if unreadable:
        return
    yield from _misfits(fleet)
    for one in certificates(fleet):
        if one.ends <= now:
            yield f"{one.file}: expired {spell(round((now - one.ends) * SECOND))} ago: renew the certificate"
        elif one.begins > now:
            left = spell(round((one.begins - now) * SECOND))
            yield f"{one.file}: not valid for another {left}: is the clock right?"


def warnings(fleet: Fleet, now: float) -> Iterator[str]:
    """What will keep it from there soon, or lets others at its key or password."""
    for file in (fleet.key, fleet.password):
        mode = 0 if file is None else _mode(file)
        if mode & 0o007:
            yield f"{file}: mode {mode:04o}: every user can read or change it: chmod o= {file}"
    for one in certificates(fleet):
        if now < one.ends <= now + SOON:
            yield f"{one.file}: expires in {spell(round((one.ends - now) * SECOND))}: renew the certificate"


def certificates(fleet: Fleet) -> Iterator[Certificate]:
    """The authority's and this gateway's own, as far as they can be read."""
    for file in (fleet.ca, fleet.cert):
        if file is None:
            continue
        try:
            found = x509.load_pem_x509_certificate(file.read_bytes())
        except (OSError, ValueError):
            continue
        yield Certificate(file, _moment(found, "not_valid_before"), _moment(found, "not_valid_after"))


def _moment(found: x509.Certificate, what: str) -> float:
    """Unix seconds. cryptography 42 deprecates what has no zone; before it there is nothing else."""
    when: datetime.datetime = getattr(found, f"{what}_utc", None) or getattr(found, what)
    return when.replace(tzinfo=datetime.UTC).timestamp()


def _mode(file: Path) -> int:
    try:
        return stat.S_IMODE(file.stat().st_mode)
    except OSError:
        return 0


def _unreadable(fleet: Fleet) -> Iterator[str]:
    for what, file in (("ca", fleet.ca), ("cert", fleet.cert), ("key", fleet.key)):
        if file is None:
            continue
        try:
            file.read_bytes()
        except OSError as error:
            yield f"{file}: {error.strerror}: fleet.{what} names it"


def _misfits(fleet: Fleet) -> Iterator[str]:
    """Files that are no certificates or keys, or not of each other."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    if fleet.ca is not None:
        try:
            context.load_verify_locations(str(fleet.ca))
        except OSError:
            yield f"{fleet.ca}: not a certificate in PEM: fleet.ca names it"
    if fleet.cert is None or fleet.key is None:
        return
    try:
        context.load_cert_chain(str(fleet.cert), str(fleet.key), password=_no_password)
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            yield f"{fleet.key}: does not fit {fleet.cert}: take the key the certificate was made with"
        else:
            yield f"{fleet.cert}, {fleet.key}: not a certificate and its key, in PEM and without a password"
    except ValueError:
        yield f"{fleet.key}: wants a password: take one without, with mode 0600"


def _no_password() -> str:
    raise ValueError


def names(fleet: Fleet) -> str | None:
    """The common name of this gateway's certificate, if it has one: etcd's HTTP gateway refuses those."""
    if fleet.cert is None:
        return None
    try:
        found = x509.load_pem_x509_certificate(fleet.cert.read_bytes())
    except (OSError, ValueError):
        return None
    named = found.subject.get_attributes_for_oid(x509.NameOID.COMMON_NAME)
    return str(named[0].value) if named else None
