"""Boards, calls and the chain of verdicts against counts that others published for the calls of a real line.

PHM Society Europe, 2022 Data Challenge, CC BY-NC-SA 4.0, read from ../shared/data/aoi-open, whose NOTE.md lists the
counts: published are the number of confirmed rows and the table of machine's label against the verdict at repair. The
file has no times; those here are invented, in the order call, review, repair.
"""

import csv
from collections import Counter, defaultdict
from pathlib import Path

import pytest
from told import Told, board, history_of

from broker_bridge.trace.defects import Defect
from broker_bridge.trace.history import History
from broker_bridge.trace.mentions import Node, Slot

pytestmark = pytest.mark.shared("aoi-open")

Row = dict[str, str]
REPAIR = {"FalseScrap": "false_scrap", "NotPossibleToRepair": "not_repairable"}
PUBLISHED = {
    "Coplanarity": (33, 315, 64), "Translated": (13, 247, 47), "Soldered": (39, 222, 71), "UnSoldered": (23, 91, 7),
    "Size": (4, 96, 16), "LeanSoldering": (12, 1, 1), "Misaligned": (5, 1, 0), "Missing": (7, 17, 5),
}  # fmt: skip
"""Rows by machine's label: FalseScrap, NotPossibleToRepair, NotYetClassified."""


@pytest.fixture(scope="module")
def boards(shared: Path) -> dict[tuple[str, int], list[Row]]:
    """The rows of every board with a confirmed call, as published a panel's row at a time."""
    found: dict[tuple[str, int], list[Row]] = defaultdict(list)
    with (shared / "aoi-open" / "AOI_training.csv").open(encoding="ascii", newline="") as file:
        for row in csv.DictReader(file):
            found[row["PanelID"], int(row["FigureID"])].append(row)
    return {key: rows for key, rows in found.items() if any(row["OperatorLabel"] == "Bad" for row in rows)}


def place(row: Row) -> dict[str, str]:
    return {"designator": row["ComponentID"]} | (
        {} if row["PinNumber"] == "NA" else {"termination": row["PinNumber"]}
    )


def told(panel: str, position: int, rows: list[Row]) -> History:
    events = Told()
    this = board(panel=panel, position=position)
    by_machine: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by_machine[row["MachineID"]].append(row)
    for place_in_line, (machine, own) in enumerate(sorted(by_machine.items())):
        start, station = f"10:{place_in_line}0:00", f"aoi-{machine.lower()}"
        events.inspects(
            station, start, f"10:{place_in_line}0:20", this, outcome="failed",
            calls=[{"place": place(row), "label": row["AOILabel"]} for row in own],
        )  # fmt: skip
        events.say(
            "inspection.reviewed", f"12:{place_in_line}0:00", board(panel=panel, position=position, how="passed_on"),
            station="review", inspected_at=station, inspected=start,
            verdicts=[
                {"place": place(row), "label": row["AOILabel"], "verdict": "confirmed" if row["OperatorLabel"] == "Bad" else "false_call"}
                for row in own
            ],
        )  # fmt: skip
    repaired = [row for row in rows if row["RepairLabel"] in REPAIR]
    if repaired:
        events.say(
            "inspection.rework_performed", "14:00:00", this, station="repair", kind="repair", outcome="completed",
            actions=[{"place": place(row), "action": "looked at", "verdict": REPAIR[row["RepairLabel"]]} for row in repaired],
        )  # fmt: skip
    return history_of(events.facts, Slot(Node("panel", panel), position))


@pytest.fixture(scope="module")
def histories(boards: dict[tuple[str, int], list[Row]]) -> dict[tuple[str, int], History]:
    return {key: told(*key, rows) for key, rows in boards.items()}


def test_confirmed_calls_are_as_many_as_published(histories: dict[tuple[str, int], History]) -> None:
    calls = [
        call for one in histories.values() for inspection in one.inspections for call in inspection.calls
    ]
    assert sum(call.verdict == "confirmed" for call in calls) == 1356
    assert len({panel for panel, _ in histories}) == 177


def test_label_against_repair_is_the_published_table(
    boards: dict[tuple[str, int], list[Row]], histories: dict[tuple[str, int], History]
) -> None:
    """The chain of a place ends as the repair of its rows says; rows are counted by the label of their call."""
    table: dict[str, Counter[str]] = defaultdict(Counter)
    for key, rows in boards.items():
        by_place: dict[tuple[str | None, str | None], Defect] = {
            (defect.place.designator, defect.place.termination): defect for defect in histories[key].defects
        }
        for row in rows:
            if row["OperatorLabel"] != "Bad":
                continue
            where = place(row)
            defect = by_place[where["designator"], where.get("termination")]
            told_by = {step.act for step in defect.steps}
            if row["RepairLabel"] in REPAIR:
                assert REPAIR[row["RepairLabel"]] in told_by
            table[row["AOILabel"]][row["RepairLabel"]] += 1
    columns = ("FalseScrap", "NotPossibleToRepair", "NotYetClassified")
    assert {label: tuple(table[label][c] for c in columns) for label in PUBLISHED} == PUBLISHED


def test_places_end_as_the_worst_of_their_rows(
    boards: dict[tuple[str, int], list[Row]], histories: dict[tuple[str, int], History]
) -> None:
    for key, rows in boards.items():
        wanted: dict[tuple[str, str], set[str]] = defaultdict(set)
        for row in rows:
            if row["OperatorLabel"] == "Bad":
                wanted[row["ComponentID"], row["PinNumber"]].add(REPAIR.get(row["RepairLabel"], "open"))
        defects = {(d.place.designator, d.place.termination or "NA"): d for d in histories[key].defects}
        assert set(defects) == set(wanted), key
        for where, states in wanted.items():
            if len(states) == 1 and where[1] == "NA":
                continue  # work at one of its pins is work at the component, too
            if len(states) == 1 and (where[0], "NA") not in wanted:
                assert defects[where].state == states.copy().pop(), (key, where)
        judged_false = sum(row["OperatorLabel"] == "Good" for row in rows)
        calls = [call for inspection in histories[key].inspections for call in inspection.calls]
        assert sum(call.verdict == "false_call" for call in calls) == judged_false
        assert histories[key].undecided == ()
