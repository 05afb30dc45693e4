"""What would keep a way out, or a listener, from starting: told by `check`, and by `run` before anything starts."""

import socket
import ssl
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from broker_bridge.bootstrap import service
from broker_bridge.config import AnyOutlet, CfxAdapter, Settings, TablesOutlet
from broker_bridge.edge.survey import in_use
from broker_bridge.errors import ConfigError, UsageError
from broker_bridge.health.finding import Finding
from broker_bridge.outlets.registry import build

_TRIED_AGAIN: Final = "mend it: it is tried again every minute, and what else this process runs goes on"


def hindrances(settings: Settings, roles: Sequence[str]) -> Iterator[Finding]:
    """Problems only: outlets, pages, figures and listeners that cannot start as configured."""
    if "outlets" in roles:
        for config in settings.outlets:
            yield from _outlet(settings, config)
    if "web" in roles:
        yield from _web(settings)
    # Ports that a running plant holds are its own.
    running = any(
        in_use(path) for path in (settings.edge.outbox, settings.record.path, *map(settings.position, settings.outlets))
    )  # fmt: skip
    if not running:
        yield from _ports(settings, roles)


def _outlet(settings: Settings, config: AnyOutlet) -> Iterator[Finding]:
    subject = f"outlet {config.name}"
    try:
        build(settings, config)
    except (ConfigError, UsageError) as error:
        yield Finding(subject, "problem", f"cannot start: {error}", _TRIED_AGAIN)
    folders = [settings.position(config).parent]
    if isinstance(config, TablesOutlet):
        folders.append(config.folder)
    for folder in folders:
        if why := _unwritable(folder):
            advice = "make the folder, or give this user the right to write: the outlet waits until then"
            yield Finding(subject, "problem", f"folder {folder} cannot be written: {why}", advice)


def _web(settings: Settings) -> Iterator[Finding]:
    web = settings.web
    try:
        service()
        from broker_bridge.web.server import check

        check(web, web.tokens)
        if web.cert_file is not None and web.key_file is not None:
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(web.cert_file, web.key_file)
    except ConfigError as error:
        yield Finding("web", "problem", f"cannot start: {error}", _TRIED_AGAIN)
    except OSError as error:  # what ssl raises included
        text = f"cannot start: [web] cert_file = {web.cert_file}, key_file = {web.key_file}: {error.strerror or error}"
        yield Finding("web", "problem", text, _TRIED_AGAIN)


def _ports(settings: Settings, roles: Sequence[str]) -> Iterator[Finding]:
    wanted: list[tuple[str, str, str, int]] = []
    if "web" in roles:
        wanted.append(("web", "[web] port", settings.web.host, settings.web.port))
    if settings.metrics is not None:
        wanted.append(("metrics", "[metrics] port", settings.metrics.host, settings.metrics.port))
    if "edge" in roles:
        wanted += [
            (settings.source(one), "listen.port", one.listen.host, one.listen.port)
            for one in settings.adapters
            if isinstance(one, CfxAdapter) and one.listen is not None
        ]
    for subject, key, host, port in wanted:
        if why := _taken(host, port):
            text = f"cannot listen at {host}, port {port}: {why}"
            advice = f"stop the program that has it (`ss -ltnp` names it), or choose another {key}; it is tried again"
            yield Finding(subject, "problem", text, advice)


def _unwritable(folder: Path) -> str | None:
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    try:
        with tempfile.TemporaryFile(dir=folder):
            return None
    except OSError as error:
        return error.strerror or str(error)


def _taken(host: str, port: int) -> str | None:
    if port == 0:
        return None
    try:
        with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((host, port))
            return None
    except OSError as error:
        return error.strerror or str(error)
