"""Looks as inspected, as reviewed, as reworked; the steps of the process; confirmed defects."""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Final, NamedTuple

import numpy as np

from broker_bridge.queries.columns import CONTRADICTING, Columns, Ints, Mask, Spot

STAGES: Final = ("inspected", "reviewed", "reworked")
TESTS: Final = ("in_circuit", "flying_probe", "boundary_scan", "functional")
_JUDGED_GOOD: Final = ("false_call", "process_indicator")

Step = tuple[str, str, str, str]
"""Line, station, side, method; "" where it is not stated."""


class Defect(NamedTuple):
    """A confirmed defect at one place of one board, at the look that found it first."""

    board: int
    look: int
    spot: Spot
    word: str


class Outcomes(NamedTuple):
    """One entry a look."""

    said: list[str]
    """passed, failed, contradicting, or another word: no result."""
    open_reviews: Mask
    """Calls are left that nobody has judged."""


def steps_of(columns: Columns, chosen: Mask) -> dict[Step, Ints]:
    """The looks that are asked for by step, steps in the order in which boards take them."""
    looks = columns.looks
    rows = np.flatnonzero(chosen)
    code = [looks.column(name)[rows] for name in ("line", "station", "side", "method")]
    found: dict[tuple[int, ...], list[int]] = {}
    for row, *key in zip(rows.tolist(), *(c.tolist() for c in code), strict=True):
        found.setdefault(tuple(key), []).append(row)
    began, board = looks.column("began"), looks.column("board")
    first = np.full(len(columns.boards) + 1, np.iinfo(np.int64).max)
    np.minimum.at(first, board[rows], began[rows])

    def after_start(key: tuple[int, ...]) -> float:
        mine = np.asarray(found[key])
        return float(np.median(began[mine] - first[board[mine]]))

    return {
        (
            looks.words[k[0]] or "",
            looks.words[k[1]] or "",
            looks.words[k[2]] or "",
            looks.words[k[3]] or "",
        ): np.asarray(found[k], np.int64)
        for k in sorted(found, key=after_start)
    }


def outcomes(columns: Columns, stage: str) -> Outcomes:
    """What each look said, and what reviews and rework made of it.

    As reviewed: failed is what has a confirmed call, passed of which every call was judged good; what is not judged yet
    is neither. Calls of paste and of tests stand as the machine made them where nobody reviews them.
    As reworked: what failed and was mended is neither until something has looked again.
    """
    looks = columns.looks
    said = [str(text) for text in looks.texts("outcome")]
    still_open = np.zeros(len(looks), bool)
    calls: dict[int, list[int]] = {}
    for number, call in enumerate(columns.calls):
        calls.setdefault(call.look, []).append(number)
    methods = looks.texts("method")
    mended = _mended(columns) if stage == "reworked" else {}
    boards = looks.column("board")
    for look, numbers in calls.items():
        verdicts = [columns.verdict[number] for number in numbers]
        words = [None if v is None else v.verdict for v in verdicts]
        reviewable = methods[look] != "paste" and methods[look] not in TESTS
        waiting = any(word in (None, "undecided") for word in words)
        still_open[look] = waiting and (reviewable or any(word is not None for word in words))
        if stage == "inspected" or said[look] == CONTRADICTING:
            continue
        if "confirmed" in words:
            said[look] = "failed"
        elif still_open[look]:
            said[look] = "not judged"
        elif all(word in _JUDGED_GOOD for word in words):
            said[look] = "passed"
        if stage == "reworked" and said[look] == "failed":
            spots = [
                columns.calls[n].spot for n, w in zip(numbers, words, strict=True) if w not in _JUDGED_GOOD
            ]
            works = mended.get(int(boards[look]), [])
            began = int(looks.column("began")[look])
            if all(any(t >= began and w.meets(s) for t, w in works) for s in spots):
                said[look] = "reworked, not looked at again"
    return Outcomes(said, still_open)


def _mended(columns: Columns) -> dict[int, list[tuple[int, Spot]]]:
    found: dict[int, list[tuple[int, Spot]]] = {}
    for work in columns.works:
        if work.done:
            found.setdefault(work.board, []).append((work.time, work.spot))
    return found


def last_looks(columns: Columns, rows: Ints) -> Ints:
    """Of these looks the last of each board. They are in order of time."""
    last: dict[int, int] = {}
    for row, board in zip(rows.tolist(), columns.looks.column("board")[rows].tolist(), strict=True):
        last[board] = row
    return np.asarray(sorted(last.values()), np.int64)


def defects(columns: Columns, looks: Mask) -> list[Defect]:
    """The confirmed defects of these looks, one of each place and board, told at the look that called it first."""
    found: dict[tuple[int, str | None, str | None, str | None], Defect] = {}
    board = columns.looks.column("board")
    for call, verdict in zip(columns.calls, columns.verdict, strict=True):
        if verdict is None or verdict.verdict != "confirmed" or not looks[call.look]:
            continue
        word = verdict.defect or call.defect or call.label
        one = Defect(int(board[call.look]), call.look, call.spot, word)
        key = (one.board, *one.spot)
        if key not in found or found[key].look > one.look:
            found[key] = one
    return sorted(found.values(), key=lambda defect: defect.look)


def groups(columns: Columns, by: str, rows: Ints) -> list[str]:
    """The group of each of these looks: a column's text, or the day, hour or position."""
    looks = columns.looks
    if by in ("day", "hour"):
        form = "%Y-%m-%d" if by == "day" else "%Y-%m-%d %H:00"
        times = looks.column("began")[rows].tolist()
        return [f"{datetime.fromtimestamp(t / 1e6, UTC):{form}}" for t in times]
    if by == "position":
        return [str(columns.boards.position(b) or "not stated") for b in looks.column("board")[rows].tolist()]
    return [text or "not stated" for text in looks.texts(by, rows)]


GROUPS: Final[Mapping[str, str]] = {
    "station": "station", "side": "side", "line": "line", "equipment": "equipment", "part": "part", "program": "program",
    "revision": "program revision", "order": "work order", "position": "position", "day": "day (UTC)", "hour": "hour (UTC)",
    "method": "method",
}  # fmt: skip
"""What looks can be told apart by."""


def step_name(step: Step) -> str:
    """A step in words."""
    _, station, side, method = step
    return " ".join(text for text in (station or f"({method})", side) if text)


def ground(columns: Columns, chosen: Mask) -> list[str]:
    """What limits answers that stand on looks."""
    looks, boards = columns.looks, columns.boards
    remarks = []
    counted = chosen & (looks.column("stated") == 0)
    if counted.any():
        remarks.append(
            "attempts are counted from the record, their machines state none: where the first is missing, the second counts"
        )
    if columns.nameless:
        remarks.append(f"{columns.nameless} records name no board that is known: in no number")
    if boards.doubtful:
        remarks.append(f"{len(boards.doubtful)} boards have names that contradict each other: in no number")
    if boards.crossed_out:
        remarks.append(f"{len(boards.crossed_out)} crossed-out positions are in no number")
    if columns.unjoined:
        remarks.append(f"{len(columns.unjoined)} verdicts are on calls that are not in the record")
    return remarks
