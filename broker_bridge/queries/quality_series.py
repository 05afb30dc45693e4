"""One series for a chart or an index: what was measured or counted, point by point, with the boards of each point."""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import cache
from typing import Final, NamedTuple

import numpy as np

from broker_bridge.analysis.columns import numbered
from broker_bridge.errors import NotFound, UsageError
from broker_bridge.events.fact import Fact
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import Columns, Ints, Progress, holding_facts, instant, read_columns
from broker_bridge.queries.columns_boards import PRODUCT, Boards
from broker_bridge.queries.columns_paste import Paste, read_paste
from broker_bridge.queries.quality_looks import GROUPS, defects, groups, outcomes
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import AsOf

SOURCES: Final[Mapping[str, tuple[str, str]]] = {
    "reading": ("reading.recorded", "values"),
    "test": ("inspection.test_completed", "steps"),
    "work": ("work.completed", "values"),
    "print": ("work.print_attempted", "values"),
}
"""Where measured values stand: the event's type and its field."""
COUNTED: Final = ("failed", "defects", "calls")
_HOUR: Final = 3_600_000_000


class Series(NamedTuple):
    """Columns of equal length, in order of time."""

    name: str
    unit: str
    values: list[float]
    sizes: list[float]
    """What a count is of; 1 where values are measured."""
    labels: list[str]
    boards: list[tuple[str, ...]]
    phases: list[str]
    lower: float | None
    """The limits in force at the last point, where they are stated."""
    upper: float | None
    nominal: float | None
    remarks: tuple[str, ...] = ()


def usual_chart(what: str) -> str:
    """The kind of chart that fits a series where nobody asks for another."""
    return ("p" if what == "failed" else "u") if what in COUNTED else "i-mr"


def read_series(
    record: Record,
    as_of: AsOf,
    choice: Choice,
    what: str,
    *,
    per: str = "hour",
    stage: str = "reviewed",
    phase: str | None = None,
    progress: Progress = lambda done, of: None,
) -> Series:
    """The series of any kind: counts (`per`, `stage`), paste, values. Raises UsageError, NotFound."""
    if what in COUNTED:
        return counted(read_columns(record, as_of, progress), choice, what, per, stage, phase)
    if what.partition(":")[0] == "paste":
        name = what.partition(":")[2] or "volume"
        wanted = (name, f"{name}_lower", f"{name}_upper")
        return paste_series(read_paste(record, as_of, choice, wanted, progress), choice, what, phase)
    return measured(record, as_of, choice, what, phase, progress)


def measured(
    record: Record,
    as_of: AsOf,
    choice: Choice,
    what: str,
    phase: str | None,
    progress: Progress = lambda done, of: None,
) -> Series:
    """Values that events state by name: `reading:zone_3`, `test:rail_3v3`, `work:placed`, `print:duration`.

    Raises UsageError for another kind, NotFound with the names that there are.
    """
    kind, _, name = what.partition(":")
    if kind not in SOURCES or not name:
        raise UsageError(f"{what!r}: expected {', '.join(f'{kind}:NAME' for kind in SOURCES)}")
    type_, field = SOURCES[kind]
    boards = Boards(record.index, as_of.number)
    rows: list[tuple[int, float, Fact, tuple[int, ...]]] = []
    known: set[str] = set()
    stated: dict[str, float | None] = {}
    unit: str | None = None
    units: set[str] = set()
    for fact in holding_facts(record, (type_,), as_of, progress, f"{kind} values"):
        if not choice.of(fact):
            continue
        named = boards.named(fact.data)
        if not choice.any_purpose and any(boards.purpose[b] not in PRODUCT for b in named):
            continue
        if choice.position is not None and choice.position not in {boards.position(b) for b in named}:
            continue
        for value in fact.data.get(field, ()):
            known.add(value["name"])
            number = value.get("value")
            if value["name"] != name or number is None:
                continue
            if not choice.at((value.get("place") or {}).get("designator")):
                continue
            rows.append((instant(fact.time) or 0, float(number), fact, named))
            unit = value.get("unit") or ""
            units.add(unit or "")
            stated = {key: value.get(key) for key in ("lower", "upper", "nominal")}
    if not rows:
        raise NotFound(
            f"no value {name!r} of kind {kind} is asked for in record {as_of.record} as of commit {as_of.commit};"
            f" there are: {', '.join(sorted(known)) or 'none'}"
        )
    if len(units) > 1:
        raise UsageError(f"{what} comes in several units: {', '.join(sorted(units))}; narrow it by --station")
    rows.sort(key=lambda row: row[0])
    return Series(
        what, unit or "", [value for _, value, _, _ in rows], [1.0] * len(rows), [_label(time) for time, *_ in rows],
        [tuple(boards.key(b) for b in named) for *_, named in rows], [_phase(phase, fact, time) for time, _, fact, _ in rows],
        stated.get("lower"), stated.get("upper"), stated.get("nominal"),
        () if any(named for *_, named in rows) else ("these values name no board: `where-used --station` tells who was there",),
    )  # fmt: skip


def paste_series(paste: Paste, choice: Choice, what: str, phase: str | None) -> Series:
    """Paste, one value a print: the median pad of what is asked for (of one pad its value). `what`: paste:volume ..."""
    name = what.partition(":")[2] or "volume"
    found = [prints.first().of(choice.designator, choice.position) for prints in paste.prints]
    found = [prints for prints in found if prints.pads and name in prints.tables]
    if not found:
        raise NotFound(f"no paste column {name!r} of it is in the record as of commit {paste.as_of.commit}")
    if len(found) > 1:
        sides = ", ".join(prints.name for prints in found)
        raise UsageError(f"{what} of several prints: {sides}; ask for one by --part and --side")
    (prints,) = found
    rows = [row for row, void in enumerate(prints.void) if not void]
    table = prints.tables[name][rows]
    seen = ~np.isnan(table)
    values = [
        float(np.median(line[known])) if known.any() else float("nan")
        for line, known in zip(table, seen, strict=True)
    ]
    limits = [
        None if (column := prints.tables.get(f"{name}_{end}")) is None else float(np.nanmedian(column[rows]))
        for end in ("lower", "upper")
    ]
    measured_ = [prints.rows[row] for row in rows]
    of = "one pad" if len(prints.pads) == 1 else f"median of {len(prints.pads)} pads"
    return Series(
        f"paste {name}, {of}, {prints.name}", prints.units.get(name, ""), values, [1.0] * len(rows),
        [_label(one.time) for one in measured_], [tuple(paste.boards.key(b) for b in one.boards) for one in measured_],
        [str(_of_print(phase, one.print and one.print.program, one.time)) for one in measured_], limits[0], limits[1], None,
        () if len(prints.pads) == 1 else (
            "limits are those of single pads; a print's median pad varies less: this is no pad's capability",
        ),
    )  # fmt: skip


def counted(columns: Columns, choice: Choice, what: str, per: str, stage: str, phase: str | None) -> Series:
    """Failed boards, confirmed defects or calls of first looks, grouped: per hour, day, panel, order, or so many boards."""
    if what not in COUNTED:
        raise UsageError(f"{what!r}: there are {', '.join(COUNTED)}")
    if phase is not None and phase not in GROUPS:
        raise UsageError(f"--phase {phase}: there are {', '.join(GROUPS)}")
    looks = columns.looks
    chosen = columns.chosen(choice) & (looks.column("attempt") == 1)
    judged = outcomes(columns, stage)
    rows = np.flatnonzero(chosen & judged.are("passed", "failed"))
    station = looks.column("station")[rows]
    stations = {looks.words[word] for word in station[numbered(station)[1]].tolist()}
    if len(stations) > 1:
        raise UsageError(
            f"{what} of several stations: {', '.join(sorted(map(str, stations)))}; ask for one by --station"
        )
    hits = np.zeros(len(looks), np.int64)
    if what == "failed":
        hits[judged.are("failed")] = 1
    else:
        told = defects(columns, chosen) if what == "defects" else columns.calls
        hit = [one.look for one in told if choice.at(one.spot.designator)]
        hits += np.bincount(np.asarray(hit, np.int64), minlength=len(looks))
    group, labels = _groups(columns, per, rows)
    phases = _phases(columns, phase, rows, numbered(group)[1]) if phase else [""] * len(labels)
    return Series(
        f"{what} per {per}, as {stage}", "boards" if what == "failed" else what,
        np.bincount(group, hits[rows], len(labels)).tolist(), np.bincount(group, minlength=len(labels)).astype(float).tolist(), labels,
        _boards(columns, rows[hits[rows] > 0], group[hits[rows] > 0], len(labels)), phases, None, None, None,
    )  # fmt: skip


def _boards(columns: Columns, rows: Ints, group: Ints, count: int) -> list[tuple[str, ...]]:
    """The boards of these looks by group, by name."""
    name = cache(columns.boards.key)
    found: dict[int, set[str]] = {}
    for one, board in zip(group.tolist(), columns.looks.column("board")[rows].tolist(), strict=True):
        found.setdefault(one, set()).add(name(board))
    return [tuple(sorted(found.get(one, ()))) for one in range(count)]


def _groups(columns: Columns, per: str, rows: Ints) -> tuple[Ints, list[str]]:
    """The group of each of these looks by number, and what the groups are called; in order of their first looks."""
    if per.isdigit() and int(per) > 0:
        # Whole groups only: a last one that is not full would have limits of its own.
        size = int(per)
        whole = len(rows) // size
        labels = [f"boards {i * size + 1} to {i * size + size}" for i in range(whole)]
        return np.minimum(np.arange(len(rows)) // size, whole), labels + ["the rest"] * (
            len(rows) > whole * size
        )
    if per == "panel":
        board = columns.looks.column("board")[rows]
        code, first = numbered(columns.boards.panels[board])
        names = [columns.boards.panel(b) for b in board[first].tolist()]
    elif per in ("hour", "day", "order"):
        code, names = groups(columns, per, rows)
        first = numbered(code)[1]
    else:
        raise UsageError(f"--per {per}: expected hour, day, order, panel or a number of boards")
    order = np.argsort(first)
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    return place[code], [names[one] for one in order.tolist()]


def _phases(columns: Columns, phase: str, rows: Ints, first: Ints) -> list[str]:
    """The phase of each group: that of its first look."""
    code, names = groups(columns, phase, rows)
    return [names[one] for one in code[first].tolist()]


def _phase(phase: str | None, fact: Fact, time: int) -> str:
    data = fact.data
    found: Mapping[str, Callable[[], object]] = {
        "program": lambda: (data.get("program") or {}).get("name"),
        "order": lambda: data.get("order"),
        "part": lambda: (data.get("part") or {}).get("number"),
        "day": lambda: _label(time)[:10],
        "equipment": lambda: data.get("equipment"),
    }
    if phase is None:
        return ""
    if phase not in found:
        raise UsageError(f"--phase {phase}: there are {', '.join(found)}")
    return str(found[phase]() or "not stated")


def _of_print(phase: str | None, program: str | None, time: int) -> str:
    if phase is None:
        return ""
    if phase not in ("program", "day"):
        raise UsageError(f"--phase {phase}: of paste there are program, day")
    return (program or "not stated") if phase == "program" else _label(time)[:10]


def _label(time: int) -> str:
    return f"{datetime.fromtimestamp(time / 1e6, UTC):%Y-%m-%d %H:%M:%S}"
