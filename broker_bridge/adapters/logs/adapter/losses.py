"""The gaps of logs that grow: what was cut away, and what may be a log of its own or a copy. Pure."""

import hashlib
from datetime import datetime

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.logs.adapter.log_state import LogState
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.events.base import Origin
from broker_bridge.events.source import SourceGap


def cut(
    mapping: Compiled, state: LogState, why: str, now: datetime, *, adapter: str, station: str | None = None
) -> Taking:
    """The gap of a log that was cut, replaced or deleted: from the last look that saw all of it until now."""
    start = datetime.fromisoformat(state.looked) if state.looked else None
    data = SourceGap(
        station=station,
        cause="truncated",
        start=start,
        end=now,
        detail=f"{state.name}: {why}; it was read up to byte {state.size}, what may have stood behind is lost",
        origin=Origin(adapter=adapter, time_means="taken_in"),
    )
    return Taking(
        f"cut-{state.generation}", int(now.timestamp() * 1000), mapping.revision, (Statement(data, now),)
    )


def doubtful(
    mapping: Compiled,
    rival: LogState,
    digest: str,
    name: str,
    before: str,
    now: datetime,
    *,
    adapter: str,
    station: str | None = None,
) -> Taking:
    """The gap of a file that is word for word the beginning of a known log: a copy of it, or records of its own."""
    data = SourceGap(
        station=station,
        cause="other",
        start=datetime.fromisoformat(before) if before else None,
        end=now,
        detail=f"{name} holds the first bytes of {rival.name} and nothing else: a copy of it, or a log of its own"
        " with the same first records; nothing was read of it",
        origin=Origin(adapter=adapter, time_means="taken_in"),
    )
    about = hashlib.sha256(f"{digest} {name}".encode()).hexdigest()[:32]
    return Taking(f"doubt-{about}", int(now.timestamp() * 1000), mapping.revision, (Statement(data, now),))
