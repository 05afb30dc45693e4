"""How long `quality` takes on a large record, and its arithmetic on columns as large as a plant's year.

    tools/virtual_plant --boards 20000 --seed 11 --data DIR
    python tools/bench/bench_quality.py DIR/record.db
    python tools/bench/bench_quality.py --looks 2200000

Without a record only the arithmetic is measured. Processor time, and the peak of memory of the whole process; a fixed loop
is timed first, so that runs on machines, or hours, of different speed can be compared.
"""

import argparse
import gc
import resource
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from broker_bridge.analysis.paste import drift, pad_statistics
from broker_bridge.analysis.risks import relative_risks
from broker_bridge.analysis.yields import first_pass
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import COLUMNS, Call, Columns, Looks, Spot, Verdict, Work, read_columns
from broker_bridge.queries.columns_oven import read_oven
from broker_bridge.queries.columns_paste import read_paste
from broker_bridge.queries.columns_placements import read_placements
from broker_bridge.queries.parts import Component, Parts, read_parts
from broker_bridge.queries.quality_charts import quality_charts
from broker_bridge.queries.quality_looks import defects
from broker_bridge.queries.quality_occurrence import Ground, quality_occurrence
from broker_bridge.queries.quality_series import COUNTED, counted, usual_chart
from broker_bridge.queries.quality_yield import quality_yield
from broker_bridge.queries.record import open_record
from broker_bridge.trace.history import AsOf

Told = TypeVar("Told")


def main() -> int:
    """Measure and tell."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("record", type=Path, nargs="?", help="record.db of a large run")
    parser.add_argument("--panels", type=int, default=1000)
    parser.add_argument("--pads", type=int, default=5000)
    parser.add_argument("--boards", type=int, default=500_000, help="looks of the yield on columns")
    parser.add_argument(
        "--looks", type=int, help="only the questions about boards, on a year of so many looks"
    )
    args = parser.parse_args()
    gc.disable()
    _calibrate()
    if args.looks is not None:
        _questions(_timed("the year itself, made", lambda: _year(args.looks)))
        return 0
    _arithmetic(args.panels, args.pads, args.boards)
    if args.record is not None:
        _record(f"sqlite:////{str(args.record.resolve()).lstrip('/')}")
    return 0


def _calibrate() -> None:
    """A second or so of loops, and of sorting, on a quiet machine of 2023."""
    _timed(
        "fixed loop of ten million additions",
        lambda: sum(range(10_000_000)) + sum(n for n in range(5_000_000)),
    )
    _timed(
        "fixed sort of five million numbers",
        lambda: np.sort(np.random.default_rng(1).integers(0, 2**62, 5_000_000)),
    )


STEPS = (
    ("spi", "top", "paste"), ("aoi-top", "top", "optical"), ("aoi-bottom", "bottom", "optical"),
    ("x-ray", "top", "x_ray"), ("test", None, "functional"),
)  # fmt: skip
PARTS, ORDERS, ON_PANEL, PLACES = 12, 400, 4, 60
YEAR = 365 * 86_400


class _Plant:
    """Boards as columns know them, without a record to take their names from."""

    def __init__(self, count: int) -> None:
        numbers = range(count)
        self.part: list[str | None] = [f"HW-{n * ORDERS // count % PARTS}" for n in numbers]
        self.order: list[str | None] = [f"W{n * ORDERS // count}" for n in numbers]
        self.purpose: list[str | None] = [None] * count
        self.crossed_out: set[int] = set()
        self.doubtful: set[int] = set()
        self.panels = np.arange(count) // ON_PANEL * 7 + 3
        self.positions = np.arange(count) % ON_PANEL + 1

    def __len__(self) -> int:
        return len(self.part)

    def key(self, code: int) -> str:
        return f"HW{code:09}"

    def panel(self, code: int) -> str:
        return f"P{code // ON_PANEL:08}"

    def position(self, code: int) -> int | None:
        return code % ON_PANEL + 1


def _year(looks: int) -> tuple[Columns, Parts]:
    """A year of an invented plant: five steps, 1 % of looks failed, some looked at twice, calls judged but for a few."""
    chance = np.random.default_rng(7)
    count = looks * 50 // (51 * len(STEPS))
    plant = _Plant(count)
    words: list[str | None] = [None]
    number = {None: 0}

    def word(text: str | None) -> int:
        if text not in number:
            number[text] = len(words)
            words.append(text)
        return number[text]

    board = np.tile(np.arange(count), len(STEPS))
    step = np.repeat(np.arange(len(STEPS)), count)
    began = (board * (YEAR / count) * 1e6).astype(np.int64) + step * 600_000_000 + 1_700_000_000_000_000
    failed = chance.random(len(board)) < 0.01
    skipped = chance.random(len(board)) < 0.002
    again = failed | (chance.random(len(board)) < 0.01)
    board, step = np.append(board, board[again]), np.append(step, step[again])
    began = np.append(began, began[again] + 3_600_000_000)
    attempt = np.append(np.ones(len(again), np.int64), np.full(int(again.sum()), 2))
    failed, skipped = (np.append(mask, np.zeros(int(again.sum()), bool)) for mask in (failed, skipped))
    order = np.argsort(began, kind="stable")
    board, step, began, attempt, failed, skipped = (
        column[order] for column in (board, step, began, attempt, failed, skipped)
    )
    of_step = {name: np.asarray([word(one[place]) for one in STEPS])[step]
               for place, name in enumerate(("station", "side", "method"))}  # fmt: skip
    of_board = {name: np.asarray([word(text) for text in column])[board]
                for name, column in (("part", plant.part), ("order", plant.order))}  # fmt: skip
    outcome = np.where(failed, word("failed"), np.where(skipped, word("skipped"), word("passed")))
    same: dict[str, Any] = {name: np.zeros(len(board), np.int64) for name in COLUMNS}
    columns = same | of_step | of_board | {
        "board": board, "began": began, "ended": began + 20_000_000, "attempt": attempt, "outcome": outcome,
        "inspected": np.full(len(board), -1), "line": np.full(len(board), word("/harbour/smt/line-1")),
        "program": of_board["part"],
    }  # fmt: skip
    found = Columns(plant, AsOf("invented", 1, 1, 1), Looks(columns, words))  # type: ignore[arg-type]
    labels = ("bridge", "open", "missing", "shifted", "flux")
    for look in np.flatnonzero(failed & (step != 4)).tolist():
        for place in chance.choice(PLACES, 1 + int(chance.random() < 0.4) * 3, replace=False).tolist():
            spot, label = Spot(f"R{place}", None, None), labels[int(chance.integers(5))]
            found.calls.append(Call(look, spot, label, None, None))
            lot = chance.random()
            judged = None if lot < 0.02 or step[look] == 0 else ("confirmed" if lot < 0.4 else "false_call")
            told = None if judged is None else Verdict(
                int(board[look]), None, None, int(began[look]) + 60_000_000, spot, label, None, judged, None
            )  # fmt: skip
            found.verdict.append(told)
            if judged == "confirmed":
                later = int(began[look]) + 1_200_000_000
                found.works.append(
                    Work(int(board[look]), later, "bench", None, False, spot, True, label, None)
                )
    found.works.sort(key=lambda work: work.time)
    components = {
        f"R{n}": Component(f"R{n}", "RES", "top" if n % 2 else "bottom", 2, None, None) for n in range(PLACES)
    }
    parts = Parts({f"HW-{n}": components for n in range(PARTS)}, {})
    print(
        f"{len(found.looks):,} looks of {count:,} boards, {len(found.calls):,} calls, {len(found.works):,} works"
    )
    return found, parts


def _questions(of: tuple[Columns, Parts]) -> None:
    columns, parts = of
    everything = Choice(any_purpose=True)
    for stage in ("reviewed", "inspected", "reworked"):
        _timed(
            f"yield as {stage}", lambda stage=stage: quality_yield(columns, parts, everything, stage=stage)
        )
    shift = Choice(shift=(360, 840), any_purpose=True)
    _timed("yield of one shift", lambda: quality_yield(columns, parts, shift))
    for by in ("line", "station", "part", "order", "position", "day", "hour"):
        _timed(f"yield by {by}", lambda by=by: quality_yield(columns, parts, everything, by=by))
    aoi = Choice(station="aoi-top", any_purpose=True)
    for what in COUNTED:
        for per in ("hour", "day", "panel", "order", "100"):

            def chart(what: str = what, per: str = per) -> object:
                series = counted(columns, aoi, what, per, "reviewed", "part" if per == "day" else None)
                return quality_charts(series, usual_chart(what), columns.as_of, "")

            _timed(f"chart of {what} per {per}", chart)


def _arithmetic(panels: int, pads: int, boards: int) -> None:
    chance = np.random.default_rng(1)
    table = chance.normal(100.0, 6.0, (panels, pads))
    _timed(
        f"pad statistics, {panels:,} panels of {pads:,} pads",
        lambda: pad_statistics(table, lower=50.0, upper=150.0),
    )
    _timed("drift of the same, each against its print", lambda: drift(table, relative=True))
    outcomes = np.where(chance.random(boards) < 0.98, "passed", "failed").tolist()
    _timed(f"first-pass yield of {boards:,} looks", lambda: first_pass(range(boards), [1] * boards, outcomes))
    rows = 200_000
    hit = (chance.random(rows) < 0.001).tolist()
    factors = {
        name: chance.integers(0, levels, rows).tolist()
        for name, levels in (("reel", 400), ("nozzle", 12), ("slot", 60))
    }
    _timed(f"relative risks, {rows:,} placements, 472 levels", lambda: relative_risks(hit, factors))


def _record(url: str) -> None:
    with open_record(url) as record:
        as_of = record.as_of()
        print(f"{as_of.number:,} events")
        columns = _timed("inspections and tests into columns", lambda: read_columns(record, as_of))
        parts = read_parts(record, as_of)
        _timed(
            f"yields of {len(columns.looks):,} looks, {len(columns.boards):,} boards",
            lambda: quality_yield(columns, parts, Choice()),
        )
        paste = _timed("paste into tables", lambda: read_paste(record, as_of, Choice(), ("volume",)))
        placements = _timed("placements", lambda: read_placements(record, columns.boards, as_of))
        affected = {one.board for one in defects(columns, columns.chosen(Choice()))}
        ovens = _timed("oven readings", lambda: read_oven(record, columns.boards, affected, as_of))
        _timed(
            "occurrence",
            lambda: quality_occurrence(Ground(columns, parts, paste, placements, ovens), Choice()),
        )


def _timed(what: str, work: Callable[[], Told]) -> Told:
    began = time.process_time()
    found = work()
    took = time.process_time() - began
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(f"{what:<62} {took:7.2f} s, peak {peak:,} MB", flush=True)
    return found


if __name__ == "__main__":
    raise SystemExit(main())
