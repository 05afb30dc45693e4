"""Secrets in files: read only where others on the machine cannot, written for this user alone. Never shown."""

import os
import stat
from pathlib import Path
from typing import Final

from broker_bridge.errors import ConfigError
from broker_bridge.folders import sync_folder

_LARGEST: Final = 4096


def read_secret(path: Path, key: str) -> str:
    """The first line of a secret file. `key` names it in errors as the configuration does.

    Raises ConfigError when it cannot be read, is empty, or everybody on this machine may read it.
    """
    try:
        with path.open("rb") as file:
            refuse_open(os.fstat(file.fileno()).st_mode, path, key)
            raw = file.read(_LARGEST + 1)
        text = raw.decode("utf-8")
    except OSError as error:
        raise ConfigError(f"{key} = {path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError:
        raise ConfigError(f"{key} = {path}: is not UTF-8 text") from None  # the error would show its bytes
    lines = text.splitlines()
    if len(raw) > _LARGEST or len(lines) != 1 or not lines[0]:
        raise ConfigError(f"{key} = {path}: must hold one line, the secret itself; it holds {len(lines)}")
    return lines[0]


def refuse_open(mode: int, path: Path, key: str) -> None:
    """Raise ConfigError when everybody on this machine may read or write the file."""
    if stat.S_ISREG(mode) and mode & 0o007:
        raise ConfigError(
            f"{key} = {path}: everybody on this machine may use it (mode {stat.S_IMODE(mode):04o}): chmod 600 {path}"
        )


def write_secret(path: Path, text: str) -> None:
    """Write a file for this user alone, in one step, on the disk when this returns."""
    new = path.with_name(path.name + ".new")
    new.unlink(missing_ok=True)  # an old one might have a wider mode
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with open(descriptor, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
    sync_folder(path.parent)


def wide(path: Path) -> str | None:
    """How a file is open to others, in words; None when only its owner may use it, or it is not there."""
    try:
        mode = path.stat().st_mode
    except OSError:
        return None
    if not mode & 0o077:
        return None
    who = "everybody on this machine" if mode & 0o007 else f"the group {path.stat().st_gid}"
    return f"{who} may use {path} (mode {stat.S_IMODE(mode):04o})"
