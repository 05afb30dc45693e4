"""Pure: the access list as settings of Mosquitto, for plants that run that broker (2.0 and later)."""

import base64
import hashlib
import shlex
from collections.abc import Callable, Mapping, Sequence
from pathlib import PurePath
from typing import Final

from broker_bridge.bus.access import Access
from broker_bridge.bus.wire import MAX_PAYLOAD

_ITERATIONS: Final = 101
"""What the broker itself takes: it computes the hash at every log-in, and 192 random bits need no stretching."""
_SALT_BYTES: Final = 12


def configuration(
    folder: PurePath, host: str, port: int, certificate: PurePath, key: PurePath, store: str
) -> str:
    """The broker's configuration; `folder` holds the other two files."""
    bind = f" {host}" if host else ""
    return f"""\
# Written by `broker-bridge secure`; a later run writes it anew.
listener {port}{bind}
certfile {certificate}
keyfile {key}
tls_version tlsv1.2
allow_anonymous false
password_file {folder / "passwords"}
acl_file {folder / "access"}

# Acknowledged is not kept: outboxes and receipts make up for that. Kept sessions spare sending again.
persistence true
persistence_location {store}/
autosave_interval 60
persistent_client_expiration 14d
max_queued_messages 100000
max_queued_bytes 268435456
max_inflight_messages 500

# Limits on what a client may ask of the broker.
message_size_limit {MAX_PAYLOAD}
max_packet_size {MAX_PAYLOAD + 2**16}
max_connections 500
max_keepalive 120
"""


def reading(folder: PurePath, credentials: Sequence[PurePath], group: str = "mosquitto") -> tuple[str, ...]:
    """What root types so that the broker's group reads its settings in `folder` and the certificate and key beside it.

    Nothing else there: the logins' passwords stay their owner's.
    """
    files = [*(folder / name for name in ("mosquitto.conf", "access", "passwords")), *credentials]
    folders = shlex.join(map(str, (folder.parent, folder)))
    named = shlex.join(map(str, files))
    return f"chgrp {group} {folders} {named}", f"chmod 710 {folders}", f"chmod 640 {named}"


def access_file(access: Sequence[Access]) -> str:
    """The access list in the broker's words. What is not listed is forbidden."""
    lines = [
        "# Written by `broker-bridge secure` from the plant's configuration; a later run writes it anew."
    ]
    for one in access:
        lines += ["", f"user {one.login}"]
        lines += [f"topic write {pattern}" for pattern in one.publish]
        lines += [f"topic read {pattern}" for pattern in one.read]
    return "\n".join(lines) + "\n"


def password_file(passwords: Mapping[str, str], salt: Callable[[int], bytes]) -> str:
    """A line `login:$7$iterations$salt$hash` each: PBKDF2 with SHA-512 (RFC 8018). `salt` gives random bytes."""
    lines = []
    for login, password in passwords.items():
        grain = salt(_SALT_BYTES)
        digest = hashlib.pbkdf2_hmac("sha512", password.encode(), grain, _ITERATIONS, 64)
        told = "$".join(base64.b64encode(part).decode() for part in (grain, digest))
        lines.append(f"{login}:$7${_ITERATIONS}${told}")
    return "\n".join(lines) + "\n"
