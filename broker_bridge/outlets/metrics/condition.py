"""Whether this process can do its work now, and if not, why: from what its roles keep on disk."""

import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from typing import Final

from broker_bridge.config import Settings
from broker_bridge.edge.survey import holdings
from broker_bridge.errors import BridgeError, NotFound
from broker_bridge.outlets.cursor import standing
from broker_bridge.projector.index import Index
from broker_bridge.projector.schema import index_path
from broker_bridge.store.sqlite_reader import SqliteReader

LATE_S: Final = 60.0
"""An event that has waited so long for the record is not on its way, it is stuck."""
BEHIND: Final = 1000
"""Events that the index may be behind while it catches up."""


def problems(settings: Settings, roles: Sequence[str], started: Sequence[str]) -> list[str]:
    """A sentence for everything that keeps these roles from their work; none when all is well."""
    found = [f"{role} has not started" for role in roles if role not in started]
    checks = {"edge": _edge, "recorder": _recorder, "projector": _projector, "outlets": _outlets}
    for role in started:
        if role in checks:
            try:
                found += checks[role](settings)
            except (BridgeError, OSError) as error:
                found.append(f"{role}: {error}")
    return found


def _edge(settings: Settings) -> Iterator[str]:
    now = time.time()
    for one in holdings(settings.edge.outbox):
        waited = 0.0 if one.oldest_ms is None else now - one.oldest_ms / 1000
        if waited > LATE_S:
            yield f"edge: {one.backlog:,} events of {one.source} are not in the record, the oldest since {waited:.0f} s"


def _recorder(settings: Settings) -> Iterator[str]:
    with closing(SqliteReader(settings.record.path)) as reader:
        reader.head()
    yield from ()


def _projector(settings: Settings) -> Iterator[str]:
    try:
        with closing(SqliteReader(settings.record.path)) as reader:
            number = reader.head().number
    except NotFound:
        return
    with closing(Index(index_path(settings.record.path))) as index:
        behind = number - index.cursor().number
    if behind > BEHIND:
        yield f"projector: the index is {behind:,} events behind"


def _outlets(settings: Settings) -> Iterator[str]:
    for config in settings.outlets:
        try:
            there = standing(settings.position(config))
        except NotFound:
            continue  # it waits for the record
        if there.condition in ("stopped", "failed", "waiting"):
            yield f"outlet {config.name} is {there.condition}: {there.detail}"
