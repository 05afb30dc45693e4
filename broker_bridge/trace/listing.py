"""Defects and unjudged calls of many boards as rows, and which of them are asked for."""

from collections.abc import Iterable, Iterator
from datetime import datetime

from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.defects import Defect, Undecided
from broker_bridge.trace.history import AsOf, History
from broker_bridge.trace.portrait import Key
from broker_bridge.trace.value import Value


class Row(Value):
    """One defect or unjudged call of one board."""

    board: Key
    panel: str | None
    position: int | None
    part: str | None
    order: str | None
    """The work order the board was made under last."""
    purpose: str | None
    """None: not stated."""
    designator: str | None
    termination: str | None
    pad: str | None
    side: str | None
    paste: bool
    defect: str
    """The plant's word, or the machine's label."""
    line: str
    """Line of the source that called it: /site/area/line."""
    station: str | None
    called: datetime
    confirmed: datetime | None
    """None: nobody has judged the call."""
    state: str
    """not_judged, open, reworked, passed_again, not_repairable, false_scrap"""
    reworked: datetime | None
    looked_again: datetime | None
    escaped: tuple[str, ...]
    """Stations that had let the place pass before."""
    left: tuple[str, ...]
    """Where the board left with it open: shipped, or the end of a line."""
    certainty: str
    evidence: tuple[Evidence, ...]


class Wanted(Value):
    """Which rows are asked for; None and False: all."""

    station: str | None = None
    line: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    designator: str | None = None
    open: bool = False
    escaped: bool = False
    left_with_open: bool = False
    any_purpose: bool = False
    """Reference boards, dummies and the like too; by default only what is product or does not say."""

    def takes(self, row: Row) -> bool:
        """Whether a row is asked for."""
        return (
            (self.any_purpose or row.purpose in (None, "production"))
            and self.station in (None, row.station)
            and self.line in (None, row.line, row.line.rpartition("/")[2])
            and (self.since is None or row.called >= self.since)
            and (self.until is None or row.called <= self.until)
            and (self.designator is None or (row.designator or "").casefold() == self.designator.casefold())
            and (not self.open or row.state in ("open", "not_judged"))
            and (not self.escaped or bool(row.escaped))
            and (not self.left_with_open or bool(row.left))
        )


class Listing(Value):
    """The rows that were asked for, and of how many boards they are."""

    sentence: str
    boards: int
    rows: tuple[Row, ...]
    as_of: AsOf
    caution: str


class Checked(Value):
    """A board inspected on a machine since its last good verification."""

    board: Key
    panel: str | None
    started: datetime
    outcome: str
    calls: int
    evidence: tuple[Evidence, ...]


class Unproven(Value):
    """What a machine inspected since it was last shown to find what it has to find."""

    sentence: str
    equipment: str
    verified: datetime | None
    """The last good verification before; None: the record holds none."""
    failed: tuple[datetime, ...]
    """Failed verifications since."""
    boards: tuple[Checked, ...]
    as_of: AsOf
    caution: str


def rows(history: History) -> Iterator[Row]:
    """The rows of one board, in order of the calls."""
    found: list[Row] = [_defect(history, one) for one in history.defects]
    found += [_undecided(history, call) for call in history.undecided]
    yield from sorted(found, key=lambda row: (row.called, row.designator or "", row.pad or ""))


def sentence(found: Iterable[Row], wanted: Wanted) -> str:
    """The rows in a sentence that can be read aloud."""
    told = list(found)
    boards = len({row.board for row in told})
    judged = [row for row in told if row.confirmed is not None]
    still = sum(row.state == "open" for row in judged)
    parts = [
        f"{_count(len(judged), 'confirmed defect')} and {_count(len(told) - len(judged), 'call')} that nobody has"
        f" judged, on {_count(boards, 'board')}",
        f"{still} still open" if still else "none open",
    ]
    escaped = sum(bool(row.escaped) for row in told)
    left = sum(bool(row.left) for row in told)
    if escaped:
        parts.append(f"{escaped} had escaped an earlier inspection")
    if left:
        parts.append(f"with {left} of them the board left its line or the plant")
    where = [
        wanted.station and f"called at {wanted.station}",
        wanted.line and f"on {wanted.line}",
        wanted.since and f"from {wanted.since:%Y-%m-%d %H:%M}",
        wanted.until and f"to {wanted.until:%Y-%m-%d %H:%M}",
        wanted.designator and f"at {wanted.designator}",
        wanted.open and "open",
        wanted.escaped and "escaped",
        wanted.left_with_open and "left with the board",
    ]
    asked = ", ".join(text for text in where if text)
    return f"{'; '.join(parts)}{f' (asked for: {asked})' if asked else ''}."


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _defect(history: History, one: Defect) -> Row:
    return _row(history, one)._replace(
        defect=one.defect,
        confirmed=one.confirmed,
        state=one.state,
        reworked=one.reworked,
        escaped=tuple(escape.station or "a station not known" for escape in one.escaped),
    )


def _undecided(history: History, one: Undecided) -> Row:
    return _row(history, one)


def _row(history: History, one: Defect | Undecided) -> Row:
    who = history.identity
    return Row(
        board=who.key,
        panel=who.panel.value if who.panel else None,
        position=who.position,
        part=who.part_number,
        order=who.work_orders[-1].order if who.work_orders else None,
        purpose=who.purpose,
        designator=one.place.designator,
        termination=one.place.termination,
        pad=one.place.pad,
        side=one.side,
        paste=one.paste,
        defect=one.label if isinstance(one, Undecided) else one.defect,
        line=one.evidence[0].source.rpartition("/")[0],
        station=one.station,
        called=one.called,
        confirmed=None,
        state="not_judged",
        reworked=None,
        looked_again=one.looked_again,
        escaped=(),
        left=tuple(leaving.what for leaving in one.left),
        certainty=one.certainty,
        evidence=one.evidence,
    )
