"""Expiry of the certificates that the daemon uses for its connection to a broker."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from daq.adapters.store.checks import Finding
from daq.core.errors import SettingError
from daq.methods.files.broker import Tls
from daq.methods.files.daemon import Daemon
from daq.process.extras import need
from daq.textfiles.plain_file import read_plain

WARN_DAYS: Final = 30
"""Number of days before the end of a certificate from which it is reported."""
DAY_S: Final = 86_400.0
LARGEST: Final = 2_000_000
"""Greatest size of a file of certificates, bytes; that of all public authorities has a tenth of it."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """One certificate of a file, with its subject and its end (s since 1970)."""

    file: str
    subject: str
    ends_s: float

    def days_left(self, now_s: float) -> float:
        """Return the number of days until it ends; negative after its end."""
        return (self.ends_s - now_s) / DAY_S

    @property
    def ends(self) -> str:
        """The day on which it ends, UTC."""
        return datetime.fromtimestamp(self.ends_s, UTC).strftime("%Y-%m-%d")


def certificates(file: str) -> list[Certificate]:
    """Return all certificates of a PEM file.

    Raises:
        ValueError: the file contains none.
        SettingError: the file cannot be read, or the library for certificates is not installed.
    """
    need("cryptography", "reading the expiry of certificates")
    from cryptography import x509

    found = x509.load_pem_x509_certificates(read_plain(file, LARGEST, what="a certificate"))
    return [Certificate(file, c.subject.rfc4514_string(), c.not_valid_after_utc.timestamp()) for c in found]


def files_of(daemon: Daemon) -> list[str]:
    """Return the certificate files that the daemon's file names, each once."""
    tables: list[Tls | None] = [daemon.mqtt.tls if daemon.mqtt else None]
    if daemon.sparkplug is not None and daemon.sparkplug.broker is not None:
        tables.append(daemon.sparkplug.broker.tls)
    named = [file for tls in tables if tls is not None for file in (tls.certificate, tls.ca) if file is not None]
    return list(dict.fromkeys(named))


def findings(daemon: Daemon, now_s: float) -> Iterator[Finding]:
    """Yield a finding for each certificate, for `daq doctor` and the log; not ok if it ends within `WARN_DAYS`."""
    files = files_of(daemon)
    try:
        if files:
            need("cryptography", "reading the expiry of certificates")
    except SettingError as error:
        yield Finding(False, "certificates", error.reason, "or watch their expiry yourself: an expired one is refused")
        return
    for file in files:
        try:
            found = certificates(file)
        except SettingError as error:
            yield Finding(False, f"certificate {file}", error.reason, "give a file in PEM form")
            continue
        except ValueError as error:
            yield Finding(False, f"certificate {file}", f"cannot be read: {error}", "give a file in PEM form")
            continue
        for certificate in found:
            yield _finding(certificate, now_s)


def _finding(certificate: Certificate, now_s: float) -> Finding:
    name, left = f"certificate {certificate.file}", certificate.days_left(now_s)
    if left <= 0:
        text = f"{certificate.subject} ended on {certificate.ends}: the broker cannot be reached"
        return Finding(False, name, text, "put a new certificate there and restart the daemon")
    text = f"{certificate.subject} is valid until {certificate.ends}"
    if left < WARN_DAYS:
        do = "renew it now: results wait in the outbox once it has ended"
        return Finding(False, name, f"{text}, {left:.0f} more days", do)
    return Finding(True, name, text)
