"""The broker, and what the roles say of themselves there."""

import asyncio
import os
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from broker_bridge.bootstrap import connect
from broker_bridge.bus.broker import frozen_program
from broker_bridge.bus.mqtt import Client
from broker_bridge.bus.topics import Topics
from broker_bridge.bus.wire import (
    EdgeState,
    RecordState,
    SourceState,
    parse_edge_state,
    parse_record_state,
    parse_source_state,
)
from broker_bridge.config import Settings
from broker_bridge.edge.survey import holder
from broker_bridge.errors import BusUnavailable, WireError
from broker_bridge.health.finding import Finding, ago

REACH_S: Final = 5.0
LISTEN_S: Final = 1.0
"""Retained messages come at once; a second of silence means that was all."""
SILENT_S: Final = 45.0
"""States are told every ten seconds: four beats missed."""


State = SourceState | EdgeState | RecordState

_PARSERS: Final[dict[str, Callable[[bytes], State]]] = {
    "source": parse_source_state,
    "edge": parse_edge_state,
    "record": parse_record_state,
}


async def bus(settings: Settings) -> list[Finding]:
    """Whether the broker can be reached and who has spoken lately."""
    topics = Topics(settings.plant.topic_root)
    try:
        async with asyncio.timeout(REACH_S):
            client = await connect(
                settings,
                client_id=f"{settings.plant.site}-check-{os.getpid()}",
                filters=[topics.all_states()],
                clean=True,
            )
    except TimeoutError:
        return [_gone(settings, "the embedded broker has not said where it listens")]
    async with client:
        try:
            async with asyncio.timeout(REACH_S):
                await client.wait_connected()
        except (TimeoutError, BusUnavailable):
            return [_gone(settings, client.trouble, refused=client.refused)]
        where = f"{client.host}:{client.port}"
        states = await _retained(client, topics)
    return [Finding("broker", "fine", f"{where} answers"), *told(settings, states)]


def _gone(settings: Settings, reason: str, *, refused: bool = False) -> Finding:
    """`refused`: it answers, and the reason says what to do."""
    program = frozen_program(settings.broker) if settings.broker.kind == "embedded" else None
    if refused:
        advice = ""
    elif program is not None:
        advice = f"it runs and does not answer: end process {program} (`kill -9 {program}`), its role starts it again; "
    else:
        advice = "start it (role broker), or correct [broker]; "
    return Finding(
        "broker", "unreachable", reason, f"{advice}meanwhile events wait in the outbox, none is lost"
    )


async def _retained(client: Client, topics: Topics) -> list[State]:
    states: list[State] = []
    while (message := await client.next(LISTEN_S)) is not None:
        client.ack([message])
        address = topics.read(message.topic)
        if address is None or not message.retain:
            continue
        parse = _PARSERS.get(address.rest[0]) if address.rest else None
        try:
            if parse is not None:
                states.append(parse(message.payload))
        except WireError:
            continue
    return states


def told(settings: Settings, states: Sequence[State]) -> Iterator[Finding]:
    """What the roles say of themselves, and who is silent."""
    now = datetime.now(UTC)
    sources = {state.source: state for state in states if isinstance(state, SourceState)}
    for config in settings.adapters:
        source = settings.source(config)
        if source not in sources:
            yield Finding(source, "notice", "has never spoken on this broker", "start the role edge")
    edge_runs = _process("edge", settings.edge.outbox)
    for state in states:
        age = (now - state.issued).total_seconds()
        match state:
            case SourceState():
                yield from _source(state, age, edge_runs if state.edge == settings.edge.name else "")
            case EdgeState():
                gone = not state.alive or age > SILENT_S
                runs = edge_runs if state.edge == settings.edge.name else ""
                text = f"silent for {ago(age)}" if gone else "alive"
                yield Finding(
                    f"edge {state.edge}",
                    "problem" if gone or state.alarms else "fine",
                    "; ".join((text, *state.alarms)),
                    f"{runs or 'start the role edge on its machine'}; files wait, live machines are not heard"
                    if gone
                    else "",
                )
            case RecordState():
                gone = state.condition == "gone" or age > SILENT_S
                runs = (
                    _process("recorder", settings.record.path) if state.record == settings.record.name else ""
                )
                text = f"{state.events:,} events, commit {state.commit}" + (
                    f"; silent for {ago(age)}" if gone else ""
                )
                yield Finding(
                    f"record {state.record}",
                    "problem" if gone or state.alarms or state.condition == "waiting" else "fine",
                    "; ".join(
                        part for part in (text, "" if runs and gone else state.detail, *state.alarms) if part
                    ),
                    f"{runs or 'start the role recorder'}; events wait in the outboxes meanwhile"
                    if gone
                    else "",
                )
        if age < -5:
            yield Finding(
                "clocks",
                "notice",
                f"a role's clock is {ago(-age)} ahead of this machine's",
                "synchronise the clocks",
            )


def _process(role: str, path: Path) -> str:
    """What to do about a role that is silent although its process holds the database at `path`; empty when none does."""
    process = holder(path)
    if process is None:
        return ""
    return f"it runs and does not answer: end process {process} (`kill -9 {process}`) and start the role {role} again"


def _source(state: SourceState, age: float, edge_runs: str) -> Iterator[Finding]:
    text = f"{state.condition}{': ' if state.detail else ''}{state.detail}; {state.backlog:,} events wait for the record"
    if age > SILENT_S:
        yield Finding(
            state.source, "problem", f"silent for {ago(age)}; then: {text}", edge_runs or "look at its edge"
        )
    elif state.alarms or state.condition in ("refused", "failed"):
        yield Finding(state.source, "problem", "; ".join((text, *state.alarms)), "see the text")
    else:
        yield Finding(state.source, "fine", text)
