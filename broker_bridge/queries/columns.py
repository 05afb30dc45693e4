"""What inspections and tests said of many boards, as columns: one stream through the record, one entry a look.

A look is one inspection or test of one board at one attempt, however many records tell of it. Attempts are those stated, else
counted in order of time over all looks of the board at that station, side and method, whatever the question leaves out.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from broker_bridge.events.fact import Fact
from broker_bridge.projector.ties import all_ties
from broker_bridge.queries.boards import holding
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns_boards import PRODUCT, Boards
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import AsOf

Progress = Callable[[float, str], None]
"""Told the share that is done, from 0 to 1, and of what."""
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

_STEP: Final = 5000
_SECOND: Final = 1_000_000
LOOKS: Final = ("inspection.completed", "inspection.test_completed")
_DECISIONS: Final = ("inspection.reviewed", "inspection.rework_performed", "inspection.paste_topped_up")
_INTRODUCTIONS: Final = ("board.introduced", "work.order_assigned", "inspection.verified")
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

    def __init__(self) -> None:
        self.words: list[str | None] = [None]
        self._word: dict[str | None, int] = {None: 0}
        self._rows: list[tuple[int, ...]] = []
        self.left_out: dict[int, tuple[str, ...]] = {}
        self.table: Ints = np.empty((0, len(_COLUMNS)), np.int64)

    def word(self, text: str | None) -> int:
        """The number of a text."""
        code = self._word.get(text)
        if code is None:
            code = self._word[text] = len(self.words)
            self.words.append(text)
        return code

    def column(self, name: str) -> Ints:
        """A column of numbers, or of the numbers of texts."""
        return np.asarray(self.table[:, _COLUMNS.index(name)])

    def texts(self, name: str, rows: Sequence[int] | Ints | None = None) -> list[str | None]:
        """A column of texts."""
        column = self.column(name) if rows is None else self.column(name)[rows]
        return [self.words[code] for code in column.tolist()]

    def is_any(self, name: str, *texts: str | None) -> Mask:
        """Where a column of texts is one of these."""
        codes = [self._word[text] for text in texts if text in self._word]
        return np.isin(self.column(name), codes)

    def __len__(self) -> int:
        return len(self.table)


_COLUMNS: Final = (
    "board", "station", "line", "equipment", "side", "method", "part", "program", "revision", "order", "began", "ended",
    "attempt", "outcome", "inspected", "of", "number", "stated",
)  # fmt: skip


class Columns:
    """Everything that was said of looks, calls, verdicts and rework, as of a commit."""

    def __init__(self, boards: Boards, as_of: AsOf) -> None:
        self.boards, self.as_of = boards, as_of
        self.looks = Looks()
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
            place = np.asarray([boards.position(code) or 0 for code in range(len(boards))] or [0])
            mask &= place[board] == choice.position
        apart = np.zeros(max(1, len(boards)), bool)
        apart[list(boards.crossed_out | boards.doubtful)] = True
        return np.asarray(mask & ~apart[board])

    def all_of(self, boards: set[int]) -> list[str]:
        """The keys of boards, in order."""
        return sorted(self.boards.key(code) for code in boards)


def read_columns(record: Record, as_of: AsOf, progress: Progress = lambda done, of: None) -> Columns:
    """All looks of the record as of a commit, whatever is asked for of them."""
    ties = all_ties(record.index.path, as_of.number)
    columns = Columns(Boards(ties), as_of)
    verdicts: list[Verdict] = []
    rows: list[tuple[int, ...]] = []
    calls: list[Call] = []
    for fact in holding_facts(
        record, (*LOOKS, *_DECISIONS, *_INTRODUCTIONS), as_of, ties.revised, progress, "inspections"
    ):
        boards = columns.boards.named(fact.data)
        match fact.type:
            case "inspection.completed" | "inspection.test_completed":
                if not boards:
                    columns.nameless += 1
                for board in boards:
                    _look(columns.looks, fact, board, rows, calls)
            case "inspection.reviewed":
                verdicts += (one for board in boards for one in _verdicts(fact, board))
            case "inspection.rework_performed":
                columns.works += (one for board in boards for one in _works(fact, board))
            case "inspection.paste_topped_up":
                columns.works += (one for board in boards for one in _top_ups(fact, board))
            case _:
                pass
    _settle(columns, rows, calls)
    _judge(columns, verdicts)
    columns.works.sort(key=lambda work: work.time)
    return columns


def holding_facts(
    record: Record,
    types: Sequence[str],
    as_of: AsOf,
    revised: frozenset[tuple[str, str]],
    progress: Progress,
    what: str,
) -> Iterator[Fact]:
    """The events of these types that hold, in order of the record."""
    after = 0
    while found := record.reader.typed(types, after, as_of.number, _STEP):
        after = found[-1].number
        if revised:
            doubtful = [f.number for f in found if (f.source, f.generation) in revised]
            kept = {fact.number for fact in holding(record, doubtful, as_of.number)} if doubtful else set()
            gone = set(doubtful) - kept
            found = [fact for fact in found if fact.number not in gone]
        yield from found
        progress(after / max(1, as_of.number), f"reading {what}: {after} of {as_of.number} events")


def instant(text: str | None) -> int | None:
    """Microseconds since 1970 of an RFC 3339 time."""
    if text is None:
        return None
    time = datetime.fromisoformat(text)
    return (int((time - _EPOCH).total_seconds()) * _SECOND) + time.microsecond


_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def _look(looks: Looks, fact: Fact, board: int, rows: list[tuple[int, ...]], calls: list[Call]) -> None:
    data, word = fact.data, looks.word
    ended = instant(data.get("ended")) or instant(fact.time) or 0
    program = data.get("program") or {}
    coverage = data.get("coverage") or {}
    part = data.get("part")
    row = len(rows)
    attempt = data.get("attempt") or 0
    rows.append((
        board, word(data.get("station")), word(fact.source.rpartition("/")[0]), word(data.get("equipment")),
        word(data.get("side")), word(data["method"]), word(part["number"] if part else None), word(program.get("name")),
        word(program.get("revision") or program.get("hash")), word(data.get("order")),
        instant(data.get("started")) or ended, ended, attempt, word(data["outcome"]),
        -1 if coverage.get("inspected") is None else coverage["inspected"], word(coverage.get("of")), fact.number,
        int(bool(attempt)),
    ))  # fmt: skip
    if coverage.get("left_out"):
        looks.left_out[row] = tuple(coverage["left_out"])
    for call in data.get("calls", ()):
        calls.append(Call(row, Spot.of(call["place"]), call["label"], call.get("defect"), call.get("key")))


def _settle(columns: Columns, rows: list[tuple[int, ...]], calls: list[Call]) -> None:
    """One look of many witnesses, attempts counted, all in order of time."""
    looks = columns.looks
    table = np.asarray(rows, np.int64).reshape(-1, len(_COLUMNS))
    column = {name: table[:, place] for place, name in enumerate(_COLUMNS)}
    same = ("board", "station", "line", "side", "method")
    order = np.lexsort([column["number"], column["began"], *(column[name] for name in reversed(same))])
    ordered = table[order]
    new = np.ones(len(table), bool)
    if len(table) > 1:
        at = [_COLUMNS.index(name) for name in same]
        apart = (ordered[1:, at] != ordered[:-1, at]).any(axis=1)
        began = ordered[:, _COLUMNS.index("began")]
        attempts = ordered[:, _COLUMNS.index("attempt")]
        other = (attempts[1:] != attempts[:-1]) & (attempts[1:] > 0) & (attempts[:-1] > 0)
        new[1:] = apart | (np.diff(began) >= _SECOND) | other
    group = np.cumsum(new) - 1
    outcome = _COLUMNS.index("outcome")
    kept = ordered[new].copy()
    clash = _clashes(group, ordered[:, outcome], looks, len(kept))
    kept[clash >= 0, outcome] = clash[clash >= 0]
    _count_attempts(kept)
    in_time = np.argsort(kept[:, _COLUMNS.index("began")], kind="stable")
    looks.table = kept[in_time]
    place = np.empty(len(kept), np.int64)
    place[in_time] = np.arange(len(kept))
    owner = np.empty(len(table), np.int64)
    owner[order] = place[group] if len(table) else group
    seen: set[Call] = set()
    for call in calls:
        moved = call._replace(look=int(owner[call.look]))
        if moved not in seen:
            seen.add(moved)
            columns.calls.append(moved)
    looks.left_out = {int(owner[row]): left for row, left in looks.left_out.items()}


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


def _count_attempts(kept: Ints) -> None:
    """Number the looks of a board at one station, side and method that state no attempt. They are sorted by these."""
    if not len(kept):
        return
    at = [_COLUMNS.index(name) for name in ("board", "station", "line", "side", "method")]
    first = np.ones(len(kept), bool)
    first[1:] = (kept[1:, at] != kept[:-1, at]).any(axis=1)
    start = np.maximum.accumulate(np.where(first, np.arange(len(kept)), 0))
    attempt = _COLUMNS.index("attempt")
    counted = np.arange(len(kept)) - start + 1
    kept[:, attempt] = np.where(kept[:, attempt] > 0, kept[:, attempt], counted)


def _verdicts(fact: Fact, board: int) -> Iterator[Verdict]:
    data, time = fact.data, instant(fact.time) or 0
    inspected = instant(data.get("inspected"))
    for one in data.get("verdicts", ()):
        yield Verdict(
            board, data.get("inspected_at"), inspected, time, Spot.of(one["place"]), one.get("label"), one.get("key"),
            one["verdict"], one.get("defect"),
        )  # fmt: skip


def _works(fact: Fact, board: int) -> Iterator[Work]:
    data, time = fact.data, instant(fact.data.get("ended")) or instant(fact.time) or 0
    for action in data.get("actions", ()):
        yield Work(
            board, time, data.get("station"), data.get("side"), False, Spot.of(action["place"]),
            data.get("outcome") != "failed" and action.get("verdict") != "not_repairable",
            action.get("defect"), action.get("verdict"),
        )  # fmt: skip


def _top_ups(fact: Fact, board: int) -> Iterator[Work]:
    data, time = fact.data, instant(fact.data.get("ended")) or instant(fact.time) or 0
    for name, done in (("places", data.get("outcome") != "failed"), ("left", False)):
        for place in data.get(name, ()):
            yield Work(
                board, time, data.get("station"), data.get("side"), True, Spot.of(place), done, None, None
            )


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
