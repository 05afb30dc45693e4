"""Configuration, folders, disks."""

import errno
import os
import shutil
import tempfile
import time
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Final

from broker_bridge.adapters.logs import load_mapping
from broker_bridge.adapters.logs.adapter.companions import CompanionFolder
from broker_bridge.adapters.logs.adapter.folder import Folder
from broker_bridge.adapters.logs.adapter.folder_adapter import refuse_changed
from broker_bridge.adapters.logs.adapter.ledger import MAPPINGS
from broker_bridge.adapters.logs.adapter.reading import shown
from broker_bridge.adapters.registry import build_one
from broker_bridge.config import FilesAdapter, Settings
from broker_bridge.db import file_system
from broker_bridge.edge.survey import kept
from broker_bridge.errors import BridgeError, ConfigError, SourceUnavailable, UsageError
from broker_bridge.health.finding import Finding
from broker_bridge.words.telling import safe

_LOW_BYTES: Final = 2 * 10**9
_SLOW_FLUSH_S: Final = 0.1
_FLUSHES: Final = 5
_NAMED: Final = 5
"""Names of entries that are told; of the others their number is."""

_ROOM: Final = "make room: beyond the last byte files wait and live events are lost"
_REMEDIES: Final = {
    errno.ENOSPC: _ROOM,
    errno.EDQUOT: _ROOM,
    errno.EROFS: "find out why it is read-only (an error on the disk, as a rule), then mount it for writing; roles go on by themselves",
    errno.EACCES: "give this user the right to write",
    errno.EPERM: "give this user the right to write",
    0: "look at the disk itself and at the system's log",
}


def adapters(settings: Settings) -> Iterator[Finding]:
    """Whether every adapter could start as configured, and reaches its folder."""
    for config in settings.adapters:
        source = settings.source(config)
        try:
            build_one(settings, config)
            if isinstance(config, FilesAdapter):
                _same_mapping(settings, config)
        except UsageError as error:  # an extra that is not installed
            yield Finding(
                source, "problem", str(error), "install it; the role edge does not start until then"
            )
            continue
        except ConfigError as error:
            yield Finding(source, "problem", str(error), "mend the file named; nothing starts until then")
            continue
        if isinstance(config, FilesAdapter):
            yield from _folder(source, config)
        else:
            yield Finding(source, "fine", "configuration and mapping can be used")


def _same_mapping(settings: Settings, config: FilesAdapter) -> None:
    """Raise ConfigError when the mapping was changed since the edge used it, and its revision was not raised."""
    mapping = load_mapping(config.mapping)
    try:
        known = kept(settings.edge.outbox, settings.source(config), f"{MAPPINGS}{mapping.revision}")
    except BridgeError:
        return  # no outbox yet, or one that `outbox` tells about
    for key, value in known.items():
        if key == f"{MAPPINGS}{mapping.revision}":
            refuse_changed(mapping, value, config.mapping)


def _folder(source: str, config: FilesAdapter) -> Iterator[Finding]:
    folder = Folder(config.folder, config.pattern, config.done_marker)
    try:
        listing = folder.list()
    except SourceUnavailable as error:
        yield Finding(
            source,
            "unreachable",
            f"folder {error}",
            "make the folder, mount the share, or give this user the right to read it",
        )
        return
    CompanionFolder(load_mapping(config.mapping), folder, 0).take_out(listing)
    yield Finding(source, "fine", f"folder {config.folder} can be read, {len(listing.files)} files in it")
    if refused := listing.refused:
        what = "entry is a link, pipe or device and is" if len(refused) == 1 else "entries are links, pipes or devices and are"  # fmt: skip
        yield Finding(
            source,
            "notice",
            f"{len(refused)} {what} never opened: {_names(refused)}",
            "let the machine write plain files here, or take these away",
        )
    if others := listing.others:
        what = "file does not match" if len(others) == 1 else "files do not match"
        is_left = "is" if len(others) == 1 else "are"
        yield Finding(
            source,
            "notice",
            f"{len(others)} {what} {config.pattern!r} and {is_left} left alone: {_names(others)}",
            "if they should be read, state another `pattern`",
        )


def _names(names: Collection[str]) -> str:
    first = sorted(names)[:_NAMED]
    more = f" and {len(names) - len(first)} more" if len(names) > len(first) else ""
    return ", ".join(safe(shown(name)) for name in first) + more


def disks(settings: Settings) -> Iterator[Finding]:
    """Room and speed of the disks that outbox and record lie on."""
    for subject, path in (("outbox", settings.edge.outbox), ("record", settings.record.path)):
        folder = _existing(path.parent)
        free = shutil.disk_usage(folder).free
        kind = file_system(folder) or "unknown"
        text = f"{path}: {free / 1e9:.1f} GB free on a {kind} disk"
        try:
            flush = _flush_seconds(folder)
        except OSError as error:
            why = f"{text}, which cannot be written: {error.strerror}"
            yield Finding(subject, "problem", why, _REMEDIES.get(error.errno or 0, _REMEDIES[0]))
            continue
        if free < _LOW_BYTES:
            yield Finding(
                subject,
                "problem",
                text,
                _ROOM,
            )
        elif flush > _SLOW_FLUSH_S:
            yield Finding(
                subject,
                "notice",
                f"{text}; a flush takes {flush * 1000:.0f} ms",
                "a faster disk commits more often; nothing is lost by a slow one",
            )
        else:
            yield Finding(subject, "fine", f"{text}, a flush takes {flush * 1000:.1f} ms")


def _existing(folder: Path) -> Path:
    while not folder.exists():
        folder = folder.parent
    return folder


def _flush_seconds(folder: Path) -> float:
    with tempfile.TemporaryFile(dir=folder) as file:
        begun = time.perf_counter()
        for _ in range(_FLUSHES):
            file.write(b"x" * 4096)
            file.flush()
            os.fsync(file.fileno())
        return (time.perf_counter() - begun) / _FLUSHES
