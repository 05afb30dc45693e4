"""What of a record is asked for. None: all of it."""

from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from broker_bridge.events.fact import Fact
from broker_bridge.trace.value import Value

_DAY = 86_400_000_000


class Choice(Value):
    """Conditions that all have to hold."""

    line: str | None = None
    """Its name, or /site/area/line."""
    station: str | None = None
    equipment: str | None = None
    part: str | None = None
    program: str | None = None
    program_revision: str | None = None
    side: str | None = None
    order: str | None = None
    method: str | None = None
    """How it was inspected: paste, optical, x_ray, visual, in_circuit, functional ..."""
    designator: str | None = None
    position: int | None = None
    since: datetime | None = None
    until: datetime | None = None
    shift: tuple[int, int] | None = None
    """Minutes of the day, UTC, from and to; a shift over midnight has its end before its start."""
    any_purpose: bool = False
    """Reference boards, dummies and the like too; by default only what is product or does not say."""

    def on_line(self, line: str) -> bool:
        """Whether a line (/site/area/line) is asked for."""
        return self.line in (None, line, line.rpartition("/")[2])

    def when(self, instants: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which of some instants (microseconds since 1970, UTC) are asked for."""
        mask = np.ones(len(instants), bool)
        if self.since is not None:
            mask &= instants >= round(self.since.timestamp() * 1e6)
        if self.until is not None:
            mask &= instants <= round(self.until.timestamp() * 1e6)
        if self.shift is not None:
            start, end = (minutes * 60_000_000 for minutes in self.shift)
            of_day = instants % _DAY
            mask &= (of_day >= start) & (of_day < end) if start < end else (of_day >= start) | (of_day < end)
        return mask

    def of(self, fact: Fact) -> bool:
        """Whether an event is asked for, as far as it tells itself: not by purpose, position and designator."""
        data = fact.data
        part, program = data.get("part") or {}, data.get("program") or {}
        stated = (
            data.get("station"), data.get("equipment"), part.get("number"), program.get("name"),
            program.get("revision") or program.get("hash"), data.get("side"), data.get("order"),
        )  # fmt: skip
        wanted = (
            self.station, self.equipment, self.part, self.program, self.program_revision, self.side, self.order
        )  # fmt: skip
        moment = round(datetime.fromisoformat(fact.time).timestamp() * 1e6)
        return (
            all(want in (None, said) for want, said in zip(wanted, stated, strict=True))
            and self.on_line(fact.source.rpartition("/")[0])
            and bool(self.when(np.asarray([moment]))[0])
        )

    def at(self, designator: str | None) -> bool:
        """Whether a component is asked for."""
        return self.designator is None or (designator or "").casefold() == self.designator.casefold()

    def words(self) -> str:
        """The conditions in words; empty where there are none."""
        told: list[Any] = [
            (name, value)
            for name, value in zip(self._fields, self, strict=True)
            if value is not None and name not in ("shift", "any_purpose", "since", "until")
        ]
        text = [f"{name.replace('_', ' ')} {value}" for name, value in told]
        text += [f"from {self.since:%Y-%m-%d %H:%M}"] if self.since else []
        text += [f"to {self.until:%Y-%m-%d %H:%M}"] if self.until else []
        if self.shift:
            a, b = self.shift
            text.append(f"shift {a // 60:02}:{a % 60:02} to {b // 60:02}:{b % 60:02} UTC")
        text += ["any purpose"] if self.any_purpose else []
        return ", ".join(text)
