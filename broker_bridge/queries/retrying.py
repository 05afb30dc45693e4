"""Asks an edge of this machine to read rejected records again, with its mapping as it is now."""

import asyncio
import time
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, NamedTuple

from broker_bridge.errors import UsageError
from broker_bridge.queries.acting import pseudonym, reason
from broker_bridge.queries.quarantine import one
from broker_bridge.queries.record import Record

if TYPE_CHECKING:
    from broker_bridge.config import Settings

Wanted = Sequence[tuple[str, Mapping[str, str]]]
"""Sources, and what each is to read again."""


class Answer(NamedTuple):
    """What the edge said."""

    source: str
    asked: Mapping[str, str]
    outcome: str | None
    """None: it did not answer in time; it does when it runs."""
    who: str | None = None
    """Pseudonym of who asked; None: not told."""
    why: str | None = None

    @property
    def done(self) -> bool:
        """Whether it was read again; what of it is still rejected stays in quarantine."""
        return self.outcome is not None and not self.outcome.startswith("refused")


def of_keys(record: Record, keys: Sequence[str]) -> Wanted:
    """The records that some keys of the quarantine stand for. Raises UsageError, NotFound."""
    if not keys:
        raise UsageError("retry what? give keys as the quarantine shows them, or all of a source")
    wanted: list[tuple[str, Mapping[str, str]]] = []
    for key in keys:
        item = one(record, key)
        if item.generation is None:
            raise UsageError(
                f"{key} is a payload of the bus: the recorder tries it again by itself after an upgrade"
            )
        request = (item.source, {"generation": item.generation})
        if request not in wanted:
            wanted.append(request)
    return wanted


def of_source(source: str | None) -> Wanted:
    """Everything of a source. Raises UsageError."""
    if source is None:
        raise UsageError("a retry of all needs its source, /site/area/line/adapter")
    return [(source, {"all": "yes"})]


def retry(
    settings: "Settings", wanted: Wanted, patience: float, *, who: str | None = None, why: str | None = None
) -> list[Answer]:
    """Ask, and wait so many seconds for an edge that runs; without one the request waits in the outbox.

    `who` and `why` are kept with the request, the name as a pseudonym. Raises UsageError for a source that is none here and a
    reason that is none.
    """
    from broker_bridge.edge import requests
    from broker_bridge.edge.survey import in_use

    known = {settings.source(adapter) for adapter in settings.adapters}
    for source, _ in wanted:
        if source not in known:
            raise UsageError(
                f"{source} is no source of this configuration; it has {', '.join(sorted(known))}"
            )
    outbox = settings.edge.outbox
    why = None if why is None else reason(why)
    who = None if who is None else pseudonym(settings, who)
    by = {name: value for name, value in (("who", who), ("why", why)) if value is not None}

    async def ask_all() -> list[int]:
        now = datetime.now(UTC)
        return [await requests.ask(outbox, source, "retry", {**what, **by}, now) for source, what in wanted]

    numbers = asyncio.run(ask_all())
    end = time.monotonic() + (patience if in_use(outbox) else 0.0)
    while True:
        outcomes = [requests.outcome(outbox, number) for number in numbers]
        if None not in outcomes or time.monotonic() > end:
            return [
                Answer(source, what, outcome, who, why)
                for (source, what), outcome in zip(wanted, outcomes, strict=True)
            ]
        time.sleep(0.2)
