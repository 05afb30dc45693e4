"""Whether what the embedded broker kept on disk may be used: not when the machine went down under it.

The program syncs its files seldom. After a power cut parts of its store are older than others, and it then goes on with
what it finds: clients connect, publishes are acknowledged, nothing is delivered. Queues and sessions there only spare
sending again; outboxes and receipts hold what counts. So a store that was in use when the machine went down is thrown
away. A killed process is no such end: what it wrote is with the system.

The same when a login is gone or has another password: its client comes with another client id then, if ever, and what the
program keeps for the old one it would keep for ever.
"""

import hashlib
import json
import os
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from broker_bridge.folders import sync_folder

BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")
"""Another one after each start of the machine (random(4)); absent where the system has none."""
_MARK: Final = "in-use"
_LOGINS: Final = "logins.json"
_KEPT: Final = "jetstream"
_CLEAN: Final = "closed in order"


def begin(store: Path, passwords: Mapping[str, str] | None = None) -> str:
    """Call before the program starts; why what it had kept was thrown away, "" when it was not. Raises OSError.

    `passwords`: of the logins that have client ids of their own.
    """
    boot = _boot()
    logins = {
        login: hashlib.sha256(password.encode()).hexdigest() for login, password in (passwords or {}).items()
    }
    known = _known(store / _LOGINS)
    why = ""
    if _read(store / _MARK) not in (_CLEAN, boot):
        why = "the machine went down under the broker"
    elif (known is None and logins) or any(
        logins.get(login) != digest for login, digest in (known or {}).items()
    ):
        why = "a login is gone or has another password"
    if not (store / _KEPT).is_dir():
        why = ""
    if why:
        shutil.rmtree(store / _KEPT)
    if logins != (known or {}):
        _replace(store, _LOGINS, json.dumps(logins))
    _replace(store, _MARK, boot)
    return why


def end(store: Path) -> None:
    """Call after the program ended in order: what it wrote goes to the disk. Raises OSError."""
    for folder, _, names in os.walk(store / _KEPT):
        for name in names:
            handle = os.open(Path(folder) / name, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        sync_folder(Path(folder))
    _replace(store, _MARK, _CLEAN)


def _boot() -> str:
    try:
        return BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


def _read(mark: Path) -> str | None:
    try:
        return mark.read_text(encoding="ascii", errors="replace").strip()
    except FileNotFoundError:
        return None


def _known(path: Path) -> dict[str, str] | None:
    """Logins as they were noted; what cannot be read is another login than any."""
    text = _read(path)
    if text is None:
        return None
    try:
        return {str(login): str(digest) for login, digest in json.loads(text).items()}
    except (ValueError, AttributeError, RecursionError):
        return {"": ""}


def _replace(store: Path, name: str, text: str) -> None:
    new = store / f"{name}.new"
    with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="ascii") as file:
        file.write(text + "\n")
        file.flush()
        os.fsync(file.fileno())
    new.replace(store / name)
    sync_folder(store)
