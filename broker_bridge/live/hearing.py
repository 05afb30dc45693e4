"""Who is gone or in trouble: the broker, edges, records, sources. Each said in a sentence.

A last will tells that an edge is gone, not when: it was written when the edge connected. So "since when" is
always the last sign of life.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple

from broker_bridge.bus.wire import EdgeState, RecordState, SourceState
from broker_bridge.live.clock import Clock
from broker_bridge.live.plain import clean

State = SourceState | EdgeState | RecordState

SILENT: Final = timedelta(seconds=45)
"""States are told every ten seconds: four beats missed."""
_NEAR: Final = timedelta(minutes=5)
"""Clocks of an edge and of a recorder differ by less, or one of them is wrong; common practice, no source."""
BEHIND: Final = 200
"""From this many waiting events on a source counts as behind; below, they are on their way."""

WELL: Final = frozenset({"reading", "idle", "starting", "connected", "listening", ""})
"""Conditions that need nobody."""
_REFUSING: Final = frozenset({"refused", "failed"})
_NUMBER: Final = re.compile(r"\d[\d.,:]*")


class Bus(NamedTuple):
    """Our own connection to the broker; where the record's word stands in for it, `kept_by_the_record`."""

    address: str
    """Empty: states are those that the record kept."""
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
    heard: datetime
    """Its last word."""
    silent: bool
    """Its edge is gone, or nothing was heard of it for `SILENT`: the condition is what it was then."""


def kept_by_the_record() -> Bus:
    """Instead of a connection: the record tells at any moment what it holds, so that no beat may be on its way."""
    return Bus("", True, datetime.min.replace(tzinfo=UTC), "")


def last_word(issued: datetime, received: datetime) -> datetime:
    """When a kept state was heard: when it was received, unless it was issued long before, as a broker's kept copy is."""
    return received if abs(received - issued) <= _NEAR else min(received, issued)


def silence_words(condition: str, heard: datetime, clock: Clock) -> str:
    """What stands beside `silent`, on every screen."""
    return f"last word {clock.time(heard)} ({clock.age(heard)} ago): {condition or 'nothing said of itself'}"


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

    def sources(self, bus: Bus, clock: Clock) -> tuple[SourceNow, ...]:
        """How every source is, by name. Without a broker nobody is called silent."""
        gone = self._gone(bus, clock)
        return tuple(
            SourceNow(
                state.source, clean(state.condition), clean(state.detail), heard.since, state.backlog, state.edge,
                state.issued, tuple(map(clean, state.alarms)), heard.heard,
                state.edge in gone or (bus.connected and _long_ago(heard.heard, bus, clock)),
            )
            for (kind, _), heard in sorted(self._heard.items())
            if kind == "source" and isinstance(state := heard.state, SourceState)
        )  # fmt: skip

    def troubles(self, bus: Bus, clock: Clock) -> tuple[Trouble, ...]:
        """What a person should know, the worst first. Without a broker nothing is said of those behind it."""
        if not bus.connected:
            return (_no_broker(bus, clock),)
        found = [Trouble("broker", clean(bus.trouble), clean(bus.trouble), True)] if bus.trouble else []
        for name in self._edges():
            found += self._edge(name, self._said_of(name), bus, clock)
        for (kind, name), heard in sorted(self._heard.items()):
            if kind == "record" and isinstance(heard.state, RecordState):
                found += _record(name, heard, bus, clock)
        for source in self.sources(bus, clock):
            found += _source(source, clock)
        return tuple(sorted(found, key=lambda trouble: not trouble.grave))

    def _edges(self) -> list[str]:
        """The edges that were heard of, by themselves or by a source of theirs."""
        states = [heard.state for heard in self._heard.values()]
        return sorted({state.edge for state in states if isinstance(state, EdgeState | SourceState)} - {""})

    def _said_of(self, edge: str) -> EdgeState | None:
        heard = self._heard.get(("edge", edge))
        return heard.state if heard is not None and isinstance(heard.state, EdgeState) else None

    def _gone(self, bus: Bus, clock: Clock) -> set[str]:
        """The edges that are gone or silent."""
        return {
            name
            for name in self._edges()
            if bus.connected
            and (
                ((said := self._said_of(name)) is not None and not said.alive)
                or _long_ago(self._last_sign(name), bus, clock)
            )
        }

    def _edge(self, name: str, state: EdgeState | None, bus: Bus, clock: Clock) -> list[Trouble]:
        life = self._last_sign(name)
        if state is not None and not state.alive:
            text = (
                f"edge {name} is gone, last sign of life {clock.time(life)} ({clock.age(life)} ago): "
                "files wait, live machines are not heard; start it on its machine"
            )
            return [Trouble(f"edge {name}", "gone", text, True)]
        if _long_ago(life, bus, clock):
            text = f"edge {name} is silent since {clock.time(life)} ({clock.age(life)}): nothing is heard of its machines"
            if not bus.address:
                text += "; it is gone, or the broker or the recorder is"
            return [Trouble(f"edge {name}", "silent", text, True)]
        return [_alarm(f"edge {name}", alarm) for alarm in (state.alarms if state is not None else ())]

    def _last_sign(self, edge: str) -> datetime:
        """When the edge itself spoke last, of itself or of one of its sources."""
        return max(
            heard.state.issued
            if isinstance(heard.state, EdgeState) and not heard.state.alive
            else heard.heard
            for heard in self._heard.values()
            if isinstance(heard.state, SourceState | EdgeState) and heard.state.edge == edge
        )


def _long_ago(life: datetime, bus: Bus, clock: Clock) -> bool:
    """After a connection, a beat may be on its way."""
    return clock.now - max(life, bus.since) > SILENT


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


def _source(source: SourceNow, clock: Clock) -> Iterator[Trouble]:
    name = source.source.rpartition("/")[2]
    for alarm in source.alarms:
        yield _alarm(name, alarm)
    if source.silent:  # said of its edge; a source alone may have been taken out of the configuration
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
