"""Compare materials and recalls of a record with what really happened in the plant.

    tools/virtual_plant --boards 600 --seed 11 --faults rough --data DIR
    tools/score_recall DIR --lots 1000 --seed 1

Every true use of material is looked up designator by designator: told as observed it has to be true. Random lots and
reels of the truth are recalled: no true board may be missing among the exact and possible members; what is too much
needs a stated reason. What no source can know is counted apart: a reel whose label names another lot than lies in it.
Exit code 1 when something told as observed is wrong, or a recall misses a board.
"""

import argparse
import json
import random
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final, NamedTuple

from broker_bridge.projector.derived import Derived
from broker_bridge.queries.record import Record, open_record
from broker_bridge.queries.settling import settle
from broker_bridge.queries.where_used import where_used
from broker_bridge.trace.recall import Answer, Asked, Member

CLOSE: Final = timedelta(seconds=2)


class Truth(NamedTuple):
    """What was put on which board."""

    boards: Mapping[str, dict[str, Any]]
    materials: Mapping[str, list[dict[str, Any]]]
    visits: Mapping[str, list[dict[str, Any]]]
    labels: Mapping[str, str]
    """Reels in which not only the lot on the label lies: reel to that lot."""


def read_truth(path: Path) -> Truth:
    """The truth of a run; of several lines about one board the last counts."""
    boards: dict[str, dict[str, Any]] = {}
    materials: dict[str, list[dict[str, Any]]] = defaultdict(list)
    visits: dict[str, list[dict[str, Any]]] = defaultdict(list)
    labels: dict[str, str] = {}
    with path.open(encoding="utf-8") as lines:
        for line in lines:
            entry = json.loads(line)
            match entry["kind"]:
                case "board":
                    boards[entry["board"]] = entry
                case "material":
                    materials[entry["board"]].append(entry)
                case "visit":
                    visits[entry["board"]].append(entry)
                case "fault" if entry.get("what") == "lot_split":
                    labels[entry["reel"]] = entry["label_lot"]
    return Truth(boards, materials, visits, labels)


class Score(NamedTuple):
    """Counts, and the first differences in words."""

    counts: Counter[str]
    differences: list[str]


def score(folder: Path, lots: int, seed: int) -> Score:
    """Score a run."""
    truth = read_truth(folder / "truth.jsonl")
    result = Score(Counter(), [])
    with open_record(f"sqlite:////{str((folder / 'record.db').resolve()).lstrip('/')}") as record:
        settle(record)
        derived = Derived(record.index.path)
        try:
            _materials(derived, truth, result)
        finally:
            derived.close()
        _recalls(record, truth, lots, seed, result)
    return result


def _materials(derived: Derived, truth: Truth, result: Score) -> None:
    told: dict[str, list[dict[str, Any]]] = defaultdict(list)
    by_place = {(entry["panel"], entry["position"]): board for board, entry in truth.boards.items()}
    for row in derived.all_boards():
        board = row.value if row.kind == "board" else by_place.get((row.value, row.position))
        if board is not None:
            told[board] += derived.carried_by(row.board)
    for board, expected in sorted(truth.materials.items()):
        for entry in expected:
            for designator in entry["designators"] or [""]:
                _one(board, entry, designator, told.get(board, []), truth, result)


def _one(
    board: str,
    entry: dict[str, Any],
    designator: str,
    told: list[dict[str, Any]],
    truth: Truth,
    result: Score,
) -> None:
    counts = result.counts
    station = entry["station"].lower()
    here = [
        use
        for use in told
        if use.get("station") == station
        and use["act"] in ("installed", "consumed")
        and (not designator or designator in use.get("places", ()))
        and use.get("side") in (entry["side"], None)
    ]
    kind = "paste" if entry["item"] == "paste" else "parts"
    counts[f"{kind}"] += 1
    mine = [use for use in here if use.get("id") == entry["reel"]]
    if kind == "parts":
        observed = [use for use in here if use["certainty"] == "observed"]
        if observed and not any(use.get("id") == entry["reel"] for use in observed):
            # A later print or replacement at the same designator is another truth line.
            others = {e["reel"] for e in truth.materials[board] if e["station"] == entry["station"]
                      and designator in e["designators"]}  # fmt: skip
            if not any(use.get("id") in others for use in observed) or len(others) == 1:
                counts["parts wrong among observed"] += 1
                result.differences.append(f"{board} {station} {designator}: {entry['reel']} was told as "
                                          + ", ".join(str(use.get("id")) for use in observed))  # fmt: skip
                return
    if any(use["certainty"] == "observed" for use in mine):
        counts[f"{kind} right, observed"] += 1
        lots = {lot for use in mine for lot in use.get("lots", ())}
        if entry["lot"] not in lots:
            if entry["reel"] in truth.labels:
                counts[f"{kind}: the label names another lot (no source knows)"] += 1
            else:
                counts[f"{kind} with a wrong lot among observed"] += 1
                result.differences.append(
                    f"{board} {station} {designator}: lot {entry['lot']}, told {sorted(lots)}"
                )
    elif mine:
        counts[f"{kind} right, {mine[0]['certainty']}"] += 1
    elif any("id" not in use and not use.get("lots") for use in here):
        counts[f"{kind} told as not known which reel"] += 1
    elif here:
        counts[f"{kind} with another one possible"] += 1
        result.differences.append(
            f"{board} {station} {designator} {entry['at']}: {entry['reel']}, told "
            + ", ".join(f"{use.get('id')} ({use['certainty']}: {use.get('reason')})" for use in here)
        )
    else:
        counts[f"{kind} not told"] += 1
        result.differences.append(
            f"{board} {station} {entry['side']} {designator} {entry['at']}: {entry['reel']} not told"
        )


def _recalls(record: Record, truth: Truth, lots: int, seed: int, result: Score) -> None:
    by_lot: dict[str, set[str]] = defaultdict(set)
    by_reel: dict[str, set[str]] = defaultdict(set)
    lies: dict[str, set[str]] = defaultdict(set)
    labelled: dict[str, set[str]] = defaultdict(set)
    for board, entries in truth.materials.items():
        for entry in entries:
            by_reel[entry["reel"]].add(board)
            label = truth.labels.get(entry["reel"])
            if label is None or label == entry["lot"]:
                by_lot[entry["lot"]].add(board)
            else:
                lies[entry["lot"]].add(board)
                labelled[label].add(board)
    chance = random.Random(seed)
    asked = [("lot", lot) for lot in sorted({*by_lot, *lies})] + [("reel", reel) for reel in sorted(by_reel)]
    for kind, value in chance.choices(asked, k=lots) if lots < len(asked) else _again(asked, lots, chance):
        question = Asked(lot=value) if kind == "lot" else Asked(container=value)
        if (kind, value) not in _CACHE:
            _CACHE[kind, value] = where_used(record, question)
        answer = _CACHE[kind, value]
        expected = by_lot[value] if kind == "lot" else by_reel[value]
        known_lies = (lies[value], labelled[value] - expected) if kind == "lot" else (set(), set())
        _recall(f"{kind} {value}", answer, expected, *known_lies, truth, result)


_CACHE: dict[tuple[str, str], Answer] = {}


def _again(asked: list[tuple[str, str]], lots: int, chance: random.Random) -> Iterator[tuple[str, str]]:
    yield from asked
    yield from chance.choices(asked, k=lots - len(asked))


def _recall(
    what: str,
    answer: Answer,
    expected: set[str],
    lies: set[str],
    labelled: set[str],
    truth: Truth,
    result: Score,
) -> None:
    counts = result.counts
    exact, possible = _boards(answer.exact, truth), _boards(answer.possible, truth)
    counts["recalls"] += 1
    counts["recalls bounded"] += answer.bounded
    counts["recall: true boards"] += len(expected)
    counts["recall: exact members"] += len(exact)
    counts["recall: exact members that are wrong"] += len(exact - expected - lies - labelled)
    counts["recall: exact members by a label that lies (no source knows)"] += len(exact & labelled)
    counts["recall: possible members"] += len(possible)
    counts["recall: excess, with a reason"] += len(possible - expected - lies)
    counts["recall: true boards among the possible ones"] += len(possible & expected)
    counts["recall: boards by a label that lies (no source knows)"] += len(lies - exact - possible - expected)
    missing = expected - exact - possible
    covered = {board for board in missing if _unidentified(board, answer, truth)}
    counts["recall: true boards among members that nobody identified"] += len(covered)
    missing -= covered
    if missing and not answer.bounded:
        counts["recall: true boards missing, told not bounded"] += len(missing)
    elif missing:
        counts["recall: true boards missing"] += len(missing)
    for board in sorted(missing)[:3]:
        result.differences.append(f"{what}: {board} missing{'' if answer.bounded else ' (not bounded)'}")
    for board in sorted(exact - expected - lies - labelled)[:3]:
        result.differences.append(f"{what}: {board} is told for sure and is not so")
    counts["possible members without a reason"] += sum(
        not use.reason for member in answer.possible for use in member.uses
    )


def _boards(members: tuple[Member, ...], truth: Truth) -> set[str]:
    places = _places(truth)
    found: set[str] = set()
    for member in members:
        if member.kind == "board" and member.value in truth.boards:
            found.add(member.value)
        elif member.panel and member.panel_position and (member.panel, member.panel_position) in places:
            found.add(places[member.panel, member.panel_position])
        elif member.unit == "panel":
            found.update(board for (panel, _), board in places.items() if panel == member.value)
        elif member.position is not None and (member.value, member.position) in places:
            found.add(places[member.value, member.position])
    return found


_PLACES: dict[int, dict[tuple[str, int], str]] = {}


def _places(truth: Truth) -> dict[tuple[str, int], str]:
    key = id(truth.boards)
    if key not in _PLACES:
        _PLACES[key] = {(e["panel"], e["position"]): board for board, e in truth.boards.items()}
    return _PLACES[key]


def _unidentified(board: str, answer: Answer, truth: Truth) -> bool:
    """Whether a member of which only a transfer identifier is known was where the board was, when it was."""
    for member in (*answer.exact, *answer.possible):
        if member.unit != "unknown":
            continue
        for use in member.uses:
            for visit in truth.visits.get(board, ()):
                arrived = datetime.fromisoformat(visit["arrived"])
                departed = datetime.fromisoformat(visit["departed"]) if visit["departed"] else arrived
                if (
                    visit["station"].lower() == use.station
                    and arrived - CLOSE <= use.from_ <= departed + CLOSE
                ):
                    return True
    return False


def main() -> int:
    """Print the score."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, help="what `virtual_plant --data` left")
    parser.add_argument("--lots", type=int, default=1000, help="how many lots and reels are recalled (1000)")
    parser.add_argument("--seed", type=int, default=1, help="which ones (1)")
    parser.add_argument("--differences", type=int, default=20, help="how many to print")
    args = parser.parse_args()
    result = score(args.folder, args.lots, args.seed)
    for name, count in sorted(result.counts.items()):
        print(f"{count:>9,}  {name}")
    for text in result.differences[: args.differences]:
        print(text)
    bad = ("parts wrong among observed", "parts with a wrong lot among observed", "recall: true boards missing",
           "recall: exact members that are wrong", "possible members without a reason")  # fmt: skip
    return 1 if any(result.counts[name] for name in bad) else 0


if __name__ == "__main__":
    sys.exit(main())
