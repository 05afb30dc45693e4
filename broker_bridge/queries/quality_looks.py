"""Looks as inspected, as reviewed, as reworked; the steps of the process; confirmed defects."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from broker_bridge.analysis.columns import numbered
from broker_bridge.analysis.yields import FAILED, PASSED
from broker_bridge.queries.columns import CONTRADICTING, Columns, Ints, Mask, Spot, Verdict
from broker_bridge.queries.columns_boards import Boards

STAGES: Final = ("inspected", "reviewed", "reworked")
TESTS: Final = ("in_circuit", "flying_probe", "boundary_scan", "functional")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_HOUR: Final = 3_600_000_000
_DAY: Final = 24 * _HOUR
UNJUDGED, UNDECIDED, CONFIRMED, GOOD = range(4)
_KINDS: Final[Mapping[str, int]] = {
    "undecided": UNDECIDED,
    "confirmed": CONFIRMED,
    "false_call": GOOD,
    "process_indicator": GOOD,
}
"""What a verdict makes of a call."""

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

    codes: Ints
    """Places in `words`."""
    words: tuple[str, ...]
    """passed, failed, contradicting, or another word: no result."""
    open_reviews: Mask
    """Calls are left that nobody has judged."""

    def are(self, *words: str) -> Mask:
        """Where one of these words was said."""
        return np.asarray([word in words for word in self.words], bool)[self.codes]

    @property
    def results(self) -> NDArray[np.int8]:
        """As first_pass takes them."""
        known = {"passed": PASSED, "failed": FAILED}
        return np.asarray([known.get(word, 0) for word in self.words], np.int8)[self.codes]

    @property
    def said(self) -> list[str]:
        """The words themselves."""
        return [self.words[code] for code in self.codes.tolist()]


def steps_of(columns: Columns, chosen: Mask) -> dict[Step, Ints]:
    """The looks that are asked for by step, steps in the order in which boards take them."""
    looks = columns.looks
    rows = np.flatnonzero(chosen)
    codes = [looks.column(name)[rows] for name in ("line", "station", "side", "method")]
    key = np.zeros(len(rows), np.int64)
    for code in codes:
        number, first = numbered(code)
        key = key * max(1, len(first)) + number
    step, first = numbered(key)
    began, board = looks.column("began"), looks.column("board")
    # Looks are in order of time: the first of a board is the one that is written last from behind.
    start = np.zeros(len(columns.boards), np.int64)
    start[board[rows][::-1]] = began[rows][::-1]
    after = began[rows] - start[board[rows]]
    found: list[tuple[float, int, Ints]] = []
    for one, mine in enumerate(apart(step, len(first))):
        found.append((float(np.median(after[mine])), int(first[one]), rows[mine]))
    names = [[looks.words[word] or "" for word in code[first].tolist()] for code in codes]
    step_at = dict(zip(first.tolist(), zip(*names, strict=True), strict=True))
    return {step_at[place]: mine for _, place, mine in sorted(found, key=lambda one: one[:2])}


def apart(code: Ints, count: int) -> list[Ints]:
    """The places of each number from 0, in order."""
    order = np.argsort(code, kind="stable")
    return np.split(order, np.cumsum(np.bincount(code, minlength=count))[:-1]) if count else []


def outcomes(columns: Columns, stage: str) -> Outcomes:
    """What each look said, and what reviews and rework made of it.

    As reviewed: failed is what has a confirmed call, passed of which every call was judged good; what is not judged yet
    is neither. Calls of paste and of tests stand as the machine made them where nobody reviews them.
    As reworked: what failed and was mended is neither until something has looked again.
    """
    looks = columns.looks
    words = [str(text) for text in looks.words]
    passed, failed, not_judged, reworked = (_number(words, word) for word in _MADE)
    codes = looks.column("outcome").astype(np.int32)
    waits = np.zeros(len(looks), bool)
    look, kind = judged_calls(columns)
    called, of = np.unique(look, return_inverse=True)
    every = np.bincount(of, minlength=len(called))
    unjudged, undecided, confirmed, good = (
        np.bincount(of[kind == one], minlength=len(called)) for one in (UNJUDGED, UNDECIDED, CONFIRMED, GOOD)
    )
    reviewable = ~looks.is_any("method", "paste", *TESTS)[called]
    still_open = (unjudged + undecided > 0) & (reviewable | (unjudged < every))
    waits[called] = still_open
    if stage != "inspected":
        settled = ~looks.is_any("outcome", CONTRADICTING)[called]
        codes[called[settled & ~still_open & (good == every)]] = passed
        codes[called[settled & still_open]] = not_judged
        codes[called[settled & (confirmed > 0)]] = failed
    found = Outcomes(codes, tuple(words), waits)
    if stage == "reworked":
        codes[_mended(columns, found.are("failed"))] = reworked
    return found


_MADE: Final = ("passed", "failed", "not judged", "reworked, not looked at again")


def _number(words: list[str], word: str) -> int:
    if word not in words:
        words.append(word)
    return words.index(word)


def judged_calls(columns: Columns) -> tuple[Ints, Ints]:
    """The look of each call, and how it was judged: UNJUDGED, UNDECIDED, CONFIRMED, GOOD or another number."""
    look = np.fromiter((call.look for call in columns.calls), np.int64, len(columns.calls))
    return look, np.fromiter((_kind(verdict) for verdict in columns.verdict), np.int64, len(look))


def _kind(verdict: Verdict | None) -> int:
    return UNJUDGED if verdict is None else _KINDS.get(verdict.verdict, -1)


def _mended(columns: Columns, failed: Mask) -> list[int]:
    """The failed looks all of whose calls were mended afterwards, those that were judged good aside."""
    works: dict[int, list[tuple[int, Spot]]] = {}
    for work in columns.works:
        if work.done:
            works.setdefault(work.board, []).append((work.time, work.spot))
    board, began = columns.looks.column("board"), columns.looks.column("began")
    left: dict[int, bool] = {}
    for call, verdict in zip(columns.calls, columns.verdict, strict=True):
        look = call.look
        if not failed[look] or _kind(verdict) == GOOD:
            continue
        since = int(began[look])
        mine = works.get(int(board[look]), ())
        mended = any(time >= since and spot.meets(call.spot) for time, spot in mine)
        left[look] = left.get(look, False) or not mended
    return [look for look, some in left.items() if not some]


def last_of(keys: Ints) -> Ints:
    """The last row of each key, in order."""
    return np.sort(len(keys) - 1 - numbered(keys[::-1])[1])


def parts_of(boards: Boards) -> tuple[Ints, list[str | None]]:
    """The part of each board by number, and the parts."""
    code, first = numbered(boards.part)
    return code, [boards.part[row] for row in first.tolist()]


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


def groups(columns: Columns, by: str, rows: Ints) -> tuple[Ints, list[str]]:
    """The group of each of these looks by number, and the groups' names: a column's text, or the day, hour or position."""
    looks = columns.looks
    if by in ("day", "hour"):
        long = _DAY if by == "day" else _HOUR
        form = "%Y-%m-%d" if by == "day" else "%Y-%m-%d %H:00"
        values = looks.column("began")[rows] // long
        code, first = numbered(values)
        return code, [f"{_EPOCH + timedelta(microseconds=t * long):{form}}" for t in values[first].tolist()]
    if by == "position":
        values = columns.boards.positions[looks.column("board")[rows]]
        code, first = numbered(values)
        return code, [str(position or "not stated") for position in values[first].tolist()]
    values = looks.column(by)[rows]
    code, first = numbered(values)
    names = [looks.words[word] or "not stated" for word in values[first].tolist()]
    one, _ = numbered(names)  # no text, an empty one and those very words are one group
    return one[code], list(dict.fromkeys(names))


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
