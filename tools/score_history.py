"""Compare the histories of a record of the invented plant with what really happened on its machines.

    tools/demo --exit --data demo --boards 300        or        tools/virtual_plant --boards 20000 --data demo
    tools/score_history demo

Every board of truth.jsonl is looked up by its panel and position. Each true visit has to be in the history, at most a
second off (an end that nobody saw: inside the true visit), or missing with a stated reason; each visit told as observed
has to be true. At a machine whose clock was wrong on purpose, observed may be off by as much as the supervisor takes
without asking (5 s), counted apart. The same for calls, verdicts and materials (by designator: reel and lot). Tests of a
board count where the record ties its serial to its panel, else apart. Then every fault of the truth: it did no harm, or
the history says that something is doubtful there, or it is listed as not accounted for.
"""

import argparse
import json
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final, NamedTuple

from broker_bridge.errors import NotFound
from broker_bridge.queries.boards import board as history_of
from broker_bridge.queries.record import open_record
from broker_bridge.trace.history import History
from broker_bridge.trace.visits import Visit

CLOSE: Final = timedelta(seconds=1)
TOLERATED: Final = timedelta(seconds=5)
"""`clock_tolerance_s` of a supervisor: by so much an observed time of a machine with a wrong clock may be off."""
AROUND: Final = timedelta(hours=1)
"""Signs of a fault are looked for so far from it."""

Entry = dict[str, Any]

NOBODY_KNOWS: Final = frozenset({"lot_split"})
"""Faults that no source of the plant can know of."""
CLOCKS: Final = frozenset({"clock_offset", "clock_drift", "clock_step"})
SILENT: Final = frozenset({"OvenReading", "PrinterEvent", "ReelEvent", "PlacementProgram", "PlacementStop"})
"""Records that speak of no board: when one is lost, nothing shows it, unless what it held is missed elsewhere."""


class Truth(NamedTuple):
    """What happened: by board, and the faults by panel ("" for those of the line)."""

    boards: Mapping[str, Entry]
    by_board: Mapping[str, Mapping[str, list[Entry]]]
    faults: Mapping[str, list[Entry]]
    typed: Mapping[str, list[Entry]]
    """Codes that were typed in place of another, by what was typed."""

    def of(self, kind: str, board: str) -> list[Entry]:
        """The entries of a kind about a board."""
        return self.by_board[kind].get(board, [])

    @property
    def wrong_clocks(self) -> frozenset[str]:
        """Stations whose clock was wrong at some time."""
        return frozenset(f["where"] for f in self.faults.get("", []) if f["what"].startswith("clock_"))


def read_truth(path: Path) -> Truth:
    """The truth of a run; of several lines about one board the last counts."""
    boards: dict[str, Entry] = {}
    by_kind: dict[str, dict[str, list[Entry]]] = defaultdict(lambda: defaultdict(list))
    faults: dict[str, list[Entry]] = defaultdict(list)
    typed: dict[str, list[Entry]] = defaultdict(list)
    with path.open(encoding="utf-8") as lines:
        for line in lines:
            entry = json.loads(line)
            if entry["kind"] == "board":
                boards[entry["board"]] = entry
            elif entry["kind"] == "fault":
                faults[entry.get("panel") or ""].append(entry)
                if entry["what"] == "barcode_typed":
                    typed[entry["said"]].append(entry)
            else:
                by_kind[entry["kind"]][entry["board"]].append(entry)
    return Truth(boards, by_kind, faults, typed)


class Score(NamedTuple):
    """Counts, the first differences in words, and the faults that nothing accounts for."""

    counts: Counter[str]
    differences: list[str]
    unaccounted: list[Entry]

    @property
    def wrong(self) -> int:
        """How much is told as observed and is not so."""
        return sum(
            count
            for name, count in self.counts.items()
            if name.endswith(("wrong among observed", "calls wrong", "verdicts wrong"))
        )


def score(folder: Path, every: int = 1) -> Score:
    """Score the boards of a run, or every n-th of them."""
    truth = read_truth(folder / "truth.jsonl")
    counts: Counter[str] = Counter()
    differences: list[str] = []
    faults = Faults(truth)
    with open_record(f"sqlite:////{str((folder / 'record.db').resolve()).lstrip('/')}") as record:
        for serial, entry in sorted(truth.boards.items())[::every]:
            if entry.get("purpose") == "skipped":
                continue
            counts["boards"] += 1
            try:
                history = history_of(record, entry["panel"], kind="panel", position=entry["position"])
            except NotFound:
                counts["boards not in the record"] += 1
                counts["visits missing"] += len(truth.of("visit", serial))
                continue
            of_board = Board(serial, history, truth, counts)
            told = of_board.compare()
            faults.seen(entry["panel"], of_board)
            differences += [f"{serial} ({entry['panel']}/{entry['position']}): {text}" for text in told]
            counts["gaps"] += len(history.gaps)
            counts["findings"] += len(history.findings)
    counts.update(faults.counts())
    return Score(counts, differences, faults.unaccounted())


class Board:
    """One board's history beside its truth. `wrong` gathers the stations where they differ."""

    def __init__(self, serial: str, history: History, truth: Truth, counts: Counter[str]) -> None:
        self.serial = serial
        self.history = history
        self.truth = truth
        self.counts = counts
        self.wrong: set[str] = set()
        self.tied = any(one.value == serial for one in history.identity.identifiers)

    def compare(self) -> list[str]:
        """Count what is right and wrong; returns the differences in words."""
        return [*self._visits(), *self._calls(), *self._verdicts(), *self._materials()]

    def _expected(self, kind: str) -> list[Entry]:
        return self.truth.of(kind, self.serial)

    def _visits(self) -> Iterator[str]:
        left = list(self.history.route)
        for visit in self._expected("visit"):
            if not self.tied and _board_alone(visit):
                self.counts["visits of the board alone, its serial not tied to its panel"] += 1
                continue
            self.counts["visits"] += 1
            found, close = self._match(left, visit)
            if found is None:
                self.counts["visits missing"] += 1
                self.wrong.add(visit["station"])
                if not self._signs(visit["station"], _time(visit["arrived"])):
                    self.counts["visits missing without a reason"] += 1
                yield f"no visit at {visit['station']} {visit['side']} {visit['arrived']}"
                continue
            left.remove(found)
            self.counts["visits right" if close else "visits right within the tolerance of clocks"] += 1
            self.counts[f"visits {found.certainty}"] += 1
        for seen in left:
            observed = seen.certainty == "observed"
            if observed and self._mistyped(seen):
                self.counts["visits of another board, of which a person typed this one's code"] += 1
                continue
            self.wrong.add((seen.station or "").upper())
            kind = "visits wrong among observed" if observed else f"visits unmatched, {seen.certainty}"
            self.counts[kind] += 1
            yield f"told {seen.certainty}: {seen.station} {seen.side} {seen.arrived} to {seen.departed}"

    def _mistyped(self, seen: Visit) -> bool:
        """Whether a slip of a person's finger hit this board's code, or its panel's: nothing in the record can show it."""
        names = {self.serial, self.truth.boards[self.serial]["panel"]}
        return any(
            fault["where"] == (seen.station or "").upper()
            and abs(_time(fault["when"]) - seen.arrived) <= CLOSE
            for name in names
            for fault in self.truth.typed.get(name, ())
        )

    def _match(self, left: list[Visit], visit: Entry) -> tuple[Visit | None, bool]:
        here = [seen for seen in left if seen.station == visit["station"].lower()]
        wide = TOLERATED + CLOSE if visit["station"] in self.truth.wrong_clocks else CLOSE
        for limit in (CLOSE, wide):
            for seen in here:
                if _agrees(seen, _time(visit["arrived"]), _time(visit["departed"]), limit):
                    return seen, limit == CLOSE
        return None, False

    def _calls(self) -> Iterator[str]:
        found = [
            (inspection.station, call.place.designator, inspection.side, inspection.certainty)
            for inspection in self.history.inspections
            for call in inspection.calls
            if inspection.station == "aoi"
        ]
        for call in self._expected("call"):
            if call["station"] != "AOI":
                continue
            self.counts["calls"] += 1
            told = [key for key in found if key[:3] == ("aoi", call["designator"], call["side"])]
            if told:
                found.remove(told[0])
                self.counts["calls right"] += 1
            else:
                self.counts["calls missing"] += 1
                self.wrong.add("AOI")
                yield f"no call at {call['designator']} {call['side']}"
        for key in found:
            self.counts["calls wrong" if key[3] == "observed" else f"calls unmatched, {key[3]}"] += 1
            self.wrong.add("AOI")
            yield f"a call that was not: {key}"

    def _verdicts(self) -> Iterator[str]:
        told = Counter(
            (call.place.designator, inspection.side, call.verdict)
            for inspection in self.history.inspections
            for call in inspection.calls
            if call.verdict in ("confirmed", "false_call")
        )
        for review in self._expected("review"):
            self.counts["verdicts"] += 1
            verdict = "confirmed" if review["verdict"] == "defect" else "false_call"
            key = (review["designator"], review["side"], verdict)
            if told[key]:
                told[key] -= 1
                self.counts["verdicts right"] += 1
            else:
                self.counts["verdicts missing"] += 1
                self.wrong.add("REVIEW")
                yield f"no verdict {verdict} at {review['designator']} {review['side']}"
        self.counts["verdicts wrong"] += sum(told.values())
        yield from (f"a verdict that was not: {key}" for key, left in told.items() if left)

    def _materials(self) -> Iterator[str]:
        """By designator: is the true reel among those told, and is none told as observed that is another?"""
        true: dict[tuple[str, str | None], set[tuple[str, str]]] = defaultdict(set)
        for entry in self._expected("material"):
            for designator in entry["designators"] or [None]:
                true[entry["station"], designator].add((entry["reel"], entry["lot"]))
        told: dict[tuple[str, str | None], list[tuple[str | None, tuple[str, ...], bool]]] = defaultdict(list)
        for one in self.history.materials:
            if one.act in ("installed", "consumed"):
                sure = one.certainty == "observed"
                for place in one.places or (None,):
                    key = ((one.station or "").upper(), place.designator if place else None)
                    told[key].append((one.id, one.lots, sure))
        for (station, designator), reels in true.items():
            here = told.pop((station, designator), [])
            if designator is not None and not here:
                self.counts["materials not told by designator"] += len(reels)
                continue
            for reel, lot in reels:
                self.counts["materials"] += 1
                lots = {lot for name, lots, _ in here if name == reel for lot in lots}
                if lot in lots:
                    self.counts["materials right"] += 1
                elif lots:
                    self.counts["materials right by reel, of another lot than its label"] += 1
                else:
                    self.counts["materials missing"] += 1
            for name, _, sure in here:
                if sure and name is not None and name not in {reel for reel, _ in reels}:
                    self.counts["materials wrong among observed"] += 1
                    yield f"{designator or 'paste'} at {station} is not of {name}"
        for (station, designator), here in told.items():
            if designator is not None and any(sure and name for name, _, sure in here):
                self.counts["materials wrong among observed"] += 1
                yield f"{designator} was not placed at {station}"

    def _signs(self, station: str, when: datetime) -> bool:
        """Whether the history says that something is missing or doubtful at a station around a time."""
        place, since, until = station.lower(), when - AROUND, when + AROUND
        if any(
            gap.where in (place, gap.source) or gap.kind == "unjoined"
            for gap in self.history.gaps
            if (gap.from_ is None or gap.from_ <= until) and (gap.to is None or gap.to >= since)
        ):
            return True
        return any(
            _doubtful(visit)
            for visit in self.history.route
            if visit.station == place and visit.arrived <= until and (visit.departed or until) >= since
        ) or bool(self.history.findings)

    def accounts(self, fault: Entry) -> str:
        """What became of a fault for this board: right, told or nothing."""
        station, when = fault["where"], _time(fault["when"])
        if fault["what"] == "lost":
            return "told" if self._signs(station, when) else "nothing"
        if station not in self.wrong:
            return "right"
        return "told" if self._signs(station, when) else "nothing"


class Faults:
    """Gathers what became of the faults, the worst of the boards concerned."""

    _ORDER: Final = ("silent", "right", "told", "nothing")

    def __init__(self, truth: Truth) -> None:
        self._truth = truth
        self._fates: dict[int, tuple[Entry, str]] = {}
        self._gaps: set[tuple[str, datetime | None, datetime | None]] = set()
        self._doubted: set[str] = set()
        self._wrong: set[str] = set()

    def seen(self, panel: str, board: Board) -> None:
        """Take in one board of a panel."""
        for fault in self._truth.faults.get(panel, ()):
            lost = fault["what"] == "lost" and fault["record"] in SILENT
            fate = "silent" if lost else board.accounts(fault)
            before = self._fates.get(id(fault))
            if before is None or self._ORDER.index(fate) > self._ORDER.index(before[1]):
                self._fates[id(fault)] = (fault, fate)
        self._wrong |= board.wrong
        for gap in board.history.gaps:
            if gap.kind == "stated":
                self._gaps.add((gap.where, gap.from_, gap.to))
        self._doubted.update(
            (visit.station or "").upper() for visit in board.history.route if "clock" in (visit.reason or "")
        )

    def _all(self) -> Iterator[tuple[Entry, str]]:
        yield from self._fates.values()
        for fault in self._truth.faults.get("", ()):
            what, where = fault["what"], fault["where"]
            if what == "connection_cut":
                yield fault, "told" if self._covered(fault) else "nothing"
            elif what in CLOCKS:
                told = where in self._doubted
                yield fault, "told" if told else "nothing" if where in self._wrong else "right"
            elif what in NOBODY_KNOWS or what == "lost":
                yield fault, "nobody can know"
            else:
                yield fault, "right"

    def _covered(self, fault: Entry) -> bool:
        when, until = _time(fault["when"]), _time(fault["until"])
        return any(
            where == fault["where"].lower()
            and (start is None or start <= when + CLOSE)
            and (end is None or end >= until - CLOSE)
            for where, start, end in self._gaps
        )

    def counts(self) -> Counter[str]:
        """How many faults fared how."""
        words = {"right": "did no harm", "told": "shown", "nothing": "not accounted for"}
        return Counter(f"faults: {words.get(fate, fate)}" for _, fate in self._all())

    def unaccounted(self) -> list[Entry]:
        """The faults that nothing accounts for."""
        return [fault for fault, fate in self._all() if fate == "nothing"]


def _board_alone(visit: Entry) -> bool:
    return visit["station"] == "TEST" or visit["place"] == "bench-2"


def _doubtful(visit: Visit) -> bool:
    ends = (visit.arrived_certainty, visit.departed_certainty)
    return visit.certainty != "observed" or ends != ("observed", "observed") or visit.outcome is None


def _agrees(seen: Visit, arrived: datetime, departed: datetime, close: timedelta) -> bool:
    """Whether a visit told is the true one: ends that were seen at their times, others inside the true visit."""
    first, last = seen.arrived - arrived, departed - (seen.departed or departed)
    length = departed - arrived
    return (
        abs(first) <= close or (seen.arrived_certainty != "observed" and -close <= first <= length + close)
    ) and (abs(last) <= close or (seen.departed_certainty != "observed" and -close <= last <= length + close))


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)


def main() -> int:
    """Print the score; 1 when something told as observed is not so."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, help="what a demo or a run in virtual time left")
    parser.add_argument("--every", type=int, default=1, metavar="N", help="score every N-th board only")
    parser.add_argument("--differences", type=int, default=20, metavar="N", help="how many to print (20)")
    args = parser.parse_args()
    result = score(args.folder, args.every)
    for name, count in sorted(result.counts.items()):
        print(f"{count:>8,}  {name}")
    for text in result.differences[: args.differences]:
        print(text)
    for fault in result.unaccounted[: args.differences]:
        print(f"not accounted for: {json.dumps(fault)}")
    return 1 if result.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
