"""Compare the histories of a demo's record with what really happened on its machines.

    tools/demo --exit --data demo --boards 300
    tools/score_history demo

Every board of truth.jsonl is looked up by its panel and position. Each true visit has to be in the history, at
most a second off (an end that nobody saw: inside the true visit), or missing with a stated reason; each visit told as
observed has to be true. The same for calls
and verdicts.
"""

import argparse
import json
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final, NamedTuple

from broker_bridge.errors import NotFound
from broker_bridge.queries.boards import board as history_of
from broker_bridge.queries.record import open_record
from broker_bridge.trace.history import History
from broker_bridge.trace.visits import Visit

CLOSE: Final = timedelta(seconds=1)


class Truth(NamedTuple):
    """What happened to the boards, by board."""

    boards: Mapping[str, dict[str, Any]]
    visits: Mapping[str, list[dict[str, Any]]]
    calls: Mapping[str, list[dict[str, Any]]]
    reviews: Mapping[str, list[dict[str, Any]]]
    faults: int


def read_truth(path: Path) -> Truth:
    """The truth of a run; of several lines about one board the last counts."""
    boards: dict[str, dict[str, Any]] = {}
    by_kind: dict[str, dict[str, list[dict[str, Any]]]] = defaultdict(lambda: defaultdict(list))
    faults = 0
    with path.open(encoding="utf-8") as lines:
        for line in lines:
            entry = json.loads(line)
            if entry["kind"] == "board":
                boards[entry["board"]] = entry
            elif entry["kind"] == "fault":
                faults += 1
            elif entry["kind"] in ("visit", "call", "review"):
                by_kind[entry["kind"]][entry["board"]].append(entry)
    return Truth(boards, by_kind["visit"], by_kind["call"], by_kind["review"], faults)


class Score(NamedTuple):
    """Counts, and the first differences in words."""

    counts: Counter[str]
    differences: list[str]


def score(folder: Path, stations: frozenset[str] | None = None) -> Score:
    """Score every board of a run; `stations` narrows it to some."""
    truth = read_truth(folder / "truth.jsonl")
    counts: Counter[str] = Counter(faults=truth.faults)
    differences: list[str] = []
    with open_record(f"sqlite:////{str((folder / 'record.db').resolve()).lstrip('/')}") as record:
        for serial, entry in sorted(truth.boards.items()):
            if entry.get("purpose") == "skipped":
                continue
            counts["boards"] += 1
            expected = [
                v for v in truth.visits.get(serial, []) if stations is None or v["station"] in stations
            ]
            try:
                history = history_of(record, entry["panel"], kind="panel", position=entry["position"])
            except NotFound:
                counts["boards not in the record"] += 1
                counts["visits missing"] += len(expected)
                continue
            told = _visits(history, expected, counts)
            told += _calls(history, truth.calls.get(serial, []), counts)
            differences += [f"{serial} ({entry['panel']}/{entry['position']}): {text}" for text in told]
            counts["gaps"] += len(history.gaps)
            counts["findings"] += len(history.findings)
    return Score(counts, differences)


def _visits(history: History, expected: Iterable[dict[str, Any]], counts: Counter[str]) -> list[str]:
    told: list[str] = []
    left = list(history.route)
    for visit in expected:
        arrived, departed = _time(visit["arrived"]), _time(visit["departed"])
        found = next(
            (
                seen
                for seen in left
                if seen.station == visit["station"].lower() and _agrees(seen, arrived, departed)
            ),
            None,
        )
        counts["visits"] += 1
        if found is None:
            counts["visits missing"] += 1
            told.append(f"no visit at {visit['station']} {visit['side']} {visit['arrived']}")
            continue
        left.remove(found)
        counts["visits right"] += 1
        counts[f"visits {found.certainty}"] += 1
    for seen in left:
        kind = (
            "visits wrong among observed"
            if seen.certainty == "observed"
            else f"visits unmatched, {seen.certainty}"
        )
        counts[kind] += 1
        told.append(f"told {seen.certainty}: {seen.station} {seen.side} {seen.arrived} to {seen.departed}")
    return told


def _agrees(seen: Visit, arrived: datetime, departed: datetime | None) -> bool:
    """Whether a visit told is the true one: ends that were seen at their times, others inside the true visit."""
    latest = departed or max(arrived, seen.departed or seen.arrived)
    first = seen.arrived - arrived
    if not (
        abs(first) <= CLOSE
        or (seen.arrived_certainty != "observed" and -CLOSE <= first <= latest - arrived + CLOSE)
    ):
        return False
    if seen.departed is None or departed is None:
        return True
    last = departed - seen.departed
    return abs(last) <= CLOSE or (
        seen.departed_certainty != "observed" and -CLOSE <= last <= departed - arrived + CLOSE
    )


def _calls(history: History, expected: Iterable[dict[str, Any]], counts: Counter[str]) -> list[str]:
    told: list[str] = []
    found = [
        (inspection.station, call.place.designator, inspection.side)
        for inspection in history.inspections
        for call in inspection.calls
        if inspection.station == "aoi"
    ]
    for call in expected:
        if call["station"] != "AOI":
            continue
        counts["calls"] += 1
        key = ("aoi", call["designator"], call["side"])
        if key in found:
            found.remove(key)
            counts["calls right"] += 1
        else:
            counts["calls missing"] += 1
            told.append(f"no call at {call['designator']} {call['side']}")
    counts["calls wrong"] += len(found)
    told += [f"a call that was not: {key}" for key in found]
    return told


def _time(text: str | None) -> Any:
    return None if text is None else datetime.fromisoformat(text)


def main() -> int:
    """Print the score; 1 when something told as observed is not so."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, help="what `demo --exit --data` left")
    parser.add_argument("--differences", type=int, default=20, help="how many to print")
    args = parser.parse_args()
    result = score(args.folder)
    for name, count in sorted(result.counts.items()):
        print(f"{count:>8,}  {name}")
    for text in result.differences[: args.differences]:
        print(text)
    return 1 if result.counts["visits wrong among observed"] or result.counts["calls wrong"] else 0


if __name__ == "__main__":
    sys.exit(main())
