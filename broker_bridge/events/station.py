"""Stations: what state they are in, what they complain about, which program they run."""

from typing import ClassVar, Literal

from broker_bridge.events.base import Data, Feeding, LongText, Model, Place, Program, Text


class _StationData(Data):
    STATUS: ClassVar[Literal["final", "draft"]] = "final"


class StationStateChanged(_StationData):
    """A station's state changed. States are the six of SEMI E10, plus unknown."""

    TYPE = "station.state_changed"
    state: Literal[
        "productive",
        "standby",
        "engineering",
        "scheduled_down",
        "unscheduled_down",
        "non_scheduled",
        "unknown",
    ]
    native: Text
    """The state in the machine's own words."""
    reason: Text | None = None
    previous: Text | None = None
    """The state before, in the machine's own words."""
    alarm: Text | None = None
    """The machine's own key of the alarm that caused it."""


class StationAlarmRaised(_StationData):
    """A station raised an alarm."""

    TYPE = "station.alarm_raised"
    code: Text
    text: LongText | None = None
    severity: Literal["information", "warning", "error", "fatal", "unknown"] = "unknown"
    alarm: Text | None = None
    """The machine's own key of this occurrence, which its clearing repeats."""
    place: Place | None = None
    """The spot on the board it is about."""
    feeding: Feeding | None = None
    """Where the machine was taking a part from."""


class StationAlarmCleared(_StationData):
    """An alarm is over."""

    TYPE = "station.alarm_cleared"
    code: Text
    alarm: Text | None = None


class Change(Model):
    """One edited parameter or limit of a program."""

    name: Text
    place: Place | None = None
    before: Text | None = None
    after: Text | None = None


class StationProgramChanged(_StationData):
    """Another program, or another revision of the same, is in force from now on."""

    TYPE = "station.program_changed"
    program: Program
    previous: Program | None = None
    edited: bool | None = None
    """True where the program was edited under the same name."""
    changes: tuple[Change, ...] = ()
    """What was edited, as far as stated."""
    reason: LongText | None = None


TYPES: tuple[type[Data], ...] = (
    StationStateChanged, StationAlarmRaised, StationAlarmCleared, StationProgramChanged,
)  # fmt: skip
