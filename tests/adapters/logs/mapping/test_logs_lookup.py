"""Look-ups in a table beside the log: reels by slot and time. Plant, reels and boards are invented."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from logs_reading import mapping, reading, statements
from reel_table import PLACED, TABLE, line

from broker_bridge.adapters.logs.mapping.lookup import CompanionFile
from broker_bridge.adapters.logs.protocol.record import digest_of
from broker_bridge.errors import ConfigError
from broker_bridge.events.source import SourceRejected

COMPILED = mapping(PLACED)


def companion(
    text: str = TABLE, written: str = "2026-03-02T12:00:00", name: str = "reels.txt"
) -> CompanionFile:
    content = text.encode()
    return CompanionFile(
        name, digest_of(content), datetime.fromisoformat(written).replace(tzinfo=UTC), content
    )


def placed(text: str, *files: CompanionFile, toml: Any = COMPILED) -> tuple[Any, set[str]]:
    """The reel that was looked up, and what is flagged."""
    (statement,) = statements(toml, text, companions=files)
    data = statement.data
    assert not isinstance(data, SourceRejected), data
    flags = {flag for flag in data.origin.flags if flag.startswith("companion")}
    return data.material.id, flags


@pytest.mark.parametrize(
    ("time", "slot", "reel"),
    [
        ("06:00:00", "F1", "REEL-1"),
        ("07:59:59", "F1", "REEL-1"),
        ("08:00:00", "F1", "REEL-2"),
        ("11:59:59", "F1", "REEL-2"),
        ("11:59:59", "F2", "REEL-9"),
    ],
)
def test_the_row_in_force_at_the_records_time_is_taken(time: str, slot: str, reel: str) -> None:
    assert placed(line(time, slot), companion()) == (reel, set())


@pytest.mark.parametrize(
    ("text", "files", "flag"),
    [
        (line("07:00:00"), [], "companion_missing"),
        (line("05:59:59"), [companion()], "companion_no_row"),
        (line("07:00:00", "F3"), [companion()], "companion_no_row"),
        (
            line("09:00:00"),
            [companion("F1;02.03.26 06:00;02.03.26 08:00;REEL-1;LOT-A\n")],
            "companion_no_row",
        ),
        (line("12:00:01"), [companion()], "companion_late"),
        (line("07:00:00"), [companion(TABLE + "F1;broken\n")], "companion_unreadable"),
        (line("07:00:00"), [companion(TABLE + "F1;31.02.26 06:00;;REEL-3;LOT-D\n")], "companion_unreadable"),
        (line("07:00:00"), [companion(TABLE + "F1;02.03.26 06:00;;REEL-3;LOT-D\n")], "companion_ambiguous"),
    ],
)
def test_what_the_table_does_not_tell_is_absent_and_flagged(
    text: str, files: list[CompanionFile], flag: str
) -> None:
    assert placed(text, *files) == (None, {flag})


def test_a_missing_or_old_table_is_waited_for() -> None:
    assert reading(COMPILED, line("07:00:00"), companions=[companion()]).complete
    assert reading(COMPILED, line("07:00:00")).waits_for == ("reels",)
    assert not reading(COMPILED, line("12:00:01"), companions=[companion()]).complete
    assert reading(
        COMPILED, line("12:00:01", "F3"), companions=[companion(written="2026-03-02T13:00:00")]
    ).complete


def test_several_files_are_one_table() -> None:
    more = companion("F1;02.03.26 09:00;;REEL-3;LOT-E\n", "2026-03-02T13:00:00", "reels-2.txt")
    assert placed(line("09:00:00"), companion(), more) == ("REEL-3", set())
    assert placed(line("08:30:00"), more, companion()) == ("REEL-2", set())


def test_found_tables_may_be_taken_for_complete() -> None:
    toml = PLACED.replace("written_after", "as_found")
    assert placed(line("23:00:00"), companion(), toml=toml) == ("REEL-2", set())


def test_the_hash_of_the_table_stands_in_the_origin_and_the_id_stays() -> None:
    longer = companion(TABLE + "F7;02.03.26 06:00;;REEL-8;LOT-F\n")
    takings = [list(reading(COMPILED, line("07:00:00"), companions=[file])) for file in (companion(), longer)]
    (first,), (second,) = takings
    assert (first.generation, first.position, first.revision) == (
        second.generation,
        second.position,
        second.revision,
    )
    for taking, file in ((first, companion()), (second, longer)):
        (told,) = taking.statements[0].data.origin.companions or ()
        assert (told.name, told.hash) == ("reels", file.digest)
    assert first.statements[0].data != second.statements[0].data, "the record sees it and calls it a conflict"


def test_a_hour_that_exists_twice_is_not_guessed() -> None:
    toml = PLACED.replace('zone = "UTC"', 'zone = "Europe/Berlin"')
    table = "F1;24.10.26 06:00;;REEL-1;LOT-A\nF1;25.10.26 {};;REEL-2;LOT-B\n"
    late = "2026-10-26T00:00:00"
    text = '{"board": "B1", "slot": "F1", "t": "2026-10-25 02:30:00", "refs": "R1"}\n'
    assert placed(text, companion(table.format("02:40"), late), toml=toml)[1] == {"companion_ambiguous"}
    assert placed(text, companion(table.format("03:10"), late), toml=toml) == ("REEL-1", set())
    assert placed(text, companion(table.format("01:10"), late), toml=toml) == ("REEL-2", set())


def test_a_row_that_is_needed_rejects_the_record() -> None:
    toml = PLACED.replace('at = "$time" }', 'at = "$time", required = true }')
    (statement,) = statements(toml, line("07:00:00", "F3"), companions=[companion()])
    assert isinstance(statement.data, SourceRejected)
    assert statement.data.code == "companion_no_row"
    assert "slot 'F3'" in statement.data.reason
    assert statement.data.origin.companions


OWN = (
    PLACED.replace("[reader]", "[file]\npattern = '(?P<panel>\\w+)\\.log'\n[reader]", 1)
    .replace("pattern = 'reels.*\\.txt'", "pattern = '(?P<panel>\\w+)\\.reels'")
    .replace('since = "since"\nuntil = "until"\ncovers = "written_after"\n', "")
    .replace(', at = "$time"', "")
)


def test_every_log_may_have_a_companion_of_its_own() -> None:
    files = [companion(f"F1;;;REEL-{panel};L\n", name=f"{panel}.reels") for panel in ("P1", "P2")]
    for panel in ("P1", "P2"):
        (statement,) = statements(OWN, line("07:00:00"), f"{panel}.log", companions=files)
        assert statement.data.material.id == f"REEL-{panel}"  # type: ignore[attr-defined]
        assert len(statement.data.origin.companions or ()) == 1


@given(st.lists(st.integers(0, 600), min_size=1, max_size=8, unique=True), st.integers(0, 700))
def test_the_row_in_force_is_the_latest_before(minutes: list[int], at: int) -> None:
    """Property, against the plain definition."""
    start = datetime(2026, 3, 2)  # noqa: DTZ001
    table = "".join(f"F1;{start + timedelta(minutes=m):%d.%m.%y %H:%M};;REEL-{m};L\n" for m in minutes)
    moment = start + timedelta(minutes=at)
    expected = max((m for m in minutes if m <= at), default=None)
    found, _ = placed(line(f"{moment:%H:%M:%S}"), companion(table, "2026-03-03T00:00:00"))
    assert found == (f"REEL-{expected}" if expected is not None else None)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('covers = "written_after"\n', "", "`covers` goes with `since`"),
        ('covers = "written_after"', 'covers = "always"', "'written_after' or 'as_found'"),
        ('kind = "reel"\nsince', 'kind = "reels"\nsince', "it has reel"),
        ('lot = "Lot"', 'lot = "Lt"', "is 'Lot' meant?"),
        ('gives = "lot"', 'gives = "lots"', "the companion reels has no field 'lots'"),
        (', at = "$time" }\n\n', " }\n\n", "`at` goes with a companion that states `since`"),
        ('until = "until"', 'until = "reel"', "type = \"time\""),
        ("same = { slot = \"$slot\" }, at = \"$time\" }\n\n", "same = { slot = \"$time\" }, at = \"$time\" }\n\n", "never be equal"),
    ],
)  # fmt: skip
def test_wrong_companions_are_told_with_their_line(old: str, new: str, told: str) -> None:
    assert old in PLACED
    with pytest.raises(ConfigError, match=r"test\.toml, line \d+") as caught:
        mapping(PLACED.replace(old, new))
    assert told in str(caught.value)
