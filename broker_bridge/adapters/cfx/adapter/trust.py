"""Why a TLS connection to a broker failed, in words that tell what to do.

Proton says "certificate verify failed" for a wrong name, an unknown authority and a certificate that has ended alike. So where
it says so, the standard library's TLS is asked, which tells them apart; it sends nothing.
"""

import asyncio
import socket
import ssl
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from broker_bridge.errors import ConfigError

_PATIENCE_S: Final = 5.0
_NO_TLS: Final = "wrong version number"
_ALERT: Final = ("Unknown protocol ['\\x15\\x03", "Unknown protocol [b'\\x15\\x03")
"""What an AMQP client gets to see of a TLS alert (RFC 8446, section 6: type 21, then the version)."""


async def explained(why: str, url: str, ca_file: Path | None) -> str:
    """`why` a connection to `url` ended, as proton says it; in our words where TLS is the cause."""
    where = f"{urlsplit(url).hostname}:{_port(url)}"
    if "certificate verify failed" in why:
        found = await asyncio.to_thread(_verified, url, ca_file)
        return f"TLS: {found or why}"
    if _NO_TLS in why:
        return f"TLS: {where} answers, and speaks no TLS there: another port, or amqp://"
    if any(alert in why for alert in _ALERT):
        return f"{where} speaks TLS, and the url says amqp://: amqps:// is wanted"
    return why


def check_authority(ca_file: Path, key: str) -> None:
    """Raise ConfigError where a file holds no certificate of an authority. `key`: its name in the configuration."""
    try:
        ssl.create_default_context(cafile=str(ca_file))
    except (OSError, ssl.SSLError) as error:
        reason = error.strerror if not isinstance(error, ssl.SSLError) else "holds no certificate (PEM)"
        raise ConfigError(f"{key} = {ca_file}: {reason}") from None


def _verified(url: str, ca_file: Path | None) -> str | None:
    """What is wrong with the broker's certificate; None where nothing is found."""
    host = urlsplit(url).hostname or ""
    context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    try:
        with socket.create_connection((host, _port(url)), _PATIENCE_S) as plain:
            context.wrap_socket(plain, server_hostname=host).close()
    except ssl.SSLCertVerificationError as error:
        told = error.verify_message.rstrip(".")
        if "mismatch" in told:
            return (
                f"{told}: reach the broker by a name its certificate is for, or have one made for this name"
            )
        known = f"ca_file = {ca_file}" if ca_file else "this system's authorities (no ca_file is given)"
        if "expired" in told or "not yet valid" in told:
            return f"the broker's certificate is not accepted: {told}"
        return f"the authority of the broker's certificate is not known by {known}: {told}"
    except OSError:
        return None
    return None


def _port(url: str) -> int:
    parts = urlsplit(url)
    return parts.port or (5671 if parts.scheme == "amqps" else 5672)
