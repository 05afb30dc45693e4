"""Records that are lost, doubled, out of order or late on their way out of the machine."""

from random import Random

from broker_bridge.simulate.model.records import Record, Transfer, Utterance
from broker_bridge.simulate.model.truth import Truth
from broker_bridge.simulate.profile import Profile, Reporting

Due = tuple[float, Record]
"""A record and the plant time at which it leaves the machine."""


class ReportingFaults:
    """Takes every utterance in turn; says what leaves the machine and when, and which faults were done to it."""

    def __init__(self, seed: int, profile: Profile) -> None:
        self._profile = profile
        self._chance = Random(f"{seed}/reporting")
        self._behind: dict[
            tuple[str, bool], Record
        ] = {}  # waits for the next record of its station and channel

    def take(self, utterance: Utterance) -> tuple[list[Due], list[Truth]]:
        record, panel = utterance
        at = record.at
        lane = (record.station, isinstance(record, Transfer))
        due = [(at, record)]
        faults: list[Truth] = []

        def fault(what: str, **detail: object) -> None:
            fields = {
                "what": what,
                "where": record.station,
                "when": at,
                "panel": panel,
                "record": type(record).__name__,
                "at": record.at,
            }
            faults.append(Truth(at, "fault", (), {**fields, **detail}))

        if self._strikes(self._profile.lost, lane):
            fault("lost")
            due = []
        elif self._strikes(self._profile.doubled, lane):
            fault("doubled")
            due = [(at, record), (at + 1.0, record)]
        elif self._strikes(self._profile.delayed, lane):
            late = self._chance.expovariate(1.0 / max(self._profile.delayed.seconds, 0.001))
            fault("delayed", seconds=round(late, 1))
            due = [(at + late, record)]
        elif lane not in self._behind and self._strikes(self._profile.disordered, lane):
            fault("disordered")
            self._behind[lane] = record
            return [], faults
        if due and lane in self._behind:
            due.append((due[0][0], self._behind.pop(lane)))
        return due, faults

    def rest(self, now: float) -> list[Due]:
        """What still waits for a next record when the run ends."""
        left = [(now, record) for record in self._behind.values()]
        self._behind.clear()
        return left

    def _strikes(self, fault: Reporting, lane: tuple[str, bool]) -> bool:
        if not fault.rate:
            return False
        station, is_transfer = lane
        if fault.stations and station not in fault.stations:
            return False
        if fault.channel != "any" and (fault.channel == "transfers") != is_transfer:
            return False
        return self._chance.random() < fault.rate
