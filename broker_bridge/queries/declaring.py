"""Master data on its way into the record: read, compared with what was declared before, asked of the edge."""

import asyncio
import base64
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING, NamedTuple

from broker_bridge.errors import BusUnavailable, ConfigError, MappingError, NotFound, UsageError

if TYPE_CHECKING:
    from broker_bridge.config import Settings


class Change(NamedTuple):
    """What one declaration of a file does."""

    file: str
    told: str
    """Of what, which aspect, from when."""
    entries: int
    what: str
    """new, changed or unchanged"""
    revision: int


def declare(
    settings: "Settings",
    name: str,
    content: bytes,
    *,
    valid_from: str | None = None,
    adapter: str | None = None,
    dry_run: bool = False,
    patience: float = 20.0,
) -> list[Change]:
    """Put the declarations of a file into the outbox of this machine's edge; the same file again changes nothing.

    `dry_run`: only tell what would change. `patience`: seconds to wait for the edge. Raises UsageError with every mistake in
    the file, ConfigError without an adapter for it, BusUnavailable when no edge runs or answers: nothing was written.
    """
    from broker_bridge.adapters.declarations.adapter import KEPT, changes
    from broker_bridge.adapters.declarations.mapping import read
    from broker_bridge.edge.survey import in_use, kept

    source = _source(settings, adapter)
    try:
        found = read(name, content, valid_from)
    except MappingError as error:
        raise UsageError(str(error)) from None
    outbox = settings.edge.outbox
    try:
        before = kept(outbox, source, KEPT)
    except NotFound:
        before = {}
    told = [
        Change(name, one.one.told, one.one.size, one.what, one.revision) for one in changes(found, before)
    ]
    if dry_run or all(one.what == "unchanged" for one in told):
        return told
    if not in_use(outbox):
        raise BusUnavailable(
            f"no edge runs on this machine ({outbox} is held by nobody): nothing was written. Start it with"
            " `broker-bridge run`, or declare it where it runs"
        )
    outcome = _ask(settings, source, name, content, valid_from, patience)
    if not outcome.startswith("taken: "):
        raise UsageError(outcome)
    return told


def _source(settings: "Settings", name: str | None) -> str:
    from broker_bridge.config import DeclarationsAdapter

    found = [a for a in settings.adapters if isinstance(a, DeclarationsAdapter) and name in (None, a.name)]
    if not found:
        raise ConfigError(
            "the configuration has no adapter for master data"
            + (f" that is called {name!r}" if name else "")
            + '; add [[adapters]] with kind = "declarations", name, area and line'
        )
    if len(found) > 1:
        raise UsageError(f"for which line? --adapter {' or '.join(one.name for one in found)}")
    return settings.source(found[0])


def _ask(
    settings: "Settings", source: str, name: str, content: bytes, valid_from: str | None, patience: float
) -> str:
    from broker_bridge.adapters.declarations.adapter import ACTION
    from broker_bridge.edge import requests

    outbox = settings.edge.outbox
    arguments = {
        "name": name,
        "content": base64.b64encode(content).decode("ascii"),
        "valid_from": valid_from or "",
    }
    number = asyncio.run(requests.ask(outbox, source, ACTION, arguments, datetime.now(UTC)))
    end = time.monotonic() + patience
    while (outcome := requests.outcome(outbox, number)) is None and time.monotonic() < end:
        time.sleep(0.1)
    if outcome is None and asyncio.run(requests.withdraw(outbox, number, datetime.now(UTC))):
        raise BusUnavailable(
            f"the edge did not answer within {patience:g} s: the request was withdrawn; try again"
        )
    return outcome or requests.outcome(outbox, number) or "no answer"
