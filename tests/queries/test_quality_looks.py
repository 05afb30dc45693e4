"""What looks come to: yields of random lines at every stage, against the rules in plain words; groups."""

from statistics import median
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from quality_runs import Opened, told_record
from told import Told, at, board, call, verdict

from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import read_columns
from broker_bridge.queries.parts import read_parts
from broker_bridge.queries.quality_looks import STAGES
from broker_bridge.queries.quality_yield import quality_yield
from broker_bridge.trace.quality import Figure

STATIONS = {"spi": "paste", "aoi": "optical", "test": "functional"}
"""In the order in which a board passes them, an hour each."""
BOARDS = {"A1": "A", "A2": "A", "B1": "B", "B2": "B", "Z": None}
WORDS = st.sampled_from([None, "undecided", "confirmed", "false_call", "process_indicator"])
CALLS = st.lists(st.tuples(WORDS, st.booleans()), max_size=2)
OUTCOMES = st.sampled_from(
    ["passed", "passed", "failed", "failed", "failed", "skipped", "not_inspected", "aborted", "contradicting"]
)


class Counts(NamedTuple):
    """Of one figure."""

    passed: float
    of: float
    silent: int
    waiting: int
    failed: tuple[str, ...]
    """By name."""


class Look(NamedTuple):
    """One look as it is told: calls with their verdicts, and whether the place was mended afterwards."""

    board: str
    station: str
    attempt: int
    time: str
    outcome: str
    calls: list[tuple[str | None, bool]]


LOOKS = st.fixed_dictionaries(
    {
        (name, station): st.lists(st.tuples(OUTCOMES, CALLS), max_size=2)
        for name in BOARDS
        for station in STATIONS
    }
)


def looks_of(drawn: dict[tuple[str, str], list[tuple[str, list[tuple[str | None, bool]]]]]) -> list[Look]:
    """In order of time: first attempts of all boards, then second ones, station by station."""
    return [
        Look(
            name,
            station,
            attempt + 1,
            f"{8 + hour:02}:{attempt * 20 + place:02}:00",
            *drawn[name, station][attempt],
        )
        for hour, station in enumerate(STATIONS)
        for attempt in range(2)
        for place, name in enumerate(BOARDS)
        if attempt < len(drawn[name, station])
    ]


def tell(looks: list[Look]) -> Told:
    told = Told()
    for number, one in enumerate(looks):
        panel = BOARDS[one.board]
        what = board(one.board, panel=panel, **({"position": int(one.board[1])} if panel else {}))
        ended = one.time[:-2] + "20"
        calls = (
            [] if one.outcome == "contradicting" else [call(f"R{place}") for place in range(len(one.calls))]
        )
        for witness, outcome in enumerate(
            ("passed", "failed") if one.outcome == "contradicting" else (one.outcome,)
        ):
            told.say(
                "inspection.test_completed" if one.station == "test" else "inspection.completed", ended, what,
                station=one.station, method=STATIONS[one.station], started=one.time, ended=ended, means="end",
                outcome=outcome, calls=calls, generation=f"g{number}-{witness}",
            )  # fmt: skip
        words = [verdict(f"R{place}", word) for place, (word, _) in enumerate(one.calls) if word and calls]
        if words:
            told.say(
                "inspection.reviewed", one.time[:-2] + "40", what, station="desk", inspected_at=one.station,
                inspected=one.time, verdicts=words,
            )  # fmt: skip
        mended = [place for place, (_, done) in enumerate(one.calls) if done and calls]
        if mended:
            told.say(
                "inspection.rework_performed", one.time[:-2] + "50", what, station="bench", kind="rework",
                outcome="completed", actions=[{"place": {"designator": f"R{p}"}, "action": "resoldered"} for p in mended],
            )  # fmt: skip
    return told


def waits(look: Look) -> bool:
    """Calls nobody has judged; of paste and tests only where somebody began to."""
    words = [word for word, _ in look.calls] if look.outcome != "contradicting" else []
    left = any(word in (None, "undecided") for word in words)
    return left and (look.station == "aoi" or any(word is not None for word in words))


def result(look: Look, stage: str, later: set[tuple[str, int]]) -> str:
    """passed, failed, contradicting, or another word that is no result. `later`: places mended at this look or after it."""
    if stage == "inspected" or not look.calls or look.outcome == "contradicting":
        return look.outcome
    words = [word for word, _ in look.calls]
    good = [word in ("false_call", "process_indicator") for word in words]
    found = look.outcome
    if "confirmed" in words:
        found = "failed"
    elif waits(look):
        found = "not judged"
    elif all(good):
        found = "passed"
    if stage == "reworked" and found == "failed":
        bad = [place for place, fine in enumerate(good) if not fine]
        if all((look.board, place) in later for place in bad):
            found = "mended"
    return found


def expected(looks: list[Look], stage: str) -> dict[str, Counts]:
    """Of each figure."""
    first = {name: min((one.time for one in looks if one.board == name), default="") for name in BOARDS}
    steps = sorted(
        {one.station for one in looks},
        key=lambda station: (
            median(seconds(one.time) - seconds(first[one.board]) for one in looks if one.station == station),
            min(one.time for one in looks if one.station == station),
        ),
    )
    told: dict[str, Counts] = {}
    for place, station in enumerate(steps):
        boards: dict[str, tuple[str, bool]] = {}
        for one in looks:
            if one.station == station and (stage == "reworked" or one.attempt == 1):
                mended = {
                    (other.board, number)
                    for other in looks
                    for number, (_, done) in enumerate(other.calls)
                    if done and other.time >= one.time and other.outcome != "contradicting"
                }
                boards[one.board] = result(one, stage, mended), waits(one)
        missed = {one.board for one in looks if one.station in steps[place + 1 :]} - boards.keys()
        told[f"{station}, boards"] = counts({name: [one] for name, one in boards.items()}, len(missed))
        panels: dict[str, list[tuple[str, bool]]] = {}
        for name, one in boards.items():
            panels.setdefault(BOARDS[name] or name, []).append(one)
        told[f"{station}, panels"] = counts(panels, 0)
    return told


def counts(units: dict[str, list[tuple[str, bool]]], missed: int) -> Counts:
    """Of units that are good where all of their boards are, failed where one is."""
    good, failed, waiting = 0, [], 0
    for name, boards in units.items():
        words = [word for word, _ in boards]
        if "failed" in words:
            failed.append(name)
        good += set(words) == {"passed"}
        waiting += any(left for _, left in boards)
    told = good + len(failed)
    return Counts(good, told, len(units) - told + missed, waiting, tuple(sorted(failed)))


def seconds(clock: str) -> int:
    hours, minutes, rest = map(int, clock.split(":"))
    return hours * 3600 + minutes * 60 + rest


def counted(figure: Figure) -> Counts:
    details = figure.details
    assert details["contradicting"] == 0, (
        "one look that contradicts itself has no result; two that differ are two attempts"
    )
    assert details["failed"] == len(figure.boards)
    return Counts(
        figure.number or 0, figure.of or 0, details["no result"], details["open reviews"], figure.boards
    )


@settings(max_examples=25, deadline=None)
@given(LOOKS, st.booleans())
def test_every_stage_says_of_boards_and_panels_what_the_rules_say(
    tmp_path_factory: pytest.TempPathFactory, drawn, backwards: bool
) -> None:
    looks = looks_of(drawn)
    told = tell(looks[::-1] if backwards else looks)  # in whatever order it came
    record = told_record(told.facts, tmp_path_factory.mktemp("looks") / "index.db")
    as_of = record.as_of()
    columns, parts = read_columns(record, as_of), read_parts(record, as_of)
    for stage in STAGES:
        answer = quality_yield(columns, parts, Choice(), stage=stage)
        sections = [one for one in answer.sections if one.title.startswith("Yield by step")]
        assert {one.name: counted(one) for section in sections for one in section.figures} == expected(
            looks, stage
        )
    record.index.close()


def test_groups_are_told_by_their_names_and_add_up_to_the_step(told_by_hand: Opened) -> None:
    told = Told()
    for time, name, more in (
        (at("23:59:50"), "A1", {"panel": "A", "position": 1}),
        (at("00:00:10", 1), "A2", {"panel": "A", "position": 2}),
        (at("13:30:00", 1), "Z", {}),
    ):
        told.inspects("aoi", time, time, board(name, **more), part={"number": "X"} if name != "Z" else None)
    record = told_by_hand(told.facts)
    as_of = record.as_of()
    columns, parts = read_columns(record, as_of), read_parts(record, as_of)
    names = {
        "day": ["2026-03-02", "2026-03-03"],
        "hour": ["2026-03-02 23:00", "2026-03-03 00:00", "2026-03-03 13:00"],
        "position": ["1", "2", "not stated"],
        "part": ["X", "not stated"],
    }
    for by, expected_ in names.items():
        answer = quality_yield(columns, parts, Choice(), by=by)
        (section,) = [
            one for one in answer.sections if one.title.startswith("Yield by") and "step" not in one.title
        ]
        assert [one.name for one in section.figures] == [f"{name}, aoi" for name in expected_]
        assert sum(one.of or 0 for one in section.figures) == 3
