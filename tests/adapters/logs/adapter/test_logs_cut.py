"""Files whose last line is cut, because their writer flushed in the middle of it: waited for, flagged, taken back.

What a cut line says may belong to another board: `HW-0000` of `HW-000023`.
"""

from pathlib import Path
from typing import Any

import pytest
from dropping import Plant, content, in_a_loop
from logs_reading import MODIFIED, mapping, reading, rows

from broker_bridge.adapters.base import Request
from broker_bridge.adapters.logs.adapter.backfill import Backfill

CODE_LAST = rows().replace('"Time", "Code", "Result"', '"Time", "Result", "Code"')
WHOLE = b"2026-03-02 06:00:00;OK;HW-000001\n2026-03-02 06:00:01;NG;HW-0000"
REST = b"23\n"


@pytest.fixture
def plant(tmp_path: Path) -> Plant:
    plant = Plant(tmp_path)
    plant.mapping.write_text(CODE_LAST)
    return plant


def standing(plant: Plant) -> list[tuple[str | None, tuple[str, ...]]]:
    """Whose boards the record has, with what is doubtful: of every raw record the highest revision."""
    highest: dict[tuple[str, int], Any] = {}
    for taking in plant.writer.takings:
        key = taking.generation, taking.position
        if key not in highest or highest[key].revision <= taking.revision:
            highest[key] = taking
    return [
        (statement.subject or statement.data.TYPE, statement.data.origin.flags)
        for taking in highest.values()
        for statement in taking.statements
        if statement.data.TYPE != "source.retracted"
    ]


def retractions(plant: Plant) -> list[str]:
    said = [statement.data for taking in plant.writer.takings for statement in taking.statements]
    return [getattr(data, "reason", "") for data in said if data.TYPE == "source.retracted"]


@in_a_loop
async def test_a_last_line_without_its_end_is_waited_for_and_told(plant: Plant) -> None:
    async with plant.running() as task:
        file = plant.put("a.csv", WHOLE)
        await plant.until(task, lambda: "its last line has no end" in str(plant.writer.reports[-1:]))
        assert plant.writer.condition == "reading", "no hand is needed: many machines write no last line end"
        await plant.looks(task, 10)
        assert plant.codes == []
        with file.open("ab") as out:
            out.write(REST)
        await plant.until(task, lambda: plant.codes == ["HW-000001", "HW-000023"])
    assert standing(plant) == [("HW-000001", ()), ("HW-000023", ())]


@in_a_loop
async def test_after_a_short_wait_it_is_taken_flagged_and_taken_back_when_the_file_goes_on(
    plant: Plant,
) -> None:
    async with plant.running(final_line_after_s=0.05) as task:
        file = plant.put("a.csv", WHOLE)
        await plant.until(task, lambda: len(plant.codes) == 2)
        assert standing(plant) == [("HW-000001", ()), ("HW-0000", ("unterminated",))]
        with file.open("ab") as out:
            out.write(REST)
        await plant.until(task, lambda: retractions(plant))
    assert ("HW-0000", ("unterminated",)) not in standing(plant)
    assert {subject for subject, _ in standing(plant)} == {"HW-000001", "HW-000023"}
    assert retractions(plant) == ["it was read before its end was written; the file went on behind it"]
    assert plant.writer.counters["retracted"] == 1


@in_a_loop
async def test_a_line_cut_twice_is_taken_back_twice(plant: Plant) -> None:
    async with plant.running(final_line_after_s=0.02) as task:
        file = plant.put("a.csv", WHOLE)
        for number, piece in enumerate((b"2", b"3", b"\n"), 1):
            await plant.until(task, lambda number=number: len(retractions(plant)) == number - 1)  # type: ignore[misc]
            await plant.until(
                task, lambda: [flags for _, flags in standing(plant)[-1:]] == [("unterminated",)]
            )
            with file.open("ab") as out:
                out.write(piece)
        await plant.until(task, lambda: len(retractions(plant)) == 3)
    assert {subject for subject, _ in standing(plant)} == {"HW-000001", "HW-000023"}


@in_a_loop
async def test_it_is_taken_back_after_a_restart_and_where_the_file_was_dropped_again(plant: Plant) -> None:
    async with plant.running(final_line_after_s=0.02, after="delete") as task:
        plant.put("a.csv", WHOLE)
        await plant.until(task, lambda: not list(plant.drop.iterdir()))
    async with plant.running(final_line_after_s=0.02, after="delete") as task:
        plant.put("a.csv", WHOLE + REST)
        await plant.until(task, lambda: not list(plant.drop.iterdir()))
    assert {subject for subject, _ in standing(plant)} == {"HW-000001", "HW-000023"}


@in_a_loop
async def test_another_content_under_the_same_name_takes_nothing_back(plant: Plant) -> None:
    async with plant.running(final_line_after_s=0.02) as task:
        plant.put("a.csv", WHOLE)
        await plant.until(task, lambda: len(plant.codes) == 2)
        plant.put("a.csv", b"2026-03-02 07:00:00;OK;HW-000099\n" + WHOLE)
        await plant.until(task, lambda: len(plant.codes) == 5)
        await plant.looks(task)
    assert retractions(plant) == []


@in_a_loop
async def test_read_again_with_a_raised_mapping_the_cut_line_stays_taken_back(plant: Plant) -> None:
    async with plant.running(final_line_after_s=0.02) as task:
        file = plant.put("a.csv", WHOLE)
        await plant.until(task, lambda: len(plant.codes) == 2)
        with file.open("ab") as out:
            out.write(REST)
        await plant.until(task, lambda: retractions(plant))
    for revision in (2, 3):
        plant.mapping.write_text(CODE_LAST.replace("revision = 1", f"revision = {revision}"))
        plant.writer.waiting.append(Request(revision, "retry", {}))
        async with plant.running(final_line_after_s=0.02) as task:
            await plant.until(task, lambda revision=revision: revision in plant.writer.answers)  # type: ignore[misc]
        assert {subject for subject, _ in standing(plant)} == {"HW-000001", "HW-000023"}
    ids = [(taking.generation, taking.position, taking.revision) for taking in plant.writer.takings]
    assert len(ids) == len(set(ids)), "one id, one content"


@in_a_loop
async def test_a_backfill_of_the_whole_file_takes_the_cut_line_back(plant: Plant) -> None:
    backfill = Backfill(mapping(CODE_LAST), plant.writer, plant.config())
    await backfill.take_in(WHOLE, "a.csv", MODIFIED)
    await backfill.take_in(WHOLE + REST, "a.csv", MODIFIED)
    await backfill.flush()
    assert {subject for subject, _ in standing(plant)} == {"HW-000001", "HW-000023"}


@in_a_loop
async def test_a_rejected_half_line_is_taken_back_too(plant: Plant) -> None:
    async with plant.running(final_line_after_s=0.02) as task:
        file = plant.put("a.csv", WHOLE[:-12])
        await plant.until(task, lambda: len(plant.codes) == 2)
        assert plant.writer.takings[-1].statements[0].data.TYPE == "source.rejected"
        with file.open("ab") as out:
            out.write(WHOLE[-12:] + REST)
        await plant.until(task, lambda: retractions(plant))
    assert {subject for subject, _ in standing(plant)} == {"HW-000001", "HW-000023"}


@in_a_loop
async def test_a_done_marker_says_that_a_file_is_whole_whatever_its_last_line_lacks(plant: Plant) -> None:
    async with plant.running(done_marker=".done") as task:
        plant.put("a.csv", content("A1")[:-1].replace(b";A1;OK", b";OK;A1"))
        plant.put("a.csv.done", b"")
        await plant.until(task, lambda: plant.codes == ["A1"])


LINES: dict[str, tuple[str, str, str]] = {
    "delimited": ('kind = "delimited"\ndelimiter = ";"\nrecords = [{kind = "x", columns = ["a", "b"]}]', "1;2\n3;4", "\n"),
    "pairs": (
        'kind = "delimited"\ndelimiter = ";"\nrecords = [{kind = "x", layout = "pairs"}]', "a;1\nb;HW-0000", "23\n"
    ),
    "fixed_width": ('kind = "fixed"\nrecords = [{kind = "x", columns = {a = [1, 1], b = [2, 9]}}]', "1aaa\n2HW-00", "\n"),
    "key_value": ('kind = "key_value"\nrecords = [{kind = "x"}]', "a=1 b=2\na=3 b=HW-0000", "\n"),
    "free_text": ('kind = "text"\nrecords = [{kind = "x", pattern = "(?P<b>.+)"}]\nunmatched = "refuse"', "HW-1\nHW-0000", "\n"),
    "ini": ('kind = "ini"\nrecords = [{kind = "x", section = "B"}]', "[B]\na=1\nb=HW-0000", "23\n"),
    "blocks": (
        'kind = "blocks"\nrecords = [{kind = "x", begins = "^B", lines = ["Board (?P<b>.+)"]}]', "B\nBoard HW-0000", "\n"
    ),
    "json_lines": ('kind = "json_lines"\nrecords = [{kind = "x"}]', '{"b": "1"}\n{"b": "HW-0000', '23"}\n'),
}  # fmt: skip

ANY = """
name = "any"
revision = 1
zone = "UTC"
[reader]
{reader}
{encoding}
[fields.x]
b = "b"
[[event]]
type = "station.alarm_raised"
each = "x"
time = "$file.modified"
[event.data]
code = "A"
text = "$b"
"""


@pytest.mark.parametrize("kind", LINES)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le"])
def test_every_reader_that_goes_by_lines_tells_a_cut_last_one(kind: str, encoding: str) -> None:
    stated, cut, rest = LINES[kind]
    text = ANY.format(reader=stated, encoding=f'encoding = "{encoding}"')
    half = reading(text, cut.encode(encoding))
    assert half.unterminated
    assert half.loose(list(half)[-1])
    whole = reading(text, (cut + rest).encode(encoding))
    assert not whole.unterminated
    assert not any(whole.loose(taking) for taking in whole)


def test_a_json_line_that_is_closed_is_whole_without_a_line_end() -> None:
    stated, *_ = LINES["json_lines"]
    text = ANY.format(reader=stated, encoding="")
    assert not reading(text, b'{"b": "1"}\n{"b": "2"}').unterminated


def test_an_xml_document_cut_anywhere_is_incomplete_and_nothing_of_it_is_half() -> None:
    text = ANY.format(reader='kind = "xml"\nrecords = [{kind = "x", path = "/R/X"}]', encoding="")
    document = b"<R><X><b>HW-000001</b></X><X><b>HW-000023</b></X></R>"
    for end in range(1, len(document)):
        cut = reading(text, document[:end])
        assert not cut.complete
        for taking in cut:
            assert cut.loose(taking)
            said = getattr(taking.statements[0].data, "text", None)
            assert said in (None, "HW-000001", "HW-000023")
    assert reading(text, document).complete


def test_a_cut_in_a_quoted_field_of_several_lines_waits_and_what_is_read_of_it_is_doubtful() -> None:
    text = rows(columns='"Note"')
    row = b'2026-03-02 06:00:00;A1;OK;"first\n2026-03-02 06:00:00;A2;OK;second"\n'
    cut = reading(text, row[: row.index(b"second")] + b"s\n")
    given = list(cut)
    assert cut.unterminated
    assert [statement.subject for taking in given for statement in taking.statements][-1] == "A2"
    assert all(cut.loose(taking) for taking in given)
    assert not reading(text, row).unterminated


def test_a_stated_trailer_is_the_end_whatever_its_line_lacks() -> None:
    text = rows().replace("[[reader.records]]", 'trailer = "END"\n\n[[reader.records]]')
    assert not reading(text, content("A1") + b"END").unterminated
    assert reading(text, content("A1") + b"2026").unterminated


@in_a_loop
async def test_a_rewritten_document_takes_its_cut_row_back_though_vanished_rows_are_kept(
    plant: Plant,
) -> None:
    stated = {"pickup": "rewritten", "key": ["Code"], "vanished": "keep", "final_line_after_s": 0.02}
    async with plant.running(**stated) as task:
        file = plant.put("a.csv", WHOLE)
        await plant.until(task, lambda: len(plant.codes) == 2)
        with file.open("ab") as out:
            out.write(REST)
        await plant.until(task, lambda: retractions(plant))
        plant.put("a.csv", b"2026-03-02 07:00:00;OK;HW-000099")
        await plant.until(task, lambda: len(standing(plant)) == 3)
        plant.put("a.csv", b"2026-03-02 07:00:00;OK;HW-000100\n")
        await plant.until(task, lambda: len(standing(plant)) == 4)
    assert [subject for subject, _ in standing(plant)] == ["HW-000001", "HW-000023", "HW-000099", "HW-000100"]
    assert len(retractions(plant)) == 1, "a row that made room is kept"
