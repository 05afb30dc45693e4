"""Makes the folder of credentials and keeps it as the plant's configurations say. Doing it twice changes nothing."""

import os
import secrets
import socket
from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final, Literal, NamedTuple

import orjson

from broker_bridge.bus import authority, mosquitto
from broker_bridge.bus.access import Access, access_list, merged
from broker_bridge.bus.credentials import (
    ACCESS,
    AUTHORITY,
    AUTHORITY_KEY,
    CERTIFICATE,
    KEY,
    PASSWORDS,
    refuse_misfit,
)
from broker_bridge.config import Broker, Settings
from broker_bridge.errors import ConfigError
from broker_bridge.secret import read_secret, refuse_open, write_secret

Part = Literal["certificate", "passwords", "authority"]
PARTS: Final[tuple[Part, ...]] = ("certificate", "passwords", "authority")

SOON: Final = timedelta(days=30)
"""A certificate that ends sooner is renewed without being asked, and told by `check`."""
_PASSWORD_BYTES: Final = 24


class Secured(NamedTuple):
    """What a run left."""

    folder: Path
    names: tuple[str, ...]
    """What the broker's certificate is for."""
    ends: datetime
    """When the broker's certificate ends."""
    authority_ends: datetime
    logins: tuple[str, ...]
    changed: tuple[str, ...]
    """What this run made anew or removed, in words."""
    commands: tuple[str, ...] = ()
    """What is still to be typed, as root, so that Mosquitto may read what it needs."""


def secure(
    plants: Sequence[Settings],
    folder: Path,
    *,
    now: datetime,
    renew: Collection[Part] = (),
    for_mosquitto: bool = False,
) -> Secured:
    """Make or bring up to date `folder` for all configurations of one plant; the first is that of the broker.

    Raises ConfigError when the folder cannot be written or what lies there cannot be used.
    """
    access = merged(access_list(plant) for plant in plants)
    changed: list[str] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if folder.stat().st_mode & 0o027:
            folder.chmod(0o700)  # another broker's group may pass through it, nobody else
        root = _authority(plants[0], folder, now, "authority" in renew, changed)
        names = server_names(plants[0])
        anew = "certificate" in renew or "authority" in renew
        ends = _server(root, folder, names, now, anew, changed)
        passwords = _passwords(access, folder / PASSWORDS, "passwords" in renew, changed)
        _list(access, folder / ACCESS, changed)
        commands: tuple[str, ...] = ()
        if for_mosquitto:
            commands = _mosquitto(plants[0], folder, access, passwords, changed)
    except OSError as error:
        raise ConfigError(f"{error.filename or folder}: {error.strerror}") from error
    root_ends = authority.read_certificate(root.certificate).not_valid_after_utc
    return Secured(
        folder, names, ends, root_ends, tuple(one.login for one in access), tuple(changed), commands
    )


def server_names(settings: Settings) -> tuple[str, ...]:
    """The names and addresses under which clients reach the broker."""
    host = settings.broker.host
    open_to_all = host in ("0.0.0.0", "::")
    names = ["localhost", "127.0.0.1", "::1"]
    if open_to_all:
        names.append(socket.gethostname())
    return tuple(dict.fromkeys((*names, *(() if open_to_all else (host,)), *settings.broker.names)))


def _authority(
    plant: Settings, folder: Path, now: datetime, anew: bool, changed: list[str]
) -> authority.Signed:
    certificate, key = folder / AUTHORITY, folder / AUTHORITY_KEY
    if certificate.exists() and not anew:
        # Without its key nothing can be signed, which is how it should be until something has to be renewed.
        text = key.read_text() if key.exists() else ""
        if text:
            refuse_open(key.stat().st_mode, key, "authority's key")
        return authority.Signed(certificate.read_text(), text)
    made = authority.make_authority(plant.plant.site, now)
    write_secret(key, made.key)
    write_secret(certificate, made.certificate)
    changed.append("a new certificate authority: copy authority.pem to every machine with a role")
    return made


def _server(
    root: authority.Signed,
    folder: Path,
    names: Sequence[str],
    now: datetime,
    anew: bool,
    changed: list[str],
) -> datetime:
    path = folder / CERTIFICATE
    if path.exists() and (folder / KEY).exists() and not anew:
        held = authority.read_certificate(path.read_text())
        ends = held.not_valid_after_utc
        fits = set(authority.names_of(held)) == set(names)
        if (
            fits
            and ends - now > SOON
            and authority.signed_by(held, authority.read_certificate(root.certificate))
            and _pair(folder)
        ):
            return ends
    if not root.key:
        raise ConfigError(
            f"the broker's certificate has to be made anew, and {folder / AUTHORITY_KEY} is not there: bring it back"
            " for this run, or say --renew authority for a new one"
        )
    made = authority.make_server(root, names, now)
    write_secret(folder / KEY, made.key)
    write_secret(path, made.certificate)
    changed.append("a new certificate of the broker: start the broker again")
    return authority.read_certificate(made.certificate).not_valid_after_utc


def _pair(folder: Path) -> bool:
    try:
        refuse_misfit(folder)
    except ConfigError:
        return False
    return True


def doubts(broker: Broker) -> list[str]:
    """Why clients would refuse the embedded broker's certificate, in words; empty when those of this configuration would not.

    `broker` has credentials. Raises ConfigError when a file cannot be read.
    """
    assert broker.credentials is not None
    path, root = broker.credentials / CERTIFICATE, broker.ca_file or broker.credentials / AUTHORITY
    chain, roots = authority.read_chain(path), authority.read_chain(root)
    listed = authority.names_of(chain[0])
    wanted = () if broker.host in ("0.0.0.0", "::") else (broker.host,)
    missing = [name for name in dict.fromkeys((*wanted, *broker.names)) if not authority.covers(listed, name)]
    found: list[str] = []
    if missing:
        found.append(
            f"{path} is for {', '.join(listed) or 'no name at all'}, and clients reach the broker as {', '.join(missing)}: they"
            " will refuse it"
        )
    if not authority.leads_to(chain, roots):
        found.append(f"{path} is not signed by the authority in {root}: clients will refuse it")
    return found


def _passwords(access: Sequence[Access], folder: Path, anew: bool, changed: list[str]) -> dict[str, str]:
    folder.mkdir(exist_ok=True, mode=0o700)
    passwords: dict[str, str] = {}
    for one in access:
        path = folder / one.login
        if anew or not path.exists():
            write_secret(path, secrets.token_urlsafe(_PASSWORD_BYTES) + "\n")
            changed.append(f"a new password for {one.login}")
        passwords[one.login] = read_secret(path, "password")
    for path in sorted(folder.iterdir()):
        if path.name not in passwords:
            path.unlink()
            changed.append(f"the login {path.name} is in no configuration any more: its password was removed")
    return passwords


def _list(access: Sequence[Access], path: Path, changed: list[str]) -> None:
    text = orjson.dumps([one._asdict() for one in access], option=orjson.OPT_INDENT_2).decode() + "\n"
    if not path.exists() or path.read_text() != text:
        write_secret(path, text)
        changed.append("a new access list: start the broker again")


def _mosquitto(
    plant: Settings, folder: Path, access: Sequence[Access], passwords: dict[str, str], changed: list[str]
) -> tuple[str, ...]:
    ours = folder / "mosquitto"
    ours.mkdir(exist_ok=True, mode=0o700)
    host, port = plant.broker.host, plant.broker.port
    write_secret(
        ours / "mosquitto.conf",
        mosquitto.configuration(ours, host, port, folder / CERTIFICATE, folder / KEY, "/var/lib/mosquitto"),
    )
    write_secret(ours / "access", mosquitto.access_file(access))
    write_secret(ours / "passwords", mosquitto.password_file(passwords, os.urandom))
    changed.append(f"settings of Mosquitto in {ours}: let its user read them, and start it again")
    return mosquitto.reading(ours, (folder / CERTIFICATE, folder / KEY))
