"""Stations: what state they are in, what they complain about, which program they run."""

from typing import ClassVar, Literal

from broker_bridge.events.base import Data, LongText, Program, Text


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


class StationAlarmRaised(_StationData):
    """A station raised an alarm."""

    TYPE = "station.alarm_raised"
    code: Text
    text: LongText | None = None
    severity: Literal["information", "warning", "error", "unknown"] = "unknown"
    alarm: Text | None = None
    """The machine's own key of this occurrence, which its clearing repeats."""


class StationAlarmCleared(_StationData):
    """An alarm is over."""

    TYPE = "station.alarm_cleared"
    code: Text
    alarm: Text | None = None


class StationProgramChanged(_StationData):
    """Another program, or another revision of the same, is in force from now on."""

    TYPE = "station.program_changed"
    program: Program
    previous: Program | None = None
    edited: bool | None = None
    """True where the program was edited under the same name."""


TYPES: tuple[type[Data], ...] = (
    StationStateChanged, StationAlarmRaised, StationAlarmCleared, StationProgramChanged,
)  # fmt: skip
