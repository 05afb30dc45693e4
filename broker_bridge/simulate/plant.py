"""The plant: the model's run, made wrong where the profile says so, and put into bytes.

model -> reporting faults -> dialects and messages -> file faults -> one stream in order of time
                                  ^ machine clocks                 + cuts of connections + truth
"""

import heapq
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TypeAlias

from broker_bridge.simulate.clocks import MachineClock
from broker_bridge.simulate.faults.connections import ConnectionFaults, Cut
from broker_bridge.simulate.faults.files import FileFaults, FileStep
from broker_bridge.simulate.faults.reporting import ReportingFaults
from broker_bridge.simulate.model.line import Line
from broker_bridge.simulate.model.records import Record, Transfer
from broker_bridge.simulate.model.truth import Truth
from broker_bridge.simulate.peers.messages import track
from broker_bridge.simulate.profile import Profile, load_profile
from broker_bridge.simulate.stations import STATIONS
from broker_bridge.simulate.writers import WRITERS


@dataclass(frozen=True, slots=True)
class Message:
    """What a station sends to every supervisor that tracks boards and is connected at `at`."""

    at: float
    station: str
    data: bytes


Output: TypeAlias = FileStep | Message | Cut | Truth


class Plant:
    """Harbour Works for one run: iterate it. Every iteration starts afresh and gives the same stream.

    seed        the same seed, boards, profile, start and speed give the same bytes
    boards      at least so many are made (whole panels)
    profile     a `Profile`, or what `load_profile` takes
    start       the moment of plant time 0, aware
    every_pad   the paste inspection writes a row for every pad, not only for those called
    speed       how many seconds of plant time pass in one second of real time; stamps are real time

    The stream is in order of `at`, in seconds of plant time; `moment` turns these into UTC.
    Raises ConfigError for a bad profile, ValueError for a bad number or a start without zone.
    """

    def __init__(
        self,
        seed: int,
        boards: int,
        profile: Profile | str,
        start: datetime,
        *,
        every_pad: bool = False,
        speed: float = 1.0,
    ) -> None:
        if boards < 1:
            raise ValueError(f"boards = {boards}: must be at least 1")
        if not speed > 0:
            raise ValueError(f"speed = {speed}: must be more than 0")
        if start.tzinfo is None:
            raise ValueError(f"start = {start}: must carry a time zone")
        self.profile = profile if isinstance(profile, Profile) else load_profile(profile)
        self.start = start.astimezone(UTC)
        self.speed = speed
        self._seed = seed
        self._boards = boards
        self._every_pad = every_pad
        self.clocks = {
            station: MachineClock(
                self.start, speed, tuple(c for c in self.profile.clock if c.station == station)
            )
            for station in STATIONS
        }

    def moment(self, at: float) -> datetime:
        """The true moment, in UTC, of a plant time in seconds."""
        return self.start + timedelta(seconds=at / self.speed)

    def __iter__(self) -> Iterator[Output]:
        return _Run(self, Line(self._seed, self._boards, self.profile, every_pad=self._every_pad)).stream(
            self._seed
        )


class _Run:
    """One iteration. `_due` holds what happens later than the model has come."""

    def __init__(self, plant: Plant, line: Line) -> None:
        self._plant = plant
        self._line = line
        self._due: list[tuple[float, int, Output | Record]] = []
        self._order = 0

    def stream(self, seed: int) -> Iterator[Output]:
        profile = self._plant.profile
        reporting = ReportingFaults(seed, profile)
        connections = ConnectionFaults(seed, profile)
        self._writers = {station: WRITERS[station]() for station in STATIONS}
        self._files = {station: FileFaults(seed, profile, station) for station in STATIONS}
        for truth in _clock_faults(profile):
            self._push(truth.at, truth)
        now = 0.0
        for item in self._line.run():
            if isinstance(item, Truth):
                now = item.at
                new: list[tuple[float, Output | Record]] = [(now, item)]
            else:
                now = item.record.at
                due, faults = reporting.take(item)
                new = [(fault.at, fault) for fault in faults]
                new += due
            for cut, fault in connections.until(now):
                self._push(cut.at, fault)
                self._push(cut.at, cut)
            for at, thing in new:
                self._push(at, thing)
            yield from self._up_to(now)
        for at, record in reporting.rest(now):
            self._push(at, record)
        yield from self._up_to(float("inf"))

    def _push(self, at: float, thing: Output | Record) -> None:
        self._order += 1
        heapq.heappush(self._due, (at, self._order, thing))

    def _up_to(self, now: float) -> list[Output]:
        """Everything due by `now`, in order. Records are rendered at the moment they leave their machine."""
        due = self._due
        out: list[Output] = []
        while due and due[0][0] <= now:
            at, _, thing = heapq.heappop(due)
            if isinstance(thing, FileStep | Cut | Truth | Message):
                out.append(thing)
            elif isinstance(thing, Transfer):
                out.append(Message(at, thing.station, track(thing, self._plant.clocks[thing.station])))
            else:
                written = self._writers[thing.station].write(thing, self._plant.clocks)
                steps, faults = self._files[thing.station].take(at, written, type(thing).__name__)
                for fault in faults:
                    self._push(fault.at, fault)
                for step in steps:
                    self._push(step.at, step)
        return out


def _clock_faults(profile: Profile) -> list[Truth]:
    """Offsets and drifts hold from the start; a step has its moment."""
    faults = []
    for clock in profile.clock:
        kinds = (
            ("clock_offset", 0.0, clock.offset_s),
            ("clock_drift", 0.0, clock.drift_ppm),
            ("clock_step", clock.step_at_s, clock.step_s),
        )
        for what, when, size in kinds:
            if size:
                unit = "ppm" if what == "clock_drift" else "seconds"
                fields = {"what": what, "where": clock.station, "when": when, unit: size}
                faults.append(Truth(when, "fault", (), fields))
    return faults
