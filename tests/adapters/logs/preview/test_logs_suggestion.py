"""Suggested mappings load and read their files; what cannot be known stays a question."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import broker_bridge.adapters.logs
from broker_bridge.adapters.logs import read_bytes
from broker_bridge.adapters.logs.adapter.content import decompressed
from broker_bridge.adapters.logs.mapping.compiled import Compiled, compile_mapping
from broker_bridge.adapters.logs.preview.clock import clock_of
from broker_bridge.adapters.logs.preview.draft import draft, questions
from broker_bridge.adapters.logs.preview.sample import encoding_of
from broker_bridge.errors import UsageError
from broker_bridge.events.source import SourceRejected
from broker_bridge.events.union import DATA_TYPES
from broker_bridge.simulate import Plant, deliveries

SAMPLES = Path(broker_bridge.adapters.logs.__file__).parent / "samples"
MODIFIED = datetime(2026, 3, 2, 8, tzinfo=UTC)
MOST = 2**20


def suggested(*contents: bytes, name: str = "file.txt") -> tuple[str, Compiled, int, int]:
    """The text, the mapping, and how many events and rejections it makes of the files."""
    text = draft([(name, content) for content in contents], most=MOST)
    mapping = compile_mapping(text, "suggestion")
    events = rejected = 0
    for content in contents:
        for taking in read_bytes(mapping, content, name, adapter="test", modified=MODIFIED):
            bad = sum(isinstance(s.data, SourceRejected) for s in taking.statements)
            rejected, events = rejected + bad, events + len(taking.statements) - bad
    return text, mapping, events, rejected


@pytest.mark.parametrize(
    "folder", ["electrical_test", "optical_inspection", "paste_inspection", "paste_top_up"]
)
def test_every_sample_gets_a_mapping_that_reads_it(folder: str) -> None:
    files = [path.read_bytes() for path in sorted((SAMPLES / folder).iterdir()) if path.suffix != ".json"]
    text, _, events, rejected = suggested(*files)
    assert events >= len(files)
    assert rejected == 0
    assert questions(text)


def test_the_fields_of_the_suggested_event_are_named() -> None:
    rows = b"Board;Time;Verdict\n" + b"".join(
        b"LB00000%d;2026-03-02 06:00:0%d;OK\n" % (n, n) for n in range(1, 7)
    )
    text = suggested(rows)[0]
    told = " ".join(line.removeprefix("# ") for line in text.splitlines() if line.startswith("# "))
    assert "it needs method, outcome and may have station, " in told
    assert told.index("broker-bridge schemas inspection.completed")
    for field in set(DATA_TYPES["inspection.completed"].model_fields) - {"origin"}:
        assert field in told


def test_a_board_that_fills_several_rows_is_asked_about() -> None:
    """Read row by row, a board with two calls would be two inspections."""
    head = b"Board;Time;Verdict;Call\n"
    once = b"".join(b"LB00000%d;2026-03-02 06:00:0%d;OK;\n" % (n, n) for n in range(1, 7))
    again = once + b"LB000007;2026-03-02 06:00:09;NG;MISS\nLB000007;2026-03-02 06:00:09;NG;TOMB\n"
    assert not any("fill several" in question for question in questions(suggested(head + once)[0]))
    assert any("fill several" in question for question in questions(suggested(head + again)[0]))


@pytest.mark.parametrize("profile", ["clean", "rough"])
def test_what_the_simulated_plant_writes_gets_a_mapping(profile: str) -> None:
    files: dict[str, list[bytes]] = {}
    logs: dict[str, bytearray] = {}
    for delivery in deliveries(Plant(5, 24, profile, datetime(2026, 3, 2, 6, tzinfo=UTC))):
        if delivery.channel == "file":
            files.setdefault(delivery.station, []).append(decompressed(delivery.data, 10**7))
        elif delivery.channel == "log":
            logs.setdefault(delivery.station, bytearray()).extend(delivery.data)
    for station, content in logs.items():
        files[station] = [bytes(content)]
    assert len(files) >= 8
    for station, contents in files.items():
        _, _, events, rejected = suggested(*contents[:20])
        assert events > 0, station
        assert rejected == 0 or profile == "rough", station


@pytest.mark.shared("aoi-open")
def test_open_inspection_data_of_a_real_line(shared: Path) -> None:
    """PHME data challenge 2022 (see the folder's note): 20 digits are text, NA is no pin, day and month stay open."""
    _, mapping, events, rejected = suggested((shared / "aoi-open" / "AOI_training.csv").read_bytes())
    assert (events, rejected) == (31_617, 0)
    assert mapping.file.fields["row"]["panelid"].type == "text"
    assert mapping.file.fields["row"]["pinnumber"].absent == ("", "NA")
    _, _, events, _ = suggested(
        (shared / "aoi-open" / "spi_excerpt_display_AreaPct_missing.csv").read_bytes()
    )
    assert events == 59  # 60 lines, one of them an ellipsis of the page it was shown on
    _, mapping, events, rejected = suggested(
        (shared / "aoi-open" / "spi_excerpt_cleaned_all_columns.csv").read_bytes()
    )
    assert rejected == 0
    assert mapping.file.fields["row"]["datetime"].type == "time"


def test_day_and_month_are_never_guessed() -> None:
    rows = b"Serial;When;Result\nHB00001;03/04/2026 10:00:00;OK\nHB00002;05/04/2026 10:00:00;NG\n"
    text, mapping, events, _ = suggested(rows)
    assert any(question.startswith("day or month first?") for question in questions(text))
    assert mapping.file.fields["row"]["when"].type == "text"
    assert mapping.file.event[0].time == ("$file.modified",)
    assert events == 2
    told, mapping, _, _ = suggested(rows.replace(b"05/04", b"15/04"))
    assert mapping.file.fields["row"]["when"].format == "%d/%m/%Y %H:%M:%S"
    assert any("which zone" in question for question in questions(told))


def test_results_become_a_table_and_unknown_words_a_question() -> None:
    text, mapping, _, _ = suggested(b"Serial,Result\nHB00001,OK\nHB00002,NG\nHB00003,WOBBLY\n")
    assert mapping.file.tables["row_result"].values == {"OK": "passed", "NG": "failed", "WOBBLY": "unknown"}
    assert any("WOBBLY" in question for question in questions(text))


def test_a_code_page_stays_a_question() -> None:
    text, mapping, events, rejected = suggested("Serial;Maß\nHB00001;1,5\nHB00002;2,5\n".encode("cp1252"))
    assert any("which code page" in question for question in questions(text))
    assert mapping.file.reader.decimal == ","
    assert (events, rejected) == (2, 0)


@pytest.mark.parametrize(
    ("content", "encoding"),
    [
        (b"a;b\n1;2\n", "utf-8"),
        ("\ufeffa;ö\n".encode(), "utf-8"),
        ("a;b\n1;2\n".encode("utf-16"), "utf-16"),
        ("a;b\n1;2\n".encode("utf-16-le"), "utf-16-le"),
        ("a;b\n1;2\n".encode("utf-16-be"), "utf-16-be"),
        ("a;ö\n".encode("latin-1"), "cp1252"),
    ],
)
def test_encodings(content: bytes, encoding: str) -> None:
    assert encoding_of(content).name == encoding


@pytest.mark.parametrize(
    ("text", "format"),
    [
        ("2026-03-02T06:41:44Z", "iso"),
        ("2026/03/02 06:41:44", "%Y/%m/%d %H:%M:%S"),
        ("31.12.2026 06:41:44", "%d.%m.%Y %H:%M:%S"),
        ("20260302064144", "%Y%m%d%H%M%S"),
        ("1772433704000", "unix_ms"),
        ("HW-1040", None),
        ("12", None),
    ],
)
def test_time_formats(text: str, format: str | None) -> None:
    found = clock_of([text])
    assert (found.format if found else None) == format


def test_of_empty_files_nothing_is_suggested() -> None:
    with pytest.raises(UsageError, match="all files are empty"):
        suggested(b"", b" \r\n")


@given(st.binary(min_size=1, max_size=300))
@settings(max_examples=60, deadline=None)
def test_rubbish_gets_a_mapping_that_loads(content: bytes) -> None:
    if content.strip():
        suggested(content)


LINES = st.lists(
    st.lists(st.sampled_from(["OK", "HB000%d", "1", "2,5", "#X", "", '"', "a b", "2026-03-02 06:00:00", "ä", "\x00", "[s]",
                              "k=v", "\u2028", "file"]), min_size=1, max_size=5),
    min_size=1, max_size=8,
)  # fmt: skip


@given(LINES, st.sampled_from([";", ",", "\t", " ", "="]))
@settings(max_examples=80, deadline=None)
def test_lines_of_any_kind_get_a_mapping_that_loads(rows: list[list[str]], sign: str) -> None:
    text = "\n".join(sign.join(row) for row in rows)
    if text.strip():
        suggested(text.encode())
