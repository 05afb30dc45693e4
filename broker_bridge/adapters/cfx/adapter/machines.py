"""Who of an adapter's machines was heard, for the report: in seconds of a monotonic clock."""

from collections.abc import Iterable, Mapping
from typing import Final

from broker_bridge.config import CfxAdapter

_USUAL_S: Final = 60.0
"""A machine's heartbeat by the standard's own library, where none has stated another."""


class Machines:
    """When each machine was last heard, and how often it says so."""

    def __init__(self, config: CfxAdapter) -> None:
        self._config = config
        self._heard: dict[str, float] = {}
        self._beats: dict[str, float] = {}

    def heard(self, signs: Mapping[str, float | None], now: float) -> None:
        """Handles that said something now, with the period of a heartbeat where it was one."""
        for handle, period in signs.items():
            self._heard[handle] = now
            if period is not None:
                self._beats[handle] = period

    def silent(self, now: float) -> list[str]:
        """Stations whose machine beat before and does not any more: one without heartbeats (CFX 1.0, 1.1) is not told."""
        return [
            machine.station
            for machine in self._config.machines
            if (period := self._beats.get(machine.handle)) is not None
            and now - self._heard[machine.handle] > self._config.silent_after * period
        ]

    def told(self, now: float) -> str:
        """In words: who is heard, who is silent, who never said anything."""
        silent = set(self.silent(now))
        here = [
            m.station for m in self._config.machines if m.handle in self._heard and m.station not in silent
        ]
        never = [m.station for m in self._config.machines if m.handle not in self._heard]
        parts = [_list("hears", here), _list("silent:", sorted(silent)), _list("not heard yet:", never)]
        return "; ".join(part for part in parts if part)


def _list(head: str, stations: Iterable[str]) -> str:
    names = list(stations)
    return f"{head} {', '.join(names)}" if names else ""
