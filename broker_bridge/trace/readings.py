"""Process values that were taken at a station while the board was there: oven zones, pressures, climate.

A reading names no board. It is joined to the visit whose time it falls into, as surely as that visit is known.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime

from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.gaps import Window
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.stays import Stay
from broker_bridge.trace.value import Value
from broker_bridge.trace.visits import Program, Visit

READING = "reading.recorded"


class Measured(Value):
    """One value and the limits in force."""

    name: str
    value: float | None
    text: str | None
    unit: str | None
    lower: float | None
    upper: float | None
    nominal: float | None


class Reading(Value):
    """Values taken at one moment, or over one interval, of a visit."""

    station: str
    stage: str | None
    """The module, stage or zone of the machine, as the source calls it."""
    time: datetime
    until: datetime | None
    program: Program | None
    values: tuple[Measured, ...]
    certainty: str
    """The visit's."""
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


def wanted(found: Iterable[Stay]) -> list[tuple[str, Window]]:
    """Stations, and when the board was there, on which line: what readings are looked for."""
    return [
        (stay.station, Window(stay.witnesses[0].statement.line, stay.first, stay.last))
        for stay in found
        if stay.station is not None
    ]


def readings(found: Sequence[Stay], route: Sequence[Visit], statements: Iterable[Statement]) -> list[Reading]:
    """The readings in order of time; `route` holds the visits of the stays, in the same order."""
    taken: dict[tuple[str, str], list[Statement]] = {}
    for statement in statements:
        if statement.fact.type == READING and not statement.mentions:
            taken.setdefault((statement.get("station"), statement.line), []).append(statement)
    result = [
        _reading(statement, visit)
        for (station, window), visit in zip(wanted(found), (v for v in route if v.station), strict=True)
        for statement in taken.get((station, window.line), ())
        if _inside(statement, window)
    ]
    return sorted(set(result), key=lambda reading: (reading.time, reading.evidence))


def _inside(statement: Statement, window: Window) -> bool:
    until = statement.instant("until") or statement.time
    return statement.time <= window.end and until >= window.start


def _reading(statement: Statement, visit: Visit) -> Reading:
    program = statement.get("program")
    return Reading(
        station=statement.get("station"),
        stage=statement.get("stage"),
        time=statement.time,
        until=statement.instant("until"),
        program=Program(program["name"], program.get("revision"), program.get("hash")) if program else None,
        values=tuple(
            Measured(
                value["name"], value.get("value"), value.get("text"), value.get("unit"), value.get("lower"),
                value.get("upper"), value.get("nominal"),
            )
            for value in statement.get("values") or ()
        ),
        certainty=visit.certainty,
        probability=visit.probability,
        reason=visit.reason,
        evidence=(statement.evidence,),
    )  # fmt: skip
