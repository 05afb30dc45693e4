"""The drop folder: every hazard of files and shares that it can meet, each a test that names it."""

import asyncio
import contextlib
import errno
import gzip
import os
import shutil
import socket
import stat
from pathlib import Path
from typing import Any

import pytest
import zstandard
from dropping import Plant, content, in_a_loop
from logs_reading import rows

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs.adapter import FolderAdapter
from broker_bridge.errors import ConfigError

ROOT = Path.cwd()


@pytest.fixture
def plant(tmp_path: Path) -> Plant:
    return Plant(tmp_path)


@in_a_loop
async def test_files_become_events_in_order_and_are_read_once(plant: Plant) -> None:
    plant.put("a.csv", content("A1", "A2"))
    async with plant.running() as task:
        await plant.until(task, lambda: len(plant.codes) == 2)
        plant.put("b.csv", content("B1"))
        await plant.until(task, lambda: len(plant.codes) == 3)
        await plant.looks(task)
    assert plant.codes == ["A1", "A2", "B1"]
    assert plant.writer.counters["files_read"] == 2
    assert plant.writer.condition == "idle"
    (digest,) = {t.statements[0].data.origin.raw.archived for t in plant.writer.takings[:2]}  # type: ignore[union-attr]
    assert plant.writer.raw[digest or ""] == content("A1", "A2")


@in_a_loop
async def test_after_a_restart_nothing_is_read_again(plant: Plant) -> None:
    plant.put("a.csv", content("A1"))
    async with plant.running() as task:
        await plant.until(task, lambda: plant.codes)
    async with plant.running() as task:
        await plant.looks(task)
    assert plant.codes == ["A1"]
    assert plant.writer.counters["files_read"] == 1


@in_a_loop
async def test_hazard_08_a_growing_file_waits_until_it_stays_the_same(plant: Plant) -> None:
    async with plant.running(stable_polls=3) as task:
        file = plant.drop / "a.csv"
        for part in (content("A1"), content("A2")[:9], content("A2")[9:]):
            with file.open("ab") as out:
                out.write(part)
            await plant.looks(task, 1)
            assert plant.codes == []
        await plant.until(task, lambda: plant.codes == ["A1", "A2"])


@in_a_loop
async def test_hazard_10_a_done_marker_says_that_a_file_is_complete(plant: Plant) -> None:
    async with plant.running(done_marker=".done", after="delete") as task:
        plant.put("a.csv", content("A1"))
        await plant.looks(task)
        assert plant.codes == []
        plant.put("a.csv.done", b"")
        await plant.until(task, lambda: not list(plant.drop.iterdir()))
    assert plant.codes == ["A1"]


TRAILER = ("[[reader.records]]", 'trailer = "END"\n\n[[reader.records]]')


@in_a_loop
async def test_hazard_10_a_file_without_its_end_waits_and_is_told(plant: Plant) -> None:
    plant.mapping.write_text(rows().replace(*TRAILER))
    async with plant.running() as task:
        plant.put("a.csv", content("A1"))
        await plant.until(task, lambda: plant.writer.condition == "waiting")
        assert "a.csv" in plant.writer.reports[-1][1]
        await plant.looks(task)
        assert plant.codes == []
        with (plant.drop / "a.csv").open("ab") as file:
            file.write(b"END\n")
        await plant.until(task, lambda: plant.codes == ["A1"])
        assert plant.writer.takings[0].statements[0].data.origin.flags == ()


@in_a_loop
async def test_hazard_10_a_file_that_never_ends_is_read_as_it_is_and_flagged(plant: Plant) -> None:
    plant.mapping.write_text(rows().replace(*TRAILER))
    async with plant.running(incomplete_after_s=0.05) as task:
        plant.put("a.csv", content("A1"))
        await plant.until(task, lambda: plant.codes == ["A1"])
    assert plant.writer.takings[0].statements[0].data.origin.flags == ("incomplete",)
    assert plant.writer.counters["incomplete_files"] == 1


@in_a_loop
async def test_hazard_11_a_file_extended_after_pick_up_is_read_again(plant: Plant) -> None:
    file = plant.put("a.csv", content("A1"))
    async with plant.running() as task:
        await plant.until(task, lambda: plant.codes == ["A1"])
        with file.open("ab") as out:
            out.write(content("A2"))
        await plant.until(task, lambda: len(plant.codes) == 3)
    assert len({generation for generation, *_ in plant.ids}) == 2, "another content, another generation"
    assert plant.writer.counters["rewritten_files"] == 1


@in_a_loop
async def test_hazard_12_dropped_again_renamed_or_compressed_nothing_changes_but_counters(
    plant: Plant,
) -> None:
    data = content("A1", "A2")
    plant.put("a.csv", data)
    async with plant.running(after="delete") as task:
        await plant.until(task, lambda: not list(plant.drop.iterdir()))
        events, before = list(plant.writer.takings), len(plant.ids)
        plant.put("a.csv", data)
        plant.put("b.csv", data)
        plant.put("c.csv.gz", gzip.compress(data))
        plant.put("d.csv.zst", zstandard.compress(data))
        plant.put("e.csv.gz", gzip.compress(data[:30]) + gzip.compress(data[30:]))
        await plant.until(task, lambda: not list(plant.drop.iterdir()))
    assert plant.writer.takings == events
    assert len(plant.ids) == before
    assert plant.writer.counters["duplicate_files"] == 5


@in_a_loop
async def test_two_equal_files_in_one_cycle_are_read_once(plant: Plant) -> None:
    for name in ("a.csv", "b.csv"):
        plant.put(name, content("A1"))
    async with plant.running() as task:
        await plant.until(task, lambda: plant.writer.counters.get("duplicate_files"))
    assert plant.codes == ["A1"]


@in_a_loop
async def test_hazard_13_another_content_under_the_same_name_is_kept_as_well(plant: Plant) -> None:
    async with plant.running() as task:
        plant.put("a.csv", content("A1"))
        await plant.until(task, lambda: plant.codes == ["A1"])
        plant.put("a.csv", content("B1"))
        await plant.until(task, lambda: plant.codes == ["A1", "B1"])
    assert len({generation for generation, *_ in plant.ids}) == 2


@in_a_loop
async def test_hazard_20_a_preserved_time_hides_nothing(plant: Plant) -> None:
    file = plant.put("a.csv", content("A1"))
    status = file.stat()
    async with plant.running() as task:
        await plant.until(task, lambda: plant.codes == ["A1"])
        file.write_bytes(content("B1"))  # same size, same inode
        os.utime(file, ns=(status.st_atime_ns, status.st_mtime_ns))
        await plant.until(task, lambda: plant.codes == ["A1", "B1"])


@in_a_loop
async def test_hazard_05_a_reused_inode_is_another_file(plant: Plant) -> None:
    async with plant.running() as task:
        for number in range(8):
            file = plant.put("a.csv", content(f"A{number}"))
            await plant.until(task, lambda number=number: plant.codes[-1:] == [f"A{number}"])  # type: ignore[misc]
            file.unlink()
    assert plant.codes == [f"A{number}" for number in range(8)]


@in_a_loop
async def test_hazard_06_equal_beginnings_are_not_equal_files(plant: Plant) -> None:
    header = content(*(f"H{number}" for number in range(80)))  # 2 KiB
    for number in range(20):
        plant.put(f"{number:02d}.csv", header + content(f"X{number}"))
    async with plant.running() as task:
        await plant.until(task, lambda: plant.writer.counters.get("files_read") == 20)
    assert {code for code in plant.codes if code and code.startswith("X")} == {
        f"X{number}" for number in range(20)
    }


@in_a_loop
async def test_hazard_07_an_empty_file_is_read_and_gives_nothing(plant: Plant) -> None:
    plant.put("a.csv", b"")
    async with plant.running(after="delete") as task:
        await plant.until(task, lambda: not list(plant.drop.iterdir()))
    assert plant.codes == []
    assert plant.writer.counters["files_read"] == 1


@in_a_loop
async def test_hazard_17_a_folder_that_is_away_is_no_deletion(plant: Plant) -> None:
    plant.put("a.csv", content("A1"))
    async with plant.running() as task:
        await plant.until(task, lambda: plant.codes)
        os.rename(plant.drop, plant.drop.with_name("hidden"))
        await plant.until(task, lambda: plant.writer.condition == "away")
        seen = [key for key in plant.writer.kept if key.startswith("seen/")]
        assert seen == ["seen/a.csv"]
        os.rename(plant.drop.with_name("hidden"), plant.drop)
        plant.put("b.csv", content("B1"))
        await plant.until(task, lambda: plant.codes == ["A1", "B1"])


@in_a_loop
async def test_hazard_18_an_empty_folder_on_another_device_is_no_deletion(
    plant: Plant, tmp_path: Path
) -> None:
    elsewhere = Path("/dev/shm")
    if not elsewhere.is_dir() or elsewhere.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("needs a second file system (/dev/shm)")
    plant.put("a.csv", content("A1"))
    other = elsewhere / f"broker-bridge-test-{os.getpid()}"
    other.mkdir()
    link = tmp_path / "share"
    link.symlink_to(plant.drop)
    try:
        async with plant.running(folder=link) as task:
            await plant.until(task, lambda: plant.codes)
            swap(link, other)
            await plant.until(task, lambda: plant.writer.condition == "away")
            assert "seen/a.csv" in plant.writer.kept
            swap(link, plant.drop)
            await plant.until(task, lambda: plant.writer.condition == "idle")
            assert plant.codes == ["A1"]
    finally:
        shutil.rmtree(other)


def swap(link: Path, target: Path) -> None:
    fresh = link.with_name("fresh")
    fresh.symlink_to(target)
    os.replace(fresh, link)


@in_a_loop
async def test_hazard_19_a_hole_of_nul_bytes_is_rejected_and_read_when_it_is_filled(plant: Plant) -> None:
    file = plant.drop / "a.csv"
    with file.open("wb") as out:
        out.truncate(26)
    async with plant.running() as task:
        await plant.until(task, lambda: plant.writer.counters.get("rejected"))
        with file.open("r+b") as out:
            out.write(content("A1"))
        await plant.until(task, lambda: plant.codes[-1:] == ["A1"])


@in_a_loop
async def test_hazard_23_bad_bytes_reject_a_record_and_the_source_goes_on(plant: Plant) -> None:
    plant.put("a.csv", content("A1") + b"2026-03-02 06:00:00;\xfc;OK\n" + content("A2"))
    async with plant.running() as task:
        await plant.until(task, lambda: len(plant.codes) == 3)
    assert plant.codes == ["A1", None, "A2"]
    data: Any = plant.writer.takings[1].statements[0].data
    assert (data.code, data.place) == ("encoding", "line 2, byte 21 of the line")
    assert data.origin.raw.inline


@in_a_loop
async def test_hazard_26_a_locked_file_is_tried_again(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows says so with a sharing violation, which Python raises as PermissionError."""
    real, locked = os.open, [True]

    def open_(path: Any, *rest: Any, **more: Any) -> int:
        if locked[0] and str(path).endswith("a.csv"):
            raise PermissionError(13, "is used by another process")
        return real(path, *rest, **more)

    monkeypatch.setattr(os, "open", open_)
    plant.put("a.csv", content("A1"))
    plant.put("b.csv", content("B1"))
    async with plant.running() as task:
        await plant.until(task, lambda: plant.writer.condition == "locked")
        await plant.until(task, lambda: plant.codes == ["B1"])
        locked[0] = False
        await plant.until(task, lambda: plant.codes == ["B1", "A1"])


@in_a_loop
async def test_hazard_27_no_handle_stays_open(plant: Plant) -> None:
    plant.put("a.csv", content("A1"))
    async with plant.running() as task:
        await plant.until(task, lambda: plant.codes)
        await plant.looks(task)
        open_files = {os.path.realpath(f"/proc/self/fd/{number}") for number in os.listdir("/proc/self/fd")}
        assert str(plant.drop / "a.csv") not in open_files


@in_a_loop
async def test_hazard_28_a_file_beyond_the_limit_is_rejected_and_left(plant: Plant) -> None:
    plant.put("a.csv", content("A1") * 600)
    async with plant.running(max_file_mb=0.01, incomplete_after_s=0.02, after="delete") as task:
        await plant.until(task, lambda: plant.writer.takings)
        await plant.looks(task)
        (taking,) = plant.writer.takings
        data: Any = taking.statements[0].data
        assert (data.code, data.origin.raw.size) == ("unreadable", 26 * 600)
        assert "max_file_mb" in data.reason
        assert (plant.drop / "a.csv").exists(), "its bytes are nowhere else"
    async with plant.running(max_file_mb=0.02) as task:
        await plant.until(task, lambda: len(plant.codes) == 601)


@in_a_loop
async def test_hazard_28_a_compressed_file_may_not_unpack_beyond_the_limit(plant: Plant) -> None:
    plant.put("bomb.csv.gz", gzip.compress(b"\x00" * (32 * 2**20)))
    plant.put("bomb.csv.zst", zstandard.compress(b"\x00" * (32 * 2**20)))
    async with plant.running(max_file_mb=1, incomplete_after_s=0.02) as task:
        await plant.until(task, lambda: len(plant.writer.takings) == 2)
    for taking in plant.writer.takings:
        data: Any = taking.statements[0].data
        assert "max_file_mb" in data.reason
        assert data.origin.raw.archived in plant.writer.raw


@in_a_loop
async def test_a_compressed_file_that_ends_too_early_waits_for_its_end(plant: Plant) -> None:
    whole = gzip.compress(content("A1"))
    async with plant.running() as task:
        plant.put("a.csv.gz", whole[:-9])
        await plant.until(task, lambda: plant.writer.condition == "waiting")
        plant.put("a.csv.gz", whole)
        await plant.until(task, lambda: plant.codes == ["A1"])
    async with plant.running(incomplete_after_s=0.05) as task:
        plant.put("b.csv.gz", whole[:-9])
        await plant.until(task, lambda: len(plant.writer.takings) == 2)
    data: Any = plant.writer.takings[1].statements[0].data
    assert data.code == "unreadable"
    assert plant.writer.raw[data.origin.raw.archived] == whole[:-9]


@in_a_loop
async def test_hazard_29_many_files_are_read_oldest_first(plant: Plant) -> None:
    for number in range(50):
        file = plant.put(f"{99 - number:02d}.csv", content(f"A{number}"))
        os.utime(file, (1_700_000_000 + number, 1_700_000_000 + number))
    async with plant.running() as task:
        await plant.until(task, lambda: len(plant.codes) == 50)
    assert plant.codes == [f"A{number}" for number in range(50)]
    assert plant.writer.transactions < 20, "many small files share a transaction"


@pytest.mark.parametrize("ceiling", [1, 7, 250])
@in_a_loop
async def test_a_full_outbox_leaves_files_where_they_are_and_nothing_is_lost(
    plant: Plant, ceiling: int
) -> None:
    codes = [f"A{number}" for number in range(900)]
    plant.put("a.csv", content(*codes))
    plant.writer.ceiling = ceiling
    async with plant.running(after="delete") as task:
        await plant.until(task, lambda: plant.writer.condition == "waiting")
        assert (plant.drop / "a.csv").exists()
        assert 0 < len(plant.codes) <= ceiling
        plant.writer.ceiling = None
        await plant.until(task, lambda: not (plant.drop / "a.csv").exists())
    assert plant.codes == codes


@in_a_loop
async def test_hazard_32_a_crash_between_two_transactions_repeats_nothing(plant: Plant) -> None:
    codes = [f"A{number}" for number in range(900)]
    plant.put("a.csv", content(*codes))
    plant.writer.ceiling = 700
    async with plant.running() as task:
        await plant.until(task, lambda: plant.writer.condition == "waiting")
    assert len(plant.codes) == 700
    plant.writer.ceiling = None
    async with plant.running() as task:
        await plant.until(task, lambda: len(plant.codes) >= 900)
        await plant.looks(task)
    assert plant.codes == codes


@in_a_loop
async def test_hazard_33_a_lost_state_gives_the_same_ids(plant: Plant) -> None:
    plant.put("a.csv", content("A1", "A1", "A2") + b"bad\n")
    async with plant.running() as task:
        await plant.until(task, lambda: len(plant.ids) == 4)
    first = list(plant.writer.takings)
    plant.writer.takings.clear()
    plant.writer.kept.clear()
    async with plant.running() as task:
        await plant.until(task, lambda: len(plant.ids) == 4)
    assert plant.writer.takings == first


NUMBERED = (
    "[fields.row]",
    "[file]\npattern = '\\w+_(?P<count>\\d+)\\.csv'\nsequence = \"count\"\n\n[fields.file]\n"
    'count = { column = "count", type = "integer" }\n\n[fields.row]',
)


@in_a_loop
async def test_hazard_35_a_number_that_never_comes_is_a_gap(plant: Plant) -> None:
    plant.mapping.write_text(rows().replace(*NUMBERED))
    for place, number in enumerate((1, 2, 5, 4, 9)):
        file = plant.put(f"r_{number:04d}.csv", content(f"N{number}"))
        os.utime(file, (1_700_000_000 + place, 1_700_000_000 + place))
    async with plant.running(incomplete_after_s=3600) as task:
        await plant.until(task, lambda: len(plant.codes) == 5)
        await plant.looks(task)
    assert not any(
        statement.data.TYPE == "source.gap" for t in plant.writer.takings for statement in t.statements
    )
    async with plant.running(incomplete_after_s=0.05) as task:
        await plant.until(task, lambda: len(plant.codes) == 7)
        await plant.looks(task)
    gaps: list[Any] = [taking.statements[0].data for taking in plant.writer.takings[5:]]
    assert [(gap.cause, gap.detail) for gap in gaps] == [
        ("file_missing", "files number 3 never came"),
        ("file_missing", "files number 6 to 8 never came"),
    ]
    assert [(gap.start.timestamp(), gap.end.timestamp()) for gap in gaps] == [
        (1_700_000_001, 1_700_000_002), (1_700_000_002, 1_700_000_004),
    ]  # fmt: skip
    assert plant.writer.counters["missing_files"] == 4


@in_a_loop
async def test_hazard_36_links_pipes_and_folders_are_never_opened(plant: Plant, tmp_path: Path) -> None:
    secret = tmp_path / "secret.csv"
    secret.write_bytes(content("SECRET"))
    (plant.drop / "link.csv").symlink_to(secret)
    (plant.drop / "dangling.csv").symlink_to(tmp_path / "nothing")
    os.mkfifo(plant.drop / "pipe.csv")
    (plant.drop / "folder.csv").mkdir()
    plant.put("a.csv", content("A1"))
    async with plant.running() as task:
        await plant.until(task, lambda: plant.codes)
        await plant.looks(task)
    assert plant.codes == ["A1"]
    assert plant.writer.counters["refused_entries"] == 3


@in_a_loop
async def test_hazard_36_a_link_put_in_the_place_of_a_file_is_not_followed(
    plant: Plant, tmp_path: Path
) -> None:
    from broker_bridge.adapters.logs.adapter.folder import Changed, Folder

    folder = Folder(plant.drop, "*", None)
    plant.put("a.csv", content("A1"))
    (found,) = folder.list().files
    secret = tmp_path / "secret.csv"
    secret.write_bytes(content("S1"))
    (plant.drop / "a.csv").unlink()
    (plant.drop / "a.csv").symlink_to(secret)
    with pytest.raises(Changed):
        folder.read(found, 1000)
    (plant.drop / "a.csv").unlink()
    os.mkfifo(plant.drop / "a.csv")
    with pytest.raises(Changed):
        folder.read(found, 1000)


@in_a_loop
async def test_hazard_36_devices_and_sockets_are_never_opened(plant: Plant) -> None:
    with socket.socket(socket.AF_UNIX) as beside:
        os.chdir(plant.drop)  # a socket's path is short
        try:
            beside.bind("socket.csv")
        finally:
            os.chdir(ROOT)
    refused = 1
    with contextlib.suppress(PermissionError):  # only the superuser makes devices
        os.mknod(plant.drop / "zero.csv", stat.S_IFCHR | 0o666, os.makedev(1, 5))
        refused = 2
    plant.put("a.csv", content("A1"))
    async with plant.running(after="delete") as task:
        await plant.until(task, lambda: not (plant.drop / "a.csv").exists())
        await plant.looks(task)
    assert plant.codes == ["A1"]
    assert plant.writer.counters["refused_entries"] == refused
    assert (plant.drop / "socket.csv").exists()


@in_a_loop
async def test_hazard_36_names_with_dots_and_control_characters_stay_in_the_folder(
    plant: Plant, tmp_path: Path
) -> None:
    names = [
        "..csv",
        "...csv",
        "..\\..\\x.csv",
        "a\nb\x1b[2J.csv",
        "\u202ecsv.csv",
        "-rf.csv",
        "~.csv",
        "$(x).csv",
    ]
    for number, name in enumerate(names):
        (plant.drop / name).write_bytes(content(f"N{number}"))
    before = sorted(os.listdir(tmp_path))
    target = plant.drop / "done"
    target.mkdir()
    async with plant.running(after="move", move_to=target) as task:
        await plant.until(task, lambda: os.listdir(plant.drop) == ["done"])
    assert sorted(filter(None, plant.codes)) == [f"N{number}" for number in range(len(names))]
    assert sorted(os.listdir(target)) == sorted(names)
    assert sorted(os.listdir(tmp_path)) == before


@in_a_loop
async def test_hazard_36_a_hard_link_is_read_and_only_its_own_name_is_removed(
    plant: Plant, tmp_path: Path
) -> None:
    elsewhere = tmp_path / "kept.csv"
    elsewhere.write_bytes(content("H1"))
    os.link(elsewhere, plant.drop / "a.csv")
    async with plant.running(after="delete") as task:
        await plant.until(task, lambda: not (plant.drop / "a.csv").exists())
    assert plant.codes == ["H1"]
    assert elsewhere.read_bytes() == content("H1")


@in_a_loop
async def test_hazard_38_names_of_any_bytes_are_no_identity(plant: Plant) -> None:
    for number, name in enumerate(
        [b"\xff\xfe.csv", "é.csv".encode(), "e\u0301.csv".encode(), b"A.CSV", b"a.csv "]
    ):
        (plant.drop / os.fsdecode(name)).write_bytes(content(f"N{number}"))
    async with plant.running(after="delete") as task:
        await plant.until(task, lambda: not list(plant.drop.iterdir()))
    assert sorted(filter(None, plant.codes)) == [f"N{number}" for number in range(5)]
    assert "\\xff\\xfe.csv" in {taking.rawname for taking in plant.writer.takings}


@in_a_loop
async def test_hazard_39_a_failing_move_reads_nothing_again(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    from broker_bridge.adapters.logs.adapter import after

    monkeypatch.setattr(after, "_AGAIN_S", 0.02)
    target = plant.drop.parent / "done"
    target.write_text("a file is in the way")
    plant.put("a.csv", content("A1"))
    async with plant.running(after="move", move_to=target) as task:
        await plant.until(task, lambda: plant.writer.counters.get("after_failed", 0) > 2)
        assert plant.codes == ["A1"]
        assert (plant.drop / "a.csv").exists()
        target.unlink()
        await plant.until(task, lambda: not (plant.drop / "a.csv").exists())
    assert (target / "a.csv").read_bytes() == content("A1")
    assert plant.writer.counters["files_read"] == 1


@pytest.mark.parametrize("links", [True, False], ids=["same file system", "another file system"])
@in_a_loop
async def test_moving_overwrites_nothing(plant: Plant, links: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if not links:

        def refuse(*_: Any, **__: Any) -> None:
            raise OSError(errno.EXDEV, "Invalid cross-device link")

        monkeypatch.setattr(os, "link", refuse)
    target = plant.drop.parent / "done"
    async with plant.running(after="move", move_to=target) as task:
        for number in range(3):
            plant.put("a.csv", content(f"A{number}"))
            await plant.until(task, lambda: not list(plant.drop.iterdir()))
    assert sorted(file.read_bytes() for file in target.iterdir()) == [
        content(f"A{number}") for number in range(3)
    ]


@in_a_loop
async def test_a_file_written_again_before_it_is_deleted_is_not_deleted(plant: Plant) -> None:
    from broker_bridge.adapters.logs.adapter.folder import Changed, Folder

    folder = Folder(plant.drop, "*", None)
    file = plant.put("a.csv", content("A1"))
    (found,) = folder.list().files
    file.write_bytes(content("A1", "A2"))
    with pytest.raises(Changed):
        folder.remove(found)
    assert file.exists()


@pytest.mark.parametrize(
    ("start", "first", "second"),
    [
        ("saved-or-beginning", ["A1", "B1"], ["C1"]),
        ("beginning", ["A1", "B1"], ["A1", "B1", "C1"]),
        ("saved-or-end", ["B1"], ["C1"]),
        ("end", ["B1"], []),
    ],
)
@in_a_loop
async def test_hazard_40_where_to_start(
    plant: Plant, start: str, first: list[str], second: list[str]
) -> None:
    plant.put("a.csv", content("A1"))
    async with plant.running(start=start) as task:
        await plant.looks(task)
        plant.put("b.csv", content("B1"))
        await plant.until(task, lambda: plant.codes == first)
    plant.writer.takings.clear()
    plant.put("c.csv", content("C1"))
    async with plant.running(start=start) as task:
        await plant.until(task, lambda: plant.codes == second)
        await plant.looks(task)
    assert plant.codes == second


@in_a_loop
async def test_names_that_do_not_match_are_left_alone_and_counted(plant: Plant) -> None:
    plant.put("a.csv", content("A1"))
    plant.put("readme.txt", b"hello")
    async with plant.running(pattern="*.csv", after="delete") as task:
        await plant.until(task, lambda: plant.codes)
        await plant.looks(task)
    assert plant.writer.counters["other_files"] == 1
    assert (plant.drop / "readme.txt").exists()


@in_a_loop
async def test_what_is_known_of_files_that_are_gone_is_dropped(plant: Plant) -> None:
    file = plant.put("a.csv", content("A1"))
    async with plant.running() as task:
        await plant.until(task, lambda: "seen/a.csv" in plant.writer.kept)
        file.unlink()
        await plant.until(task, lambda: "seen/a.csv" not in plant.writer.kept)


@in_a_loop
async def test_a_store_that_is_away_is_waited_for(plant: Plant) -> None:
    plant.put("a.csv", content("A1"))
    plant.writer.broken = 2
    async with plant.running() as task:
        await plant.until(task, lambda: plant.codes == ["A1"])


@in_a_loop
async def test_a_changed_mapping_with_the_same_revision_is_refused(plant: Plant) -> None:
    plant.put("a.csv", content("A1"))
    async with plant.running() as task:
        await plant.until(task, lambda: plant.codes)
    plant.mapping.write_text(rows().replace('OK = "passed"', 'OK = "unknown"'))
    with pytest.raises(ConfigError, match=r"raise it to 2"):
        await FolderAdapter(plant.config()).run(plant.writer)
    plant.mapping.write_text("# only a remark\n" + rows())
    async with plant.running() as task:
        await plant.looks(task)


def test_a_mapping_that_cannot_be_used_is_refused_at_once(plant: Plant) -> None:
    plant.mapping.write_text("name = 1")
    with pytest.raises(ConfigError, match=r"mapping\.toml"):
        FolderAdapter(plant.config())
    plant.mapping.unlink()
    with pytest.raises(ConfigError, match="cannot be read"):
        FolderAdapter(plant.config())


def test_the_drop_folder_needs_no_write_access(plant: Plant) -> None:
    """Reading a folder that we may not write to is the usual case on a share."""
    plant.put("a.csv", content("A1"))
    plant.drop.chmod(stat.S_IRUSR | stat.S_IXUSR)

    async def scenario() -> list[Taking]:
        async with plant.running() as task:
            await plant.until(task, lambda: plant.codes)
        return plant.writer.takings

    try:
        assert len(asyncio.run(scenario())) == 1
    finally:
        plant.drop.chmod(stat.S_IRWXU)
