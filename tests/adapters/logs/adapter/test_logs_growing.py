"""Logs that grow: every hazard of files that it can meet, each a test that names it.

The hazards by number and where each of them is tested (drop: test_logs_folder; grow: here; machine:
test_logs_growing_machine; rewritten: test_logs_rewritten; lines, delimited, times: the readers' and mapping's tests):

     1 rotation by rename            grow, machine       21 byte order mark              grow, lines
     2 rotation while we are down    grow, machine       22 UTF-16                       grow, lines
     3 copied and cut                grow, machine       23 code pages, bad bytes        drop, grow
     4 cut and grown past the end    grow, machine       24 line ends                    grow, lines
     5 inode used again              drop, grow          25 line ends inside quotes      grow, delimited
     6 equal headers                 drop, grow          26 locked files                 drop, grow
     7 tiny and empty files          drop, grow          27 no handle stays open         drop, grow
     8 half a last line              drop, grow          28 huge lines and files         drop, grow
     9 last line without its end     grow                29 many files                   drop
    10 half-written dropped file     drop                30 clock jumps, summer time     grow, times
    11 valid early, then extended    drop                31 machine's clock is wrong     grow
    12 dropped again                 drop, rewritten     32 crash between two steps      drop, machine
    13 same name, other content      drop                33 state lost                   drop, grow
    14 records that are equal        grow, machine       34 two processes                here (the outbox's lock)
    15 rewritten in place            rewritten           35 deleted before it was read   drop, machine
    16 no notices from shares        every one: polling  36 links, pipes                 drop, grow
    17 share gone and back           drop, grow          37 rotated logs compressed      grow, machine
    18 empty mount point             drop, grow          38 names are no identity        drop, grow
    19 NUL bytes                     drop, grow          39 moving fails                 drop
    20 coarse or preserved times     drop, grow          40 where to begin               drop, grow
"""

import asyncio
import gzip
import os
import shutil
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import zstandard
from growing_logs import LINE, Logs, lines
from logs_reading import rows

from broker_bridge.adapters.base import Request
from broker_bridge.adapters.logs.adapter.folder import Folder, Listing
from broker_bridge.adapters.logs.adapter.folder_adapter import FolderAdapter
from broker_bridge.adapters.logs.adapter.log_state import bytes_of, load_log, pieces
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import Outbox
from broker_bridge.errors import ConfigError, SourceUnavailable

HEADER = "Time;Code;Result\n"
HEADED = rows().replace("columns = [", "header = true\ncolumns = [")


@pytest.fixture
def logs(tmp_path: Path) -> Logs:
    return Logs(tmp_path)


def test_records_are_given_as_they_are_written(logs: Logs) -> None:
    logs.append("a.log", lines("A1"))
    logs.look()
    assert logs.codes == ["A1"]
    logs.append("a.log", lines("A2", "A3"))
    logs.look()
    assert logs.codes == ["A1", "A2", "A3"]
    (first, *_) = logs.writer.takings
    raw = first.statements[0].data.origin.raw  # type: ignore[union-attr]
    assert (raw.offset, raw.size, raw.archived) == (0, 26, None)  # type: ignore[union-attr]


def test_hazard_01_a_renamed_log_is_read_to_its_end_and_the_new_one_from_its_start(logs: Logs) -> None:
    logs.append("a.log", lines("A1"))
    logs.look()
    (logs.path / "a.log").rename(logs.path / "a.log.1")
    logs.append("a.log", lines("B1"))
    logs.append("a.log.1", lines("A2"))
    logs.look()
    assert sorted(logs.codes) == ["A1", "A2", "B1"]
    assert len({generation for generation, *_ in logs.ids}) == 2
    assert not logs.gaps


def test_hazard_01_a_log_renamed_to_a_name_that_does_not_match_is_read_to_its_end(tmp_path: Path) -> None:
    logs = Logs(tmp_path, pattern="a.log")
    logs.append("a.log", lines("A1"))
    logs.look()
    logs.append("a.log", lines("A2"))
    (logs.path / "a.log").rename(logs.path / "old-7")
    logs.append("a.log", lines("B1"))
    logs.look(4)
    assert sorted(logs.codes) == ["A1", "A2", "B1"]
    assert not logs.gaps


def test_hazard_01_renamed_between_the_listing_and_the_opening(
    logs: Logs, monkeypatch: pytest.MonkeyPatch
) -> None:
    def rotate(number: int, code: str) -> None:
        (logs.path / "a.log").rename(logs.path / f"a.log.{number}")
        logs.append("a.log", lines(code))

    logs.append("a.log", lines("A1"))
    logs.look()
    logs.append("a.log", lines("A2"))
    old = Folder(logs.path, "*", None).list()
    rotate(1, "B1")
    monkeypatch.setattr(Folder, "list", lambda folder: old)
    logs.look()
    monkeypatch.undo()
    rotate(2, "C1")
    logs.look(3)
    assert sorted(logs.codes) == ["A1", "A2", "B1", "C1"]
    assert not logs.gaps


def test_hazard_02_rotated_twice_while_nobody_looked_the_rest_is_found(logs: Logs) -> None:
    logs.append("a.log", lines("A1"))
    logs.look()
    logs.restart()
    logs.append("a.log", lines("A2"))
    (logs.path / "a.log").rename(logs.path / "a.log.1")
    logs.append("a.log", lines("B1"))
    (logs.path / "a.log.1").rename(logs.path / "a.log.2")
    (logs.path / "a.log").rename(logs.path / "a.log.1")
    logs.append("a.log", lines("C1"))
    logs.look(3)
    assert logs.codes == ["A1", "A2", "B1", "C1"], "the older ones first"
    assert not logs.gaps


def test_hazard_03_what_is_cut_away_unread_is_a_stated_gap(logs: Logs) -> None:
    logs.append("a.log", lines("A1"))
    logs.look()
    before = datetime.now(UTC)
    logs.append("a.log", lines("A2"))
    os.truncate(logs.path / "a.log", 0)
    logs.append("a.log", lines("B1"))
    logs.look(3)
    assert logs.codes == ["A1", "B1"]
    (gap,) = logs.gaps
    assert gap.cause == "truncated"
    assert gap.start <= before <= gap.end
    assert "byte 26" in gap.detail


def test_hazard_03_a_copy_made_before_the_cut_is_the_same_log_and_its_rest_is_read(logs: Logs) -> None:
    logs.append("a.log", lines("A1"))
    logs.look()
    logs.append("a.log", lines("A2"))
    shutil.copyfile(logs.path / "a.log", logs.path / "a.log.1")
    os.truncate(logs.path / "a.log", 0)
    logs.append("a.log", lines("B1"))
    logs.look(3)
    assert sorted(logs.codes) == ["A1", "A2", "B1"]
    (gap,) = logs.gaps
    assert "copied to a.log.1 and cut" in gap.detail


def test_hazard_04_cut_and_grown_past_the_old_end_between_two_looks(logs: Logs) -> None:
    logs.append("a.log", lines("A1", "A2"))
    logs.look()
    os.truncate(logs.path / "a.log", 0)
    logs.append("a.log", lines("B1", "B2", "B3"))
    logs.look(3)
    assert logs.codes == ["A1", "A2", "B1", "B2", "B3"]
    assert len(logs.gaps) == 1


def test_hazard_05_deleted_and_created_again_with_the_same_inode(logs: Logs) -> None:
    for number in range(5):
        logs.append("a.log", lines(f"N{number}"))
        logs.look(3)
        (logs.path / "a.log").unlink()
    assert logs.codes == [f"N{number}" for number in range(5)]


def test_hazard_06_logs_with_one_header_are_never_merged(tmp_path: Path) -> None:
    logs = Logs(tmp_path, HEADED)
    for number in range(20):
        logs.append(f"day{number:02}.log", HEADER.encode() + lines(f"D{number}"))
    logs.look(3)
    assert logs.codes == [f"D{number}" for number in range(20)]


def test_hazard_06_logs_that_begin_with_the_same_records_are_told_apart_once_they_differ(logs: Logs) -> None:
    logs.append("day1.log", lines("START", "A1"))
    logs.look()
    logs.append("day2.log", lines("START"))
    logs.look(5)
    assert logs.codes == ["START", "A1"], "a copy in the making, or another log: nobody can tell yet"
    logs.append("day2.log", lines("B1"))
    logs.look()
    assert logs.codes == ["START", "A1", "START", "B1"]
    logs.restart()
    logs.append("day1.log", lines("A2"))
    logs.append("day2.log", lines("B2"))
    logs.look(2)
    assert sorted(logs.codes) == ["A1", "A2", "B1", "B2", "START", "START"]
    assert len(set(logs.ids)) == 6


def test_hazard_06_a_log_that_goes_on_where_another_one_ended_is_another_one(logs: Logs) -> None:
    logs.append("day1.log", lines("START"))
    logs.look()
    logs.append("day2.log", lines("START", "B1"))
    logs.look(5)
    assert logs.codes == ["START", "START", "B1"]


def test_hazard_06_a_doubt_that_stays_is_a_stated_gap(tmp_path: Path) -> None:
    logs = Logs(tmp_path, incomplete_after_s=0.02)
    logs.append("day1.log", lines("START", "A1"))
    logs.look()
    logs.append("copy.log", lines("START"))
    asyncio.run(_until(logs, lambda: logs.gaps))
    (gap,) = logs.gaps
    assert gap.cause == "other"
    assert "copy.log holds the first bytes of day1.log" in gap.detail
    logs.restart()
    logs.look(3)
    assert len(logs.gaps) == 1, "told once"


async def _until(logs: Logs, condition: object) -> None:
    """Look until it holds."""
    for _ in range(2000):
        if condition():  # type: ignore[operator]
            return
        await logs._look(1)
        await asyncio.sleep(0.002)
    raise AssertionError("waited in vain")


@pytest.mark.parametrize("size", [0, 1, 25, 26, 27])
def test_hazard_07_a_log_of_a_few_bytes_is_read_as_far_as_it_goes(logs: Logs, size: int) -> None:
    content = lines("A1", "A2")
    logs.append("a.log", content[:size])
    logs.look(2)
    assert logs.codes == ["A1"][: size // 26]
    logs.append("a.log", content[size:])
    logs.look()
    assert logs.codes == ["A1", "A2"]


def test_hazard_08_half_a_line_is_never_given_byte_by_byte_and_over_restarts(logs: Logs) -> None:
    content = lines("A1", "A2")
    for at in range(len(content)):
        logs.append("a.log", content[at : at + 1])
        if at % 3 == 0:
            logs.restart()
        logs.look()
        assert len(logs.codes) == (at + 1) // 26
    assert [position for _, position, _ in logs.ids] == [0, 26]


def test_hazard_09_a_last_line_without_its_end_is_given_late_and_flagged(tmp_path: Path) -> None:
    logs = Logs(tmp_path, final_line_after_s=0.02)
    logs.append("a.log", lines("A1", "A2")[:-1])
    logs.look()
    assert logs.codes == ["A1"]
    asyncio.run(_until(logs, lambda: len(logs.codes) == 2))
    assert logs.writer.takings[-1].statements[0].data.origin.flags == ("unterminated",)  # type: ignore[union-attr]


def test_hazard_09_a_line_that_goes_on_after_all_replaces_what_was_given(tmp_path: Path) -> None:
    logs = Logs(tmp_path, final_line_after_s=0.02)
    whole = lines("A1", "A2")
    logs.append("a.log", whole[:-1])
    asyncio.run(_until(logs, lambda: len(logs.codes) == 2))
    logs.restart()
    logs.append("a.log", whole[-1:] + lines("A3"))
    logs.look()
    assert logs.codes == ["A1", "A2", "A3"]
    assert [(position, revision) for _, position, revision in logs.ids] == [(0, 1), (26, 1), (26, 2), (52, 1)]
    assert not logs.events[1].statements[0].data.origin.flags  # type: ignore[union-attr]


def test_hazard_09_the_last_line_of_a_log_that_another_one_followed(tmp_path: Path) -> None:
    logs = Logs(tmp_path, incomplete_after_s=0.02)
    logs.append("day1.log", lines("A1")[:-1])
    logs.append("day1.log", b"")
    logs.look()
    assert logs.codes == []
    logs.append("day1.log", b"\n" + lines("A2")[:-1])
    logs.append("day2.log", lines("B1"))
    asyncio.run(_until(logs, lambda: len(logs.codes) == 3))
    assert sorted(logs.codes) == ["A1", "A2", "B1"]


def test_hazard_14_equal_lines_are_records_of_their_own_also_when_read_again(logs: Logs) -> None:
    logs.append("a.log", lines("A1", "A1", "A1"))
    logs.look()
    before = list(logs.ids)
    assert logs.codes == ["A1", "A1", "A1"]
    logs.writer.kept.clear()
    logs.restart()
    (logs.path / "a.log").rename(logs.path / "a.log.1")
    logs.look()
    assert logs.ids == before * 2


def test_hazard_17_a_folder_that_is_away_loses_no_position(logs: Logs) -> None:
    logs.append("a.log", lines("A1"))
    logs.look()
    logs.path.rename(logs.path.with_name("elsewhere"))
    with pytest.raises(SourceUnavailable):
        logs.look()
    logs.path.with_name("elsewhere").rename(logs.path)
    logs.append("a.log", lines("A2"))
    logs.look()
    assert logs.codes == ["A1", "A2"]
    assert not logs.gaps


def test_hazard_18_an_empty_folder_on_another_device_is_no_deletion(
    logs: Logs, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs.append("a.log", lines("A1"))
    logs.look()
    monkeypatch.setattr(Folder, "list", lambda folder: Listing(device=-1))
    logs.look(5)
    monkeypatch.undo()
    logs.append("a.log", lines("A2"))
    logs.look()
    assert logs.codes == ["A1", "A2"]
    assert "away" in {word for word, _ in logs.writer.reports}
    assert not logs.gaps


def test_hazard_19_nul_bytes_are_waited_for_and_never_passed(logs: Logs) -> None:
    whole = lines("A1", "A2", "A3")
    logs.append("a.log", whole[:26] + b"\x00" * 26 + whole[52:])
    logs.look(3)
    assert logs.codes == ["A1"]
    assert logs.writer.condition == "waiting"
    assert "NUL" in logs.writer.reports[-1][1]
    (logs.path / "a.log").write_bytes(whole)
    logs.look()
    assert logs.codes == ["A1", "A2", "A3"]
    assert not logs.gaps


def test_hazard_19_nul_bytes_that_stay_reject_their_line_and_it_goes_on(tmp_path: Path) -> None:
    logs = Logs(tmp_path, incomplete_after_s=0.02)
    logs.append("a.log", lines("A1") + b"\x00" * 30 + lines("A2", "A3"))
    asyncio.run(_until(logs, lambda: len(logs.codes) == 2))
    assert logs.codes == ["A1", "A3"]
    (rejected,) = [t.statements[0] for t in logs.events if t.statements[0].data.TYPE == "source.rejected"]
    assert rejected.data.code == "nul"  # type: ignore[attr-defined]
    assert rejected.time == logs.events[0].statements[0].time, "it is no older than the record before it"


def test_hazard_20_a_preserved_time_hides_nothing(logs: Logs) -> None:
    logs.append("a.log", lines("A1"))
    times = os.stat(logs.path / "a.log")
    logs.look()
    logs.append("a.log", lines("A2"))
    os.utime(logs.path / "a.log", ns=(times.st_atime_ns, times.st_mtime_ns))
    logs.look()
    assert logs.codes == ["A1", "A2"]


@pytest.mark.parametrize(
    ("encoding", "mark"),
    [
        ("utf-8", b"\xef\xbb\xbf"),
        ("utf-16-le", b""),
        ("utf-16-be", b""),
        ("utf-16", b"\xff\xfe"),
        ("cp1252", b""),
    ],
)
def test_hazard_21_and_22_marks_and_encodings_byte_by_byte(
    tmp_path: Path, encoding: str, mark: bytes
) -> None:
    logs = Logs(tmp_path, rows().replace('encoding = "utf-8"', f'encoding = "{encoding}"'))
    codes = ["A1", "ÄÖ", "A3"] if encoding == "cp1252" else ["A1", "\u0a0a\u0a00ÄÖ", "A3"]
    text = "".join(LINE.format(code) for code in codes)
    content = mark + text.encode("utf-16-le" if encoding == "utf-16" else encoding)
    for at in range(0, len(content), 5):
        logs.append("a.log", content[at : at + 5])
        logs.look()
        logs.restart()
    assert logs.codes == codes


def test_hazard_23_bad_bytes_reject_their_line_alone(logs: Logs) -> None:
    logs.append("a.log", lines("A1") + b"2026-03-02 06:00:00;\xff\xfe;OK\n" + lines("A2"))
    logs.look()
    assert logs.codes == ["A1", "A2"]
    assert logs.writer.counters["rejected"] == 1


def test_hazard_24_line_ends_inside_fields_are_no_line_ends(logs: Logs) -> None:
    odd = "2026-03-02 06:00:00;A\u2028\x0b\x0c\x85B;OK\r\n"
    logs.append("a.log", odd.encode() + lines("A2"))
    logs.look()
    assert logs.codes == ["A\u2028\x0b\x0c\x85B", "A2"]


def test_hazard_25_a_quoted_line_end_over_two_looks(logs: Logs) -> None:
    logs.append("a.log", lines("A1") + b'2026-03-02 06:00:00;"A\n')
    logs.look()
    logs.restart()
    logs.append("a.log", b'2";OK\n')
    logs.look()
    assert logs.codes == ["A1", "A\n2"]


def test_hazard_26_a_locked_log_is_tried_again(logs: Logs, monkeypatch: pytest.MonkeyPatch) -> None:
    logs.append("a.log", lines("A1"))

    def held(*_: object, **__: object) -> int:
        raise PermissionError(13, "it is held")

    monkeypatch.setattr("broker_bridge.adapters.logs.adapter.stream.os.open", held)
    logs.look()
    assert logs.writer.condition == "locked"
    monkeypatch.undo()
    logs.look()
    assert logs.codes == ["A1"]


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="needs /proc to see which files are open")
def test_hazard_27_no_handle_stays_open(logs: Logs) -> None:
    logs.append("a.log", lines("A1"))
    logs.look()
    targets = {os.path.realpath(f"/proc/self/fd/{name}") for name in os.listdir("/proc/self/fd")}
    assert str(logs.path / "a.log") not in targets


def test_hazard_28_a_line_that_is_too_long_is_rejected_with_its_place_and_reading_goes_on(
    tmp_path: Path,
) -> None:
    text = rows().replace('delimiter = ";"', 'delimiter = ";"\nmax_record_bytes = 1000')
    logs = Logs(tmp_path, text)
    logs.append("a.log", lines("A1") + b"x" * 300_000)
    logs.look()
    logs.restart()
    logs.append("a.log", b"x" * 5000 + b"\n" + lines("A2"))
    logs.look()
    assert logs.codes == ["A1", "A2"]
    (rejected,) = [t for t in logs.events if t.statements[0].data.TYPE == "source.rejected"]
    assert rejected.position == 26
    assert rejected.statements[0].data.origin.raw.size == 305_001  # type: ignore[union-attr]


def test_hazard_30_a_clock_that_falls_back_changes_no_order_and_no_count(logs: Logs) -> None:
    back = "2026-10-25 02:30:00;{};OK\n2026-10-25 02:15:00;{};OK\n"  # the hour exists twice in Berlin
    logs.append("a.log", back.format("A1", "A2").encode())
    logs.look()
    assert logs.codes == ["A1", "A2"]


def test_hazard_31_a_machine_that_lives_in_another_year_is_recorded(logs: Logs) -> None:
    logs.append("a.log", b"1999-12-31 23:59:59;A1;OK\n")
    logs.look()
    assert logs.codes == ["A1"]
    assert logs.events[0].statements[0].time.year == 1999


def test_hazard_33_a_lost_state_gives_the_same_ids(tmp_path: Path) -> None:
    logs = Logs(tmp_path, HEADED)
    logs.append("day1.log", HEADER.encode() + lines("A1") + b"odd\n")
    logs.append("day2.log", HEADER.encode() + lines("B1", "B1"))
    logs.look()
    before = {(t.generation, t.position, t.revision): t.statements for t in logs.writer.takings}
    logs.writer.kept.clear()
    logs.writer.takings.clear()
    logs.restart()
    logs.append("day2.log", lines("B2"))
    logs.look()
    after = {(t.generation, t.position, t.revision): t.statements for t in logs.writer.takings}
    assert {key: after[key] for key in before} == before
    assert len(after) == len(before) + 1


def test_hazard_34_two_processes_on_one_source_the_second_is_refused(tmp_path: Path) -> None:
    async def both() -> None:
        def opened():  # type: ignore[no-untyped-def]
            return Outbox.open(tmp_path / "outbox.db", archive=Archive(tmp_path / "raw"), ceiling_bytes=10**9)

        first = await opened()
        try:
            with pytest.raises(ConfigError, match="outbox"):
                await opened()
        finally:
            await first.close()

    asyncio.run(both())


def test_hazard_36_links_and_pipes_are_never_opened(logs: Logs, tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(lines("SECRET"))
    (logs.path / "a.log").symlink_to(tmp_path / "secret")
    os.mkfifo(logs.path / "b.log")
    logs.look(2)
    assert logs.codes == []
    assert stat.S_ISFIFO(os.stat(logs.path / "b.log").st_mode)


@pytest.mark.parametrize(("suffix", "pack"), [(".gz", gzip.compress), (".zst", zstandard.compress)])
def test_hazard_37_a_rotated_log_that_was_compressed_half_read_goes_on_where_it_was(
    logs: Logs, suffix: str, pack: object
) -> None:
    logs.append("a.log", lines("A1"))
    logs.look()
    logs.restart()
    logs.append("a.log", lines("A2"))
    packed = pack((logs.path / "a.log").read_bytes())  # type: ignore[operator]
    (logs.path / "a.log").rename(logs.path / "a.log.1")
    logs.append("a.log", lines("B1"))
    (logs.path / f"a.log.1{suffix}").write_bytes(packed[: len(packed) // 2])
    logs.look()
    (logs.path / f"a.log.1{suffix}").write_bytes(packed)
    (logs.path / "a.log.1").unlink()
    logs.look(3)
    assert sorted(logs.codes) == ["A1", "A2", "B1"]
    assert len({generation for generation, *_ in logs.ids}) == 2


def test_hazard_38_names_of_any_bytes_are_no_identity(logs: Logs) -> None:
    name = os.fsdecode(b"caf\xe9 .log.")
    logs.append(name, lines("A1"))
    logs.look()
    (logs.path / name).rename(logs.path / "CAFE.log")
    logs.restart()
    logs.append("CAFE.log", lines("A2"))
    logs.look()
    assert logs.codes == ["A1", "A2"]


@pytest.mark.parametrize(
    ("start", "first", "again"),
    [
        ("saved-or-beginning", ["A1", "A2"], ["A3"]),
        ("saved-or-end", ["A2"], ["A3"]),
        ("end", ["A2"], []),
        ("beginning", ["A1", "A2"], ["A1", "A2", "A3"]),
    ],
)
def test_hazard_40_where_to_begin(tmp_path: Path, start: str, first: list[str], again: list[str]) -> None:
    logs = Logs(tmp_path, start=start)
    logs.append("a.log", lines("A1"))
    logs.look()
    logs.append("a.log", lines("A2"))
    logs.look()
    assert logs.codes == first
    logs.writer.takings.clear()
    logs.restart()
    logs.append("a.log", lines("A3"))
    logs.look()
    assert logs.codes == again


def test_hazard_40_all_that_lies_there_is_passed_over_even_when_that_takes_several_looks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("broker_bridge.adapters.logs.adapter.follow._SLICE_S", 0.000_001)
    logs = Logs(tmp_path, start="saved-or-end")
    for number in range(5):
        logs.append(f"{number}.log", lines(f"A{number}"))

    async def a_look() -> None:
        await (await FolderAdapter(logs.config())._begin(logs.writer)).cycle()

    asyncio.run(a_look())
    monkeypatch.undo()
    logs.look()
    assert logs.codes == []
    logs.append("3.log", lines("B3"))
    logs.look()
    assert logs.codes == ["B3"]


# -- what holds for what follows


BLOCKS = """
name = "blocks"
revision = 1
zone = "UTC"

[reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ";"

[[reader.records]]
kind = "head"
tag = "H"
columns = ["Board", "Time"]

[[reader.records]]
kind = "row"
tag = "R"
columns = ["Code", "Result"]

[group]
GROUP

[fields.head]
board = "Board"
time = { column = "Time", type = "time", format = "%H:%M:%S %Y-%m-%d", means = "end" }

[fields.row]
code = "Code"
outcome = { column = "Result", table = "outcomes" }

[tables.outcomes]
values = { OK = "passed", NG = "failed" }
otherwise = "reject"

[[event]]
type = "inspection.completed"
EACH
time = "$head.time"

[event.data]
method = "optical"
OUTCOME
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$head.board", how = "read" }] }]
"""

HELD = (
    BLOCKS.replace("GROUP", 'holds = ["head"]')
    .replace("EACH", 'each = "row"')
    .replace("OUTCOME", 'outcome = "$outcome"')
)
GROUPED = (
    BLOCKS.replace("GROUP", 'per = "block"\nbegins = "head"\nbad_rows = "flag"')
    .replace("EACH", "")
    .replace("OUTCOME", 'outcome = "passed"')
)


def test_a_header_block_holds_over_a_restart(tmp_path: Path) -> None:
    logs = Logs(tmp_path, HELD)
    logs.append("a.log", b"H;B1;06:00:00 2026-03-02\nR;C1;OK\n")
    logs.look()
    logs.restart()
    logs.append("a.log", b"R;C2;NG\nH;B2;06:01:00 2026-03-02\n")
    logs.look()
    logs.restart()
    logs.append("a.log", b"R;C3;OK\n")
    logs.look()
    assert logs.codes == ["B1", "B1", "B2"]


def test_a_group_that_is_open_at_a_restart_is_given_once_and_whole(tmp_path: Path) -> None:
    whole = (
        b"H;B0;05:59:00 2026-03-02\nR;C0;OK\n"
        b"H;B1;06:00:00 2026-03-02\nR;C1;OK\nR;C2;ODD\nR;C3;OK\n"
        b"H;B2;06:01:00 2026-03-02\nR;C4;OK\nR;C5;ODD\n"
        b"H;B3;06:02:00 2026-03-02\n"
    )
    seen = []
    for cut in (1, 7, 1000):
        folder = tmp_path / str(cut)
        folder.mkdir()
        logs = Logs(folder, GROUPED)
        for at in range(0, len(whole), cut):
            logs.append("a.log", whole[at : at + cut])
            logs.look()
            logs.restart()
        seen.append([(t.generation, t.position, t.revision, t.statements) for t in logs.writer.takings])
    assert logs.codes == ["B0", "B1", "B2"]
    assert len(seen[0]) == 5, "three groups, two rejections"
    assert seen[0] == seen[1] == seen[2]


def test_a_log_of_nothing_but_garbage_is_told_while_it_grows(
    logs: Logs, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("broker_bridge.adapters.logs.protocol.runs.LONGEST", 8000)
    logs.append("a.log", b"garbage\n" * 5000)
    logs.look()
    told = [t for t in logs.events if t.statements[0].data.TYPE == "source.rejected"]
    assert 20 < len(told) < 30


def test_a_log_whose_name_is_not_as_the_mapping_states_is_rejected_once(tmp_path: Path) -> None:
    logs = Logs(tmp_path, rows() + "\n[file]\npattern = '(?P<line>\\w+)\\.log'\n")
    logs.append("a-b.txt", lines("A1"))
    logs.append("good.log", lines("B1"))
    logs.look(2)
    logs.restart()
    logs.append("a-b.txt", lines("A2"))
    logs.look(2)
    assert logs.codes == ["B1"]
    (rejected,) = [t for t in logs.events if t.statements[0].data.TYPE == "source.rejected"]
    assert rejected.statements[0].data.code == "file_name"  # type: ignore[attr-defined]


def test_a_mapping_that_needs_the_whole_file_is_refused(tmp_path: Path) -> None:
    for change in (
        ('name = "rows"', 'name = "rows"\ngroup = { per = "file" }'),
        ('time = "$time"', 'time = "$file.modified"'),
    ):
        folder = tmp_path / change[1][-8:-3]
        folder.mkdir()
        logs = Logs(
            folder,
            rows()
            .replace(*change)
            .replace('each = "row"\n', "" if "group" in change[1] else 'each = "row"\n'),
        )
        with pytest.raises(ConfigError, match=r"whole file|time of last change|outcome"):
            FolderAdapter(logs.config())


# -- raw bytes


def raw_of(logs: Logs, generation: str) -> bytes:
    async def gather() -> bytes:
        return b"".join([raw or b"" async for _, raw in pieces(logs.writer, generation)])

    return asyncio.run(gather())


def test_every_byte_that_was_read_is_kept(logs: Logs, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("broker_bridge.adapters.logs.adapter.log_keeping.PIECE", 9000)
    whole = lines(*[f"A{number}" for number in range(1500)])
    for at in range(0, len(whole), 5001):
        logs.append("a.log", whole[at : at + 5001])
        logs.look()
        if at % 2:
            logs.restart()
    ((generation, *_),) = {(generation,) for generation, *_ in logs.ids}
    assert raw_of(logs, generation) == whole
    assert logs.writer.raw, "most of it in the archive"
    kept = {key: value for key, value in logs.writer.kept.items() if key.startswith("piece/")}
    for offset, size in ((0, 26), (8990, 100), (len(whole) - 5, 5), (100, len(whole) - 200)):
        assert bytes_of(kept, logs.writer.raw.get, offset, size) == whole[offset : offset + size]
    assert bytes_of(kept, lambda _: None, 0, 26) is None


def test_retry_reads_a_log_again_from_its_kept_bytes_even_when_it_was_cut(logs: Logs) -> None:
    logs.append("a.log", lines("A1") + b"2026-03-02 06:00:00;A2;ODD\n" + lines("A3"))
    logs.look()
    os.truncate(logs.path / "a.log", 0)
    logs.append("a.log", lines("B1"))
    logs.look(3)
    logs.restart()
    logs.mapping.write_text(rows().replace("revision = 1", "revision = 2").replace('NG = "f', 'ODD = "f'))
    logs.writer.waiting.append(Request(1, "retry", {"generation": logs.ids[0][0]}))
    logs.look(2)
    assert logs.writer.answers[1] == "1 file read again with revision 2, no record rejected"
    assert logs.codes == ["A1", "A2", "A3", "B1"]
    logs.append("a.log", lines("B2"))
    logs.look()
    assert logs.codes[-1] == "B2"


def test_retry_retracts_what_gives_nothing_any_more(logs: Logs) -> None:
    logs.append("a.log", lines("A1") + b"2026-03-02 06:00:00;A2;NG\n")
    logs.look()
    logs.restart()
    only = (
        rows()
        .replace("revision = 1", "revision = 2")
        .replace('each = "row"', 'each = "row"\nwhen = { outcome = ["passed"] }')
    )
    logs.mapping.write_text(only)
    logs.writer.waiting.append(Request(1, "retry", {"all": "yes"}))
    logs.look(2)
    assert logs.codes == ["A1"]
    assert logs.writer.answers[1].endswith("1 records retracted")


# -- what is known of logs


def test_what_is_known_of_a_log_that_is_gone_is_dropped_after_its_time(tmp_path: Path) -> None:
    logs = Logs(tmp_path, forget_after_days=1.0)
    logs.append("a.log", lines("A1"))
    logs.look()
    (logs.path / "a.log").unlink()
    logs.look(2)
    (key,) = [key for key in logs.writer.kept if key.startswith("log/")]
    state = load_log(logs.writer.kept[key])
    state.gone = (datetime.now(UTC) - timedelta(days=2)).isoformat()
    logs.writer.kept[key] = state.dump()
    logs.restart()
    logs.look()
    assert not [key for key in logs.writer.kept if key.startswith(("log/", "piece/", "positions/"))]


def test_a_full_outbox_makes_logs_wait_and_loses_nothing(logs: Logs) -> None:
    logs.append("a.log", lines(*[f"A{number}" for number in range(1000)]))
    logs.writer.ceiling = 250

    async def go_on() -> None:
        pickup = await FolderAdapter(logs.config(), sleep=delivered)._begin(logs.writer)
        while len(logs.writer.takings) < 1000:
            await pickup.cycle()

    async def delivered(_: float) -> None:
        logs.writer.deliver()

    asyncio.run(go_on())
    assert logs.codes == [f"A{number}" for number in range(1000)]
    assert logs.writer.refused
    assert len(set(logs.ids)) == 1000
