"""Which board an event is about: identifiers, positions, file names, stations."""

from typing import Any

import pytest
from logs_reading import mapping, only, reading, rejected, rows, statements

from broker_bridge.adapters.logs.mapping.subject import best_identifier
from broker_bridge.events.base import Board, Identifier

POSITIONS = """
[[positions]]
part = "HW-1040"
side = "top"
order = { 0 = 1, 1 = 2, 2 = 4, 3 = 3 }

[[positions]]
part = "HW-1040"
order = { A = 1, B = 2 }
"""

EXTRA = 'part = { number = "$part" }\nside = "$side"'


def placed(part: str, side: str, position: str, positions: str = POSITIONS) -> Any:
    toml = rows(
        columns='"Part", "Side", "Pos"',
        fields='part = "Part"\nside = "Side"\nposition = "Pos"\n',
        extra=EXTRA,
    ).replace('unit = "board",', 'unit = "board", machine_position = "$position",')
    return only(toml + positions, f"2026-03-02 06:00:00;B1;OK;{part};{side};{position}\n")


def test_the_machines_positions_become_the_plants_by_part_and_side() -> None:
    (board,) = placed("HW-1040", "top", "2").boards
    assert (board.position, board.machine_position) == (4, None)
    (board,) = placed("HW-1040", "bottom", "B").boards
    assert (board.position, board.machine_position) == (2, None)


def test_without_a_table_the_position_stays_the_machines() -> None:
    (board,) = placed("HW-2060", "top", "2").boards
    assert (board.position, board.machine_position) == (None, "2")


def test_a_position_that_cannot_be_is_rejected() -> None:
    data = placed("HW-1040", "top", "4")
    assert (data.code, data.value) == ("position", "4")


def test_a_table_that_is_not_one_to_one_is_refused() -> None:
    from broker_bridge.errors import ConfigError

    with pytest.raises(ConfigError, match="same position"):
        mapping(rows() + "[[positions]]\norder = { 1 = 1, 2 = 1 }\n")


def test_a_file_name_can_tell_the_board_and_is_then_part_of_the_generation() -> None:
    toml = rows(more="[file]\npattern = '(?P<panel>\\w+)_(?P<count>\\d+)\\.csv'\n" + OUTCOMES).replace(
        'value = "$code"', 'value = "$file.panel"'
    )
    content = "2026-03-02 06:00:00;B1;OK\n"
    first, same, other = (reading(toml, content, name) for name in ("P1_1.csv", "P1_2.csv.gz", "P2_1.csv"))
    assert first.generation == same.generation, "the count is not used, and .gz is no part of the name"
    assert first.generation != other.generation
    assert next(iter(other)).statements[0].subject == "P2"
    data = rejected(toml, content, "oddly named.csv")
    assert (data.code, data.value) == ("file_name", "oddly named.csv")


OUTCOMES = '[tables.outcomes]\nvalues = { OK = "passed", NG = "failed" }\notherwise = "reject"\n'


def test_without_use_of_the_name_renaming_changes_nothing() -> None:
    content = "2026-03-02 06:00:00;B1;OK\n"
    assert reading(rows(), content, "a.csv").generation == reading(rows(), content, "b.txt").generation


def test_the_files_time_can_stand_in_and_is_then_part_of_the_generation() -> None:
    from datetime import UTC, datetime

    toml = rows().replace('time = "$time"', 'time = ["$time", "$file.modified"]')
    data = only(toml, ";B1;OK\n")
    assert (data.origin.time_means, data.origin.time_text) == ("saved", "2026-03-02T08:00:00+00:00")
    later = reading(toml, ";B1;OK\n", modified=datetime(2026, 3, 3, tzinfo=UTC))
    assert later.generation != reading(toml, ";B1;OK\n").generation


def test_an_event_without_a_time_is_rejected() -> None:
    data = rejected(rows(), ";B1;OK\n")
    assert (data.code, data.place) == ("time", "line 1")


def test_the_station_is_configured_unless_the_mapping_speaks_of_it() -> None:
    line = "2026-03-02 06:00:00;B1;OK\n"
    assert only(rows(), line, station="aoi-1", equipment="EQ7", lane=2).station == "aoi-1"
    told = rows(
        columns='"Where"',
        fields='where = { column = "Where", table = "stations" }\n',
        extra='station = "$where"',
    )
    told += '[tables.stations]\nvalues = { A = "aoi-a" }\notherwise = "reject"\n'
    assert only(told, line.replace("\n", ";A\n"), station="aoi-1").station == "aoi-a"
    assert only(told, line.replace("\n", ";\n"), station="aoi-1").station is None, (
        "unknown is not the default"
    )
    several = rows(extra='candidates = ["aoi-a", "aoi-b"]')
    data = only(several, line, station="aoi-1")
    assert (data.station, data.candidates) == (None, ("aoi-a", "aoi-b"))


def known(kind: str, value: str) -> Identifier:
    return Identifier(kind=kind, value=value, how="read")


@pytest.mark.parametrize(
    ("boards", "best"),
    [
        ([], None),
        ([Board(identifiers=(known("carrier", "C"), known("board", "B")))], "B"),
        ([Board(identifiers=(known("own_kind", "X"),))], "X"),
        ([Board(panel=known("panel", "P"), position=3)], "P"),
        ([Board(panel=known("panel", "P")), Board(panel=known("panel", "P"))], "P"),
        ([Board(panel=known("panel", "P")), Board(panel=known("panel", "Q"))], None),
        ([Board(identifiers=(known("board", "A"),)), Board(identifiers=(known("board", "B"),))], None),
    ],
)
def test_the_subject_is_the_best_identifier(boards: list[Board], best: str | None) -> None:
    assert best_identifier(boards) == best


def test_two_names_of_one_board_are_linked_in_its_event() -> None:
    toml = rows(columns='"Carrier"', fields='carrier = "Carrier"\n').replace(
        'how = "read" }] }]',
        'how = "read" }, { kind = "carrier", value = "$carrier", how = "passed_on" }] }]',
    )
    (statement,) = statements(toml, "2026-03-02 06:00:00;B1;OK;C9\n")
    assert [(one.kind, one.value) for one in statement.data.boards[0].identifiers] == [
        ("board", "B1"),
        ("carrier", "C9"),
    ]
    (statement,) = statements(toml, "2026-03-02 06:00:00;NOREAD;OK;C9\n")
    assert statement.subject == "C9"


def test_rules_for_the_first_present_value_and_for_joined_texts() -> None:
    toml = rows(
        columns='"Lot", "Number"', fields='lot = "Lot"\nnumber = "Number"\n',
        extra='order = { first = ["$lot", "none"] }\ntransaction = { join = ["$lot", "$number"], sign = "/" }',
    )  # fmt: skip
    data = only(toml, "2026-03-02 06:00:00;B1;OK;L1;7\n")
    assert (data.order, data.transaction) == ("L1", "L1/7")
    data = only(toml, "2026-03-02 06:00:00;B1;OK;;7\n")
    assert (data.order, data.transaction) == ("none", None)
