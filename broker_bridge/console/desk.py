"""What the person at the screen has chosen: keys in, choices out."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, Literal

from broker_bridge.live.alarms import Alarm, AlarmId
from broker_bridge.live.choice import Choice
from broker_bridge.live.picture import Place

Page = Literal["line", "sources", "keys"]

KEYS: Final = (
    ("q", "quit"),
    ("p, space", "pause: the screen stands still, events go on being taken in; again to go on"),
    ("a", "alarms on the screen are seen: those that are over go away, the others stay until they are over"),
    ("n, N", "next station, the one before: its last boards, alarms and changes"),
    ("l", "next line"),
    ("0, Esc", "back to all stations"),
    ("o", "sources: how each is, and what waits at its edge"),
    ("up, down", "scroll; page up, page down"),
    ("?", "these keys; again to go back"),
)


@dataclass
class Desk:
    """Changes by `press`; nobody but this screen knows."""

    choice: Choice
    page: Page = "line"
    offset: int = 0
    """Lines scrolled away at the top."""
    seen: set[AlarmId] = field(default_factory=set)
    paused: datetime | None = None
    """Since when the screen stands still."""
    quit: bool = False

    def press(self, key: str, *, places: Sequence[Place], alarms: Sequence[Alarm], now: datetime) -> None:
        """A key was pressed. `places`: all stations in line order; `alarms`: those on the screen."""
        match key:
            case "q":
                self.quit = True
            case "p" | "space":
                self.paused = None if self.paused else now
            case "a":
                self.seen.update(alarm.id for alarm in alarms)
            case "n" | "N":
                self._step(places, 1 if key == "n" else -1)
            case "l":
                lines = list(dict.fromkeys(line.rpartition("/")[2] for line, _ in places))
                self._show(self.choice._replace(station=None, line=_next(lines, self.choice.line, 1)))
            case "0" | "escape":
                self._show(self.choice._replace(station=None, line=None))
            case "o" | "?":
                page: Page = "sources" if key == "o" else "keys"
                self.page = "line" if self.page == page else page
                self.offset = 0
            case "up" | "page up":
                self.offset = max(0, self.offset - (1 if key == "up" else 10))
            case "down" | "page down":
                self.offset += 1 if key == "down" else 10
            case "home":
                self.offset = 0
            case _:
                pass

    def _step(self, places: Sequence[Place], by: int) -> None:
        names = [name for line, name in places if self.choice.line in (None, line.rpartition("/")[2])]
        self._show(self.choice._replace(station=_next(names, self.choice.station, by)))

    def _show(self, choice: Choice) -> None:
        self.choice, self.page, self.offset = choice, "line", 0


def _next(names: Sequence[str], present: str | None, by: int) -> str | None:
    """The one after the present; "all" stands between the last and the first."""
    round_ = [None, *dict.fromkeys(names)]
    place = round_.index(present) if present in round_ else 0
    return round_[(place + by) % len(round_)]
