"""The folder of credentials that `broker-bridge secure` makes, and the login a client takes from it.

    authority.pem     the certificate authority: every client needs it
    authority.key     its key: needed here only to renew; keep it off the broker's machine
    broker.pem, .key  the broker's certificate and key
    access.json       who may publish and read what
    passwords/LOGIN   a password each

A machine that runs only an edge needs authority.pem and the passwords of its edge and adapters, nothing else.
"""

import hmac
import json
import os
import ssl
from pathlib import Path
from typing import Final

from broker_bridge.bus.access import Access
from broker_bridge.config import Broker
from broker_bridge.errors import ConfigError
from broker_bridge.secret import read_secret

AUTHORITY: Final = "authority.pem"
AUTHORITY_KEY: Final = "authority.key"
CERTIFICATE: Final = "broker.pem"
KEY: Final = "broker.key"
ACCESS: Final = "access.json"
PASSWORDS: Final = "passwords"


def has_own(settings: Broker, name: str) -> bool:
    """Whether this role or adapter logs in by itself, not with one login for all."""
    return settings.credentials is not None or name in settings.logins


def login(settings: Broker, name: str) -> tuple[str | None, str | None]:
    """User name and password of a role or adapter. Raises ConfigError when the secret named cannot be read."""
    own = settings.logins.get(name)
    if own is not None:
        return own.username, _password(own.password_file, own.password_env, f'broker.logins."{name}"')
    if settings.credentials is not None:
        path = settings.credentials / PASSWORDS / name
        if not path.exists():
            raise ConfigError(
                f"broker.credentials: there is no password for {name!r} at {path}: run `broker-bridge secure CONFIG`"
                " on the broker's machine, and copy this file here if that is another one"
            )
        return name, read_secret(path, "broker.credentials")
    if settings.username is None:
        return None, None
    return settings.username, _password(settings.password_file, settings.password_env, "broker")


def id_secret(settings: Broker, name: str) -> str:
    """What stands behind the client id of a role or adapter that logs in by itself, "" for all others.

    A broker throws out who has a client id when another client comes with it, whatever its login. Made of the password,
    it is the same at each start, and nobody can know it who could not log in as this one anyway.
    """
    password = login(settings, name)[1] if has_own(settings, name) else None
    if password is None:
        return ""
    return hmac.new(password.encode(), b"MQTT client id", "sha256").hexdigest()[:16]


def authority(settings: Broker) -> Path | None:
    """The certificate authority that the broker's certificate is checked against; None: no TLS."""
    if settings.ca_file is not None:
        return settings.ca_file
    return None if settings.credentials is None else settings.credentials / AUTHORITY


def refuse_misfit(folder: Path) -> None:
    """Raise ConfigError when the broker's certificate and key cannot be used, or are not of one another."""
    certificate, key = folder / CERTIFICATE, folder / KEY
    try:
        # An empty password, so that nobody is asked for one at a terminal.
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, password="")
    except OSError as error:  # what ssl raises included
        reason = getattr(error, "reason", None)
        why = (
            "the key is not that of the certificate"
            if reason == "KEY_VALUES_MISMATCH"
            else reason or error.strerror or str(error)
        )
        raise ConfigError(
            f"broker.credentials: {certificate} and {key} cannot be used together: {why}: bring back the two that belong"
            " together, or run `broker-bridge secure CONFIG`, which makes new ones"
        ) from error


def read_access(folder: Path) -> list[Access]:
    """The access list. Raises ConfigError when it is not there or not to be read."""
    path = folder / ACCESS
    try:
        return [
            Access(one["login"], tuple(one["publish"]), tuple(one["read"]))
            for one in json.loads(path.read_text(encoding="utf-8"))
        ]
    except FileNotFoundError:
        raise ConfigError(
            f"broker.credentials = {folder}: there is no access list: run `broker-bridge secure CONFIG` first"
        ) from None
    except (OSError, ValueError, TypeError, KeyError, RecursionError) as error:
        raise ConfigError(
            f"{path}: cannot be read: {error}; `broker-bridge secure` writes it anew"
        ) from error


def _password(file: Path | None, variable: str | None, key: str) -> str:
    if file is not None:
        return read_secret(file, f"{key}.password_file")
    if variable is None:
        raise ConfigError(f"{key}.username is set without password_file or password_env")
    if variable not in os.environ:
        raise ConfigError(f"{key}.password_env = {variable!r}: no such environment variable")
    return os.environ[variable]
