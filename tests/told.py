"""Facts written short, for tests of the trace: legal by the schema's own models, numbered as they come."""

import asyncio
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import orjson

from broker_bridge.events.base import Board, Identifier, Origin
from broker_bridge.events.envelope import padded
from broker_bridge.events.fact import Fact
from broker_bridge.events.union import DATA_TYPES, EVENT_TYPES, dump_event, schema_uri
from broker_bridge.store.base import Arrival, StoreWriter
from broker_bridge.trace.history import AsOf, History, history, subjects
from broker_bridge.trace.mentions import Knot, Node
from broker_bridge.trace.revisions import holding

LINE = "/harbour/smt/line-1"
DAY = datetime(2026, 3, 2, tzinfo=UTC)


def at(clock: str, day: int = 0) -> datetime:
    """A time of the test day, or `day` days later: "10:00:05"."""
    hours, minutes, seconds = clock.split(":")
    return DAY + timedelta(days=day, hours=int(hours), minutes=int(minutes), seconds=float(seconds))


def name(kind: str, value: str, how: str = "read") -> Identifier:
    """An identifier."""
    return Identifier(kind=kind, value=value, how=how)  # type: ignore[arg-type]


def board(*values: str, panel: str | None = None, how: str = "read", **more: Any) -> Board:
    """A board by its serial, by other identifiers written kind=value, by panel and position, or by all of them."""
    identifiers = tuple(name(kind, text, how) for kind, text in (_kind(value, "board") for value in values))
    return Board(
        unit="board",
        identifiers=identifiers,
        panel=name(*_kind(panel, "panel"), how=how) if panel is not None else None,
        **more,
    )


def panel(*values: str, how: str = "read", **more: Any) -> Board:
    """A panel as a whole, by its serial or by identifiers written kind=value."""
    identifiers = tuple(name(kind, text, how) for kind, text in (_kind(value, "panel") for value in values))
    return Board(unit="panel", identifiers=identifiers, **more)


def _kind(value: str, default: str) -> tuple[str, str]:
    kind, equals, text = value.partition("=")
    return (kind, text) if equals else (default, value)


class Told:
    """Facts as sources tell them. Every `say` is a raw record of its own unless position and ordinal are given."""

    def __init__(self) -> None:
        self.facts: list[Fact] = []

    def say(
        self,
        type_name: str,
        time: datetime | str,
        *boards: Board,
        station: str | None = None,
        source: str | None = None,
        generation: str = "gen",
        position: int | None = None,
        ordinal: int = 0,
        revision: int = 1,
        events: int = 1,
        means: str | None = None,
        commit: int | None = None,
        flags: Sequence[str] = (),
        **data: Any,
    ) -> Fact:
        """One fact; `source` is the last level of the source's path, or the whole path."""
        said = DATA_TYPES[type_name].model_validate(
            {
                "station": station,
                "boards": boards,
                "origin": Origin(
                    adapter="test",
                    events=events,
                    time_means=means,
                    flags=tuple(flags),  # type: ignore[arg-type]
                ),
                **{key: at(value) if _is_clock(value) else value for key, value in data.items()},
            }
        )
        where = source or station or "adapter"
        number = len(self.facts) + 1
        fact = Fact(
            number,
            commit or number,
            where if where.startswith("/") else f"{LINE}/{where}",
            generation,
            number * 100 if position is None else position,
            ordinal,
            revision,
            type_name,
            _text(at(time) if isinstance(time, str) else time),
            orjson.loads(said.model_dump_json(exclude_none=True)),
        )
        self.facts.append(fact)
        return fact

    def passes(self, station: str, arrived: str, departed: str, *boards: Board, **more: Any) -> None:
        """A board comes into a station and leaves it again."""
        self.say("board.arrived", arrived, *boards, station=station, how="transferred", **more)
        self.say("board.departed", departed, *boards, station=station, how="transferred", **more)

    def inspects(
        self, station: str, started: str, ended: str, *boards: Board, outcome: str = "passed", **more: Any
    ) -> Fact:
        """An inspection."""
        more.setdefault("method", "optical")
        return self.say(
            "inspection.completed", ended, *boards, station=station, started=started, ended=ended,
            outcome=outcome, means="end", **more,
        )  # fmt: skip

    def history(self, value: str, kind: str = "board", **more: Any) -> History:
        """The history of the one thing that this names."""
        return history_of(self.facts, Node(kind, value), **more)


def history_of(facts: Iterable[Fact], asked: Knot, **more: Any) -> History:
    """The history of the one thing that this names, by all facts given."""
    found = subjects(holding(list(facts)), asked)
    assert len(found) == 1, [thing.thing.key for thing in found]
    return history(found[0], AS_OF, **more)


AS_OF = AsOf("record", 1, 0, 0)


def call(designator: str, label: str = "bridge", **more: Any) -> dict[str, Any]:
    """A call at a component."""
    termination = more.pop("termination", None)
    place = {"designator": designator} | ({"termination": termination} if termination else {})
    return {"place": place, "label": label, **more}


def verdict(designator: str, word: str, **more: Any) -> dict[str, Any]:
    """A verdict on a call at a component."""
    return {"place": {"designator": designator}, "verdict": word, **more}


def arrivals(facts: Iterable[Fact]) -> list[Arrival]:
    """The same facts as events on their way to a record."""
    given: dict[str, int] = {}
    result = []
    for fact in facts:
        given[fact.source] = given.get(fact.source, 0) + 1
        result.append(_arrival(fact, given[fact.source]))
    return result


async def record(store: StoreWriter, facts: Iterable[Fact]) -> None:
    """Commit facts to a record, those of one `commit` together."""
    batches: dict[int, list[Arrival]] = {}
    for fact, arrival in zip(facts, arrivals(facts), strict=True):
        batches.setdefault(fact.commit, []).append(arrival)
    for _, batch in sorted(batches.items()):
        await store.commit(batch)


def recorded(store: StoreWriter, facts: Sequence[Fact]) -> None:
    """The same, outside of an event loop."""
    asyncio.run(record(store, facts))


def _arrival(fact: Fact, sequence: int) -> Arrival:
    event = EVENT_TYPES[fact.type](
        id=fact.id,
        source=fact.source,
        type=fact.type,
        time=datetime.fromisoformat(fact.time),
        dataschema=schema_uri(fact.type),
        recordedtime=datetime.fromisoformat(fact.time),
        sequence=padded(sequence),
        epoch=padded(1),
        data=DATA_TYPES[fact.type].model_validate_json(orjson.dumps(fact.data)),
    )
    return Arrival(event, dump_event(event))


def _is_clock(value: object) -> bool:
    return isinstance(value, str) and len(value) == 8 and value[2] == value[5] == ":"


def _text(time: datetime) -> str:
    return time.isoformat().removesuffix("+00:00") + "Z"
