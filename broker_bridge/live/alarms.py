"""Which alarms stand, and which are over but were not seen yet."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final, NamedTuple

from broker_bridge.live.plain import clean
from broker_bridge.live.told import Told

AlarmId = tuple[str, str]
"""Source, and id of the event that raised it last."""

SEVERE: Final = frozenset({"error", "fatal", "unknown"})
"""Severities that may be why a station waits."""


class Alarm(NamedTuple):
    """One alarm of a station, raised once or again and again."""

    id: AlarmId
    line: str
    station: str
    code: str
    text: str
    severity: str
    key: str
    """The machine's own key of the occurrence, empty where it has none."""
    since: datetime
    times: int
    """How often it was raised since it was over last."""
    over: datetime | None
    seen: bool
    """A person at this screen has said so."""


@dataclass
class _Raised:
    told: Told
    since: datetime
    times: int = 1
    over: datetime | None = None


def alarms(statements: Iterable[Told], seen: Collection[AlarmId]) -> tuple[Alarm, ...]:
    """The alarms that stand or were not seen, by what one station's sources said, in the order of time.

    An alarm is over when its clearing repeats its key, or names its code and no key.
    """
    raised: dict[tuple[str, str, str], _Raised] = {}
    for told in statements:
        code, key = told.about["code"], told.about.get("alarm") or ""
        if told.type == "station.alarm_raised":
            before = raised.get((told.source, code, key))
            if before is None or before.over is not None:
                raised[told.source, code, key] = _Raised(told, told.at)
            else:
                before.told, before.times = told, before.times + 1
            continue
        for (source, of_code, of_key), alarm in raised.items():
            same = of_key == key if key else of_code == code
            if source == told.source and same and alarm.over is None:
                alarm.over = told.at
    found = [_alarm(alarm, seen) for alarm in raised.values()]
    wanted = [alarm for alarm in found if alarm.over is None or not alarm.seen]
    return tuple(sorted(wanted, key=lambda alarm: (alarm.since, alarm.id)))


def _alarm(raised: _Raised, seen: Collection[AlarmId]) -> Alarm:
    told = raised.told
    name = told.source, told.id
    return Alarm(
        id=name,
        line=told.line,
        station=told.station or "",
        code=clean(told.about["code"]),
        text=clean(told.about.get("text") or ""),
        severity=told.about.get("severity", "unknown"),
        key=told.about.get("alarm") or "",
        since=raised.since,
        times=raised.times,
        over=raised.over,
        seen=name in seen,
    )
