"""How every machine of a supervisor is, in words a technician can use."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime


@dataclass(slots=True)
class _Entry:
    connected: bool = False
    since: datetime | None = None
    how: str = "not connected yet"
    notes: dict[str, str] = field(default_factory=dict)

    def __str__(self) -> str:
        if self.since is None:
            return self.how
        state = "connected" if self.connected else "away"
        told = [f"{state} since {self.since:%Y-%m-%d %H:%M:%S} UTC", self.how, *self.notes.values()]
        return ", ".join(part for part in told if part)


class Roster:
    """Says it anew whenever something changed: those that are away first, one machine after the other."""

    def __init__(self, say: Callable[[str, str], None], stations: Iterable[str]) -> None:
        """say: takes the condition of the whole in one word, and the machines' in detail."""
        self._say = say
        self._entries = {station: _Entry() for station in sorted(stations)}
        self._trouble = ""
        self._tell()

    def away(self, station: str, why: str, at: datetime) -> None:
        """The machine cannot be heard; since when is kept while it stays away."""
        entry = self._entries[station]
        since = entry.since if entry.since and not entry.connected else at
        self._entries[station] = _Entry(False, since, why)
        self._tell()

    def connected(self, station: str, how: str, at: datetime) -> None:
        """The machine is heard."""
        self._entries[station] = _Entry(True, at, how)
        self._tell()

    def note(self, station: str, topic: str, text: str) -> None:
        """Something worth knowing about a connected machine; an empty text: no longer."""
        notes = self._entries[station].notes
        if notes.get(topic, "") != text:
            notes[topic] = text
            self._tell()

    def trouble(self, what: str) -> None:
        """Something of ours is wrong, for all machines; an empty text: no longer."""
        if what != self._trouble:
            self._trouble = what
            self._tell()

    def _tell(self) -> None:
        all_here = all(entry.connected for entry in self._entries.values())
        condition = "waiting" if self._trouble else "reading" if all_here else "away"
        machines = sorted(self._entries.items(), key=lambda entry: entry[1].connected)
        lines = [f"{station}: {entry}" for station, entry in machines]
        self._say(condition, "; ".join([self._trouble, *lines] if self._trouble else lines))
