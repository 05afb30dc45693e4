"""Vertical-channel connections that break now and then."""

from dataclasses import dataclass
from random import Random

from broker_bridge.simulate.model.truth import Truth
from broker_bridge.simulate.profile import Profile
from broker_bridge.simulate.stations import STATIONS


@dataclass(frozen=True, slots=True)
class Cut:
    """All connections of `station` break at `at`; it answers again from `until` on (plant time)."""

    at: float
    station: str
    until: float


class ConnectionFaults:
    """A Poisson stream of cuts for each station, an outage never overlapping the one before."""

    def __init__(self, seed: int, profile: Profile) -> None:
        faults = profile.connections
        self._rate = faults.cuts_per_hour / 3600.0
        self._outage = faults.outage_s
        stations = (faults.stations or STATIONS) if self._rate else ()
        self._chances = {station: Random(f"{seed}/connection {station}") for station in stations}
        self._next = {station: self._chances[station].expovariate(self._rate) for station in self._chances}

    def until(self, now: float) -> list[tuple[Cut, Truth]]:
        """The cuts that happened up to `now` and were not told yet, in order."""
        cuts = []
        for station, chance in self._chances.items():
            while self._next[station] <= now:
                at = self._next[station]
                back = at + chance.expovariate(1.0) * self._outage
                self._next[station] = back + chance.expovariate(self._rate)
                fields = {"what": "connection_cut", "where": station, "when": at, "until": back}
                cuts.append((Cut(at, station, back), Truth(at, "fault", (), fields)))
        cuts.sort(key=lambda entry: entry[0].at)
        return cuts
