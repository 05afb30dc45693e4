"""What inspections and tests said of many boards, as columns: one stream through the record, one entry a look.

A look is one inspection or test of one board at one attempt, however many records tell of it. Attempts are those stated, else
counted in order of time over all looks of the board at that station, side and method, whatever the question leaves out.
"""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from broker_bridge.events.fact import Fact
from broker_bridge.projector.said import CALL, LEFT_OUT, LOOK, TOP_UP, VERDICT
from broker_bridge.projector.ties import stream, words
from broker_bridge.queries.boards import holding
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns_boards import PRODUCT, Boards
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import AsOf

Progress = Callable[[float, str], None]
"""Told the share that is done, from 0 to 1, and of what."""
Ints = NDArray[Any]
"""Of integers."""
Mask = NDArray[np.bool_]

_STEP: Final = 5000
_SECOND: Final = 1_000_000
CONTRADICTING: Final = "contradicting"
"""Outcome of a look whose records say that it passed and that it failed."""


class Spot(NamedTuple):
    """A place on a board as events state it."""

    designator: str | None
    termination: str | None
    pad: str | None

    @classmethod
    def of(cls, place: Mapping[str, Any]) -> "Spot":
        """The place an event states."""
        return cls(place.get("designator"), place.get("termination"), place.get("pad"))

    def meets(self, other: "Spot") -> bool:
        """Whether both may be one place: they state something in common and contradict each other nowhere."""
        pairs = [(a, b) for a, b in zip(self, other, strict=True) if a is not None and b is not None]
        return bool(pairs) and all(a == b for a, b in pairs)


class Call(NamedTuple):
    """A call of a look, and the latest verdict on it."""

    look: int
    spot: Spot
    label: str
    defect: str | None
    key: str | None


class Verdict(NamedTuple):
    """What was decided about calls at a place."""

    board: int
    station: str | None
    inspected: int | None
    time: int
    spot: Spot
    label: str | None
    key: str | None
    verdict: str
    defect: str | None


class Work(NamedTuple):
    """Rework or top-up at a place."""

    board: int
    time: int
    station: str | None
    side: str | None
    paste: bool
    spot: Spot
    done: bool
    defect: str | None
    verdict: str | None


class Looks:
    """Inspections and tests; every column has one entry a look, in order of time."""

    def __init__(self, columns: Mapping[str, Ints], words: list[str | None]) -> None:
        self.words = words
        self._word = {text: code for code, text in enumerate(words)}
        self._columns = dict(columns)
        self.left_out: dict[int, tuple[str, ...]] = {}

    def word(self, text: str | None) -> int:
        """The number of a text."""
        code = self._word.get(text)
        if code is None:
            code = self._word[text] = len(self.words)
            self.words.append(text)
        return code

    def column(self, name: str) -> Ints:
        """A column of numbers, or of the numbers of texts (module said); `board`: of boards."""
        return self._columns[name]

    def texts(self, name: str, rows: Sequence[int] | Ints | None = None) -> list[str | None]:
        """A column of texts."""
        column = self.column(name) if rows is None else self.column(name)[rows]
        return [self.words[code] for code in column.tolist()]

    def is_any(self, name: str, *texts: str | None) -> Mask:
        """Where a column of texts is one of these."""
        codes = [self._word[text] for text in texts if text in self._word]
        return np.isin(self.column(name), codes)

    def __len__(self) -> int:
        return len(self._columns["board"])


COLUMNS: Final = (
    "board", "station", "line", "equipment", "side", "method", "part", "program", "revision", "order", "began", "ended",
    "attempt", "outcome", "inspected", "of", "number", "stated",
)  # fmt: skip


class Columns:
    """Everything that was said of looks, calls, verdicts and rework, as of a commit."""

    def __init__(self, boards: Boards, as_of: AsOf, looks: Looks) -> None:
        self.boards, self.as_of, self.looks = boards, as_of, looks
        self.calls: list[Call] = []
        self.verdict: list[Verdict | None] = []
        """Of each call the latest verdict; None: nobody has judged it."""
        self.works: list[Work] = []
        self.unjoined: list[Verdict] = []
        """Verdicts on calls that are not in the record."""
        self.nameless = 0
        """Looks at a board that no name leads to: in no number."""

    def calls_of(self, looks: Mask) -> list[int]:
        """Numbers of the calls of these looks."""
        return [number for number, call in enumerate(self.calls) if looks[call.look]]

    def chosen(self, choice: Choice) -> Mask:
        """The looks that are asked for. Whether boards are product is known when all has been read."""
        looks, boards = self.looks, self.boards
        mask = np.ones(len(looks), bool)
        for name, wanted in (
            ("station", choice.station), ("equipment", choice.equipment), ("part", choice.part), ("program", choice.program),
            ("revision", choice.program_revision), ("side", choice.side), ("order", choice.order), ("method", choice.method),
        ):  # fmt: skip
            if wanted is not None:
                mask &= looks.is_any(name, wanted)
        if choice.line is not None:
            mask &= looks.is_any("line", *(w for w in looks.words if w and choice.on_line(w)))
        mask &= choice.when(looks.column("began"))
        board = looks.column("board")
        if not choice.any_purpose:
            product = np.asarray([purpose in PRODUCT for purpose in boards.purpose] or [True], bool)
            mask &= product[board]
        if choice.position is not None:
            mask &= boards.positions[board] == choice.position
        apart = np.zeros(max(1, len(boards)), bool)
        apart[list(boards.crossed_out | boards.doubtful)] = True
        return np.asarray(mask & ~apart[board])

    def all_of(self, boards: set[int]) -> list[str]:
        """The keys of boards, in order."""
        return sorted(self.boards.key(code) for code in boards)


def read_columns(record: Record, as_of: AsOf, progress: Progress = lambda done, of: None) -> Columns:
    """All looks of the record as of a commit, whatever is asked for of them."""
    progress(0.0, "reading columns")
    boards = Boards(record.index, as_of.number)
    texts = words(record.index.path)
    rows = _holding_rows(record, stream(record.index.path, "said", as_of.number), as_of)
    place, code = boards.of_rows(rows, texts)
    place, code = _once_an_event(rows["number"], place, code)
    of_looks = rows["kind"][place] == LOOK
    looks, owner = _settled(rows, place[of_looks], code[of_looks], texts)
    columns = Columns(boards, as_of, looks)
    columns.nameless = _nameless(rows, place)
    event = rows["number"][place]
    look = np.full(len(place), -1, np.int64)
    look[of_looks] = owner
    del rows
    _tell(columns, stream(record.index.path, "told", as_of.number), (event, code, look))
    progress(1.0, "reading columns")
    return columns


def holding_facts(
    record: Record, types: Sequence[str], as_of: AsOf, progress: Progress, what: str
) -> Iterator[Fact]:
    """The events of these types that hold, in order of the record."""
    doubted = record.index.doubted(as_of.number)
    after = 0
    while found := record.reader.typed(types, after, as_of.number, _STEP):
        after = found[-1].number
        if doubted:
            gone = _superseded(record, [f.number for f in found if f.number in doubted], as_of)
            found = [fact for fact in found if fact.number not in gone]
        yield from found
        progress(after / max(1, as_of.number), f"reading {what}: {after} of {as_of.number} events")


def _superseded(record: Record, doubtful: Sequence[int], as_of: AsOf) -> set[int]:
    """Of events of raw records that came in several revisions those that do not hold."""
    return (
        set(doubtful) - {fact.number for fact in holding(record, doubtful, as_of.number)}
        if doubtful
        else set()
    )


def _holding_rows(record: Record, rows: NDArray[Any], as_of: AsOf) -> NDArray[Any]:
    doubted = record.index.doubted(as_of.number)
    if not doubted:
        return rows
    doubtful = np.unique(rows["number"][np.isin(rows["number"], list(doubted))]).tolist()
    gone: set[int] = set()
    for start in range(0, len(doubtful), _STEP):
        gone |= _superseded(record, doubtful[start : start + _STEP], as_of)
    return rows[~np.isin(rows["number"], list(gone))] if gone else rows


def _once_an_event(numbers: Ints, place: Ints, code: Ints) -> tuple[Ints, Ints]:
    """A board that several entries of an event lead to is one."""
    _, first = np.unique((_runs(numbers)[place] << 32) | code, return_index=True)
    first.sort()
    return place[first], code[first]


def _runs(numbers: Ints) -> Ints:
    """Numbers from 0 of the runs of equal numbers."""
    new = np.zeros(len(numbers), np.int64)
    new[1:] = numbers[1:] != numbers[:-1]
    return np.cumsum(new)


def _nameless(rows: NDArray[Any], place: Ints) -> int:
    """Looks of which no entry leads to a board."""
    event, looks = _runs(rows["number"]), rows["kind"] == LOOK
    led = np.zeros(len(rows) + 1, bool)
    led[event[place]] = True
    return int((looks & ~led[event] & np.append(True, event[1:] != event[:-1])[: len(rows)]).sum())


def instant(text: str | None) -> int | None:
    """Microseconds since 1970 of an RFC 3339 time."""
    if text is None:
        return None
    time = datetime.fromisoformat(text)
    return (int((time - _EPOCH).total_seconds()) * _SECOND) + time.microsecond


_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def _settled(rows: NDArray[Any], place: Ints, board: Ints, texts: list[str | None]) -> tuple[Looks, Ints]:
    """One look of many witnesses, attempts counted, all in order of time; and of each row given its look."""
    step = np.zeros(len(place), np.int64)
    for name in ("station", "line", "side", "method"):
        used, number = _numbered(rows[name][place])
        step = step * used + number
    key = board * (int(step.max(initial=0)) + 1) + step
    began, attempt = rows["began"][place], rows["attempt"][place]
    order = np.lexsort([began, key])
    new = np.ones(len(order), bool)
    if len(order) > 1:
        after, before = order[1:], order[:-1]
        other = (attempt[after] != attempt[before]) & (attempt[after] > 0) & (attempt[before] > 0)
        new[1:] = (key[after] != key[before]) | (began[after] - began[before] >= _SECOND) | other
    group = np.cumsum(new) - 1
    kept = order[new]
    in_time = np.argsort(began[kept], kind="stable")
    said = place[kept[in_time]]
    column: dict[str, Ints] = {name: rows[name][said] for name in COLUMNS[1:-1]}
    looks = Looks({"board": board[kept[in_time]], **column, "stated": column["attempt"] > 0}, texts)
    clash = _clashes(group, rows["outcome"][place][order], looks, len(kept))[in_time]
    outcome = looks.column("outcome")
    outcome[clash >= 0] = clash[clash >= 0]
    stated = looks.column("attempt")
    stated[:] = np.where(stated > 0, stated, _counted(key[kept])[in_time])
    at = np.empty(len(kept), np.int64)
    at[in_time] = np.arange(len(kept))
    owner = np.empty(len(order), np.int64)
    owner[order] = at[group]
    return looks, owner


def _numbered(words: Ints) -> tuple[int, Ints]:
    """How many texts there are in a column, and the column by numbers from 0."""
    used = np.flatnonzero(np.bincount(words)) if len(words) else np.empty(0, np.int64)
    number = np.zeros(int(words.max(initial=0)) + 1, np.int64)
    number[used] = np.arange(len(used))
    return max(1, len(used)), number[words]


def _counted(key: Ints) -> Ints:
    """Numbers from 1 within each run of a key."""
    first = np.ones(len(key), bool)
    first[1:] = key[1:] != key[:-1]
    start = np.maximum.accumulate(np.where(first, np.arange(len(key)), 0)) if len(key) else key
    return np.arange(len(key)) - start + 1


def _tell(columns: Columns, told: NDArray[Any], said: tuple[Ints, Ints, Ints]) -> None:
    """Calls, verdicts and work. `said`: event, board and look (-1) of each row that led to a board."""
    event, board, look = said
    start, end = np.searchsorted(event, told["number"]), np.searchsorted(event, told["number"], side="right")
    text = columns.looks.words
    verdicts: list[Verdict] = []
    seen: set[Call] = set()
    rows = zip(start.tolist(), end.tolist(), told.tolist(), strict=True)
    for first, last, (
        _,
        time,
        inspected,
        kind,
        done,
        station,
        side,
        *place,
        label,
        defect,
        key,
        verdict,
    ) in rows:
        spot = Spot(*(text[word] for word in place))
        if kind == CALL:
            for one in look[first:last].tolist():
                call = Call(one, spot, text[label] or "", text[defect], text[key])
                if call not in seen:
                    seen.add(call)
                    columns.calls.append(call)
        elif kind == LEFT_OUT:
            left = tuple(json.loads(spot.designator or "[]"))
            columns.looks.left_out.update((one, left) for one in look[first:last].tolist())
        elif kind == VERDICT:
            words = text[label], text[key], text[verdict] or "", text[defect]
            for code in board[first:last].tolist():
                verdicts.append(Verdict(code, text[station], inspected or None, time, spot, *words))
        else:
            more = kind == TOP_UP, spot, bool(done), text[defect], text[verdict]
            for code in board[first:last].tolist():
                columns.works.append(Work(code, time, text[station], text[side], *more))
    _judge(columns, verdicts)
    columns.works.sort(key=lambda work: work.time)


def _clashes(group: Ints, outcomes: Ints, looks: Looks, count: int) -> Ints:
    """Of each look the outcome that its witnesses make together, where they differ; else -1."""
    found = np.full(count, -1, np.int64)
    passed, failed, unknown = (looks.word(text) for text in ("passed", "failed", "unknown"))
    several = np.flatnonzero(np.bincount(group, minlength=count) > 1) if count else np.empty(0, np.int64)
    starts = np.searchsorted(group, several)
    ends = np.searchsorted(group, several, side="right")
    for one, start, end in zip(several.tolist(), starts.tolist(), ends.tolist(), strict=True):
        said = set(outcomes[start:end].tolist()) - {unknown}
        if {passed, failed} <= said:
            found[one] = looks.word(CONTRADICTING)
        elif said and len(said) == 1:
            found[one] = said.pop()
    return found


def _judge(columns: Columns, verdicts: list[Verdict]) -> None:
    """Give each call its latest verdict."""
    columns.verdict = [None] * len(columns.calls)
    if not verdicts:
        return
    looks = columns.looks
    board, station = looks.column("board").tolist(), looks.column("station").tolist()
    began, ended = looks.column("began").tolist(), looks.column("ended").tolist()
    by_board: dict[int, list[int]] = {}
    for number, call in enumerate(columns.calls):
        by_board.setdefault(board[call.look], []).append(number)
    for one in sorted(verdicts, key=lambda verdict: verdict.time):
        found = []
        for number in by_board.get(one.board, ()):
            call = columns.calls[number]
            if one.station is not None and looks.words[station[call.look]] != one.station:
                continue
            if one.key is not None and call.key is not None:
                if one.key == call.key:
                    found.append(number)
                continue
            if not one.spot.meets(call.spot) or (one.label is not None and one.label != call.label):
                continue
            found.append(number)
        if one.inspected is not None:
            exact = [
                n for n in found
                if min(abs(one.inspected - began[columns.calls[n].look]), abs(one.inspected - ended[columns.calls[n].look]))
                < 2 * _SECOND
            ]  # fmt: skip
            found = exact or found[:0]
        elif found:
            earlier = [n for n in found if began[columns.calls[n].look] <= one.time]
            last = max((columns.calls[n].look for n in earlier), default=-1)
            found = [n for n in earlier if columns.calls[n].look == last]
        for number in found:
            columns.verdict[number] = one
        if not found:
            columns.unjoined.append(one)
