"""Who is gone or in trouble: the broker, edges, records, sources. Each said in a sentence.

A last will tells that an edge is gone, not when: it was written when the edge connected. So "since when" is
always the last sign of life.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, NamedTuple

from broker_bridge.bus.wire import EdgeState, RecordState, SourceState
from broker_bridge.live.clock import Clock
from broker_bridge.live.plain import clean

State = SourceState | EdgeState | RecordState

SILENT: Final = timedelta(seconds=45)
"""States are told every ten seconds: four beats missed."""
BEHIND: Final = 200
"""From this many waiting events on a source counts as behind; below, they are on their way."""

WELL: Final = frozenset({"reading", "idle", "starting", "connected", "listening", ""})
"""Conditions that need nobody."""
_REFUSING: Final = frozenset({"refused", "failed"})
_NUMBER: Final = re.compile(r"\d[\d.,:]*")


class Bus(NamedTuple):
    """Our own connection to the broker."""

    address: str
    connected: bool
    since: datetime
    """Since when it is so."""
    trouble: str
    """What a person should know and do, in the client's words."""


class Trouble(NamedTuple):
    """Something that a person should know."""

    subject: str
    what: str
    """What is wrong, in words that stay the same as long as it is."""
    text: str
    """The same as a sentence, with since when."""
    grave: bool
    """False: it may mend itself."""


class SourceNow(NamedTuple):
    """How a source is."""

    source: str
    condition: str
    detail: str
    since: datetime | None
    """Since when it has told this condition; None where the change was not heard here."""
    backlog: int
    """Events held at the edge that no record has yet."""
    edge: str
    told: datetime
    alarms: tuple[str, ...]


@dataclass
class _Heard:
    state: State
    heard: datetime
    """By our clock; for a message that the broker had kept, when it was issued."""
    since: datetime | None
    """When it began to say what it says; None where that was before anything was heard."""


class Hearing:
    """Takes states in any order; the newest of each subject counts."""

    def __init__(self) -> None:
        self._heard: dict[tuple[str, str], _Heard] = {}

    def take(self, state: State, now: datetime, *, live: bool) -> bool:
        """Take a state; False when a newer one is known. `live` is false for the broker's kept copy."""
        subject = _subject(state)
        known = self._heard.get(subject)
        if known is not None and state.issued < known.state.issued:
            # The will of an edge is as old as its connection, and yet the newest that can be said of it.
            if not (isinstance(state, EdgeState) and not state.alive and live):
                return False
            state = state.model_copy(update={"issued": known.state.issued})
        same = known is not None and _condition(known.state) == _condition(state)
        self._heard[subject] = _Heard(
            state,
            heard=now if live else min(now, state.issued),
            since=None if known is None else known.since if same else state.issued,
        )
        return True

    def sources(self) -> tuple[SourceNow, ...]:
        """How every source is, by name."""
        return tuple(
            SourceNow(
                state.source, clean(state.condition), clean(state.detail), heard.since, state.backlog, state.edge,
                state.issued, tuple(map(clean, state.alarms)),
            )
            for (kind, _), heard in sorted(self._heard.items())
            if kind == "source" and isinstance(state := heard.state, SourceState)
        )  # fmt: skip

    def troubles(self, bus: Bus, clock: Clock) -> tuple[Trouble, ...]:
        """What a person should know, the worst first. Without a broker nothing is said of those behind it."""
        if not bus.connected:
            return (_no_broker(bus, clock),)
        found = [Trouble("broker", clean(bus.trouble), clean(bus.trouble), True)] if bus.trouble else []
        gone: set[str] = set()
        for (kind, name), heard in sorted(self._heard.items()):
            if kind == "edge" and isinstance(heard.state, EdgeState):
                told = self._edge(name, heard.state, bus, clock)
                if not heard.state.alive:
                    gone.add(name)
                found += told
        for (kind, name), heard in sorted(self._heard.items()):
            if kind == "record" and isinstance(heard.state, RecordState):
                found += _record(name, heard, bus, clock)
        for source in self.sources():
            found += _source(source, clock, edge_gone=source.edge in gone)
        return tuple(sorted(found, key=lambda trouble: not trouble.grave))

    def _edge(self, name: str, state: EdgeState, bus: Bus, clock: Clock) -> list[Trouble]:
        life = self._last_sign(name)
        if not state.alive:
            text = (
                f"edge {name} is gone, last sign of life {clock.time(life)} ({clock.age(life)} ago): "
                "files wait, live machines are not heard; start it on its machine"
            )
            return [Trouble(f"edge {name}", "gone", text, True)]
        if clock.now - max(life, bus.since) > SILENT:  # after a connection, a beat may be on its way
            text = f"edge {name} is silent since {clock.time(life)}: nothing is heard of its machines"
            return [Trouble(f"edge {name}", "silent", text, True)]
        return [_alarm(f"edge {name}", alarm) for alarm in state.alarms]

    def _last_sign(self, edge: str) -> datetime:
        """When the edge itself spoke last, of itself or of one of its sources."""
        return max(
            heard.state.issued
            if isinstance(heard.state, EdgeState) and not heard.state.alive
            else heard.heard
            for heard in self._heard.values()
            if isinstance(heard.state, SourceState | EdgeState) and heard.state.edge == edge
        )


def _no_broker(bus: Bus, clock: Clock) -> Trouble:
    where = f"broker {bus.address}" if bus.address else "the broker"
    return Trouble(
        "broker",
        "not reached",
        f"{where} is not reached since {clock.time(bus.since)} ({clock.age(bus.since)}): what is shown is the last "
        f"known; trying again by itself. {clean(bus.trouble)}".rstrip(),
        True,
    )


def _record(name: str, heard: _Heard, bus: Bus, clock: Clock) -> Iterator[Trouble]:
    state = heard.state
    assert isinstance(state, RecordState)
    subject = f"record {name}"
    silent = clock.now - max(heard.heard, bus.since) > SILENT
    if state.condition == "gone" or silent:
        word = "gone" if state.condition == "gone" else "silent"
        text = (
            f"{subject} is {word}, last sign of life {clock.time(state.issued)}: events wait at the edges; "
            "start the role recorder"
        )
        yield Trouble(subject, word, text, True)
    elif state.condition == "waiting":
        text = f"{subject} waits{_since(heard.since, clock)}: {clean(state.detail)}"
        yield Trouble(subject, "waits", text, True)
    for alarm in state.alarms:
        yield _alarm(subject, alarm)


def _source(source: SourceNow, clock: Clock, *, edge_gone: bool) -> Iterator[Trouble]:
    name = source.source.rpartition("/")[2]
    for alarm in source.alarms:
        yield _alarm(name, alarm)
    if edge_gone:
        return
    if source.condition not in WELL:
        detail = f": {source.detail}" if source.detail else ""
        text = f"{name} is {source.condition}{_since(source.since, clock)}{detail}"
        yield Trouble(name, source.condition, text, source.condition in _REFUSING)
    if source.backlog >= BEHIND:
        text = f"{name}: {source.backlog:,} events wait at the edge for the record"
        yield Trouble(name, "behind", text, False)


def _since(since: datetime | None, clock: Clock) -> str:
    return f" since {clock.time(since)}" if since is not None else ""


def _alarm(subject: str, alarm: str) -> Trouble:
    text = clean(alarm)
    return Trouble(subject, _NUMBER.sub("…", text), f"{subject}: {text}", True)


def _subject(state: State) -> tuple[str, str]:
    if isinstance(state, SourceState):
        return "source", state.source
    if isinstance(state, EdgeState):
        return "edge", state.edge
    return "record", state.record


def _condition(state: State) -> object:
    if isinstance(state, EdgeState):
        return state.alive
    return state.condition
