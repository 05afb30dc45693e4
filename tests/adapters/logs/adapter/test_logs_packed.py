"""Files packed in ways that are read, in ways that are not, too large, and bombs."""

import bz2
import gc
import gzip
import io
import lzma
import time
import tracemalloc
import zipfile
from pathlib import Path

import pytest
from dropping import Plant, content, in_a_loop
from growing_logs import Logs
from logs_reading import reading, rows

from broker_bridge.adapters.logs.adapter.content import OtherPacking, decompressed

MB = 2**20


def _zip() -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("good.csv", content("A1"))
    return held.getvalue()


PACKED = {
    # The magics of 7z and RAR by their published format descriptions; the rest is made by the standard library.
    "a ZIP archive": _zip(),
    "a 7z archive": b"7z\xbc\xaf\x27\x1c\x00\x04" + bytes(40),
    "a RAR archive": b"Rar!\x1a\x07\x01\x00" + bytes(40),
    "packed as xz": lzma.compress(content("A1")),
    "packed as bzip2": bz2.compress(content("A1")),
}


@pytest.fixture
def plant(tmp_path: Path) -> Plant:
    return Plant(tmp_path)


def reasons(plant: Plant) -> list[str]:
    return [getattr(t.statements[0].data, "reason", "") for t in plant.writer.takings]


@pytest.mark.parametrize("told", PACKED)
def test_other_packings_are_known_by_how_they_begin(told: str) -> None:
    with pytest.raises(OtherPacking, match=told):
        decompressed(PACKED[told], MB)


def test_an_empty_archive_is_told_and_a_text_is_none() -> None:
    held = io.BytesIO()
    zipfile.ZipFile(held, "w").close()
    with pytest.raises(OtherPacking, match="ZIP"):
        decompressed(held.getvalue(), MB)
    for text in (b"PK;1\n", b"BZh9;HW-1\n", b"7z\n", b"Rar!\n"):
        assert decompressed(text, MB) == text


@in_a_loop
async def test_an_archive_is_rejected_once_with_what_to_do_and_kept(plant: Plant) -> None:
    async with plant.running(final_line_after_s=0.02) as task:
        plant.put("good.zip", PACKED["a ZIP archive"])
        await plant.until(task, lambda: plant.writer.takings)
        await plant.looks(task)
    assert reasons(plant) == [
        "the file cannot be read: it is a ZIP archive, which is not read here: unpack it, or let the machine write"
        " gzip or zstd"
    ]
    assert PACKED["a ZIP archive"] in plant.writer.raw.values()


def test_an_archive_among_logs_that_grow_is_rejected_once_with_what_to_do(tmp_path: Path) -> None:
    logs = Logs(tmp_path, incomplete_after_s=0.01)
    logs.append("station.log.1.zip", PACKED["a ZIP archive"])
    logs.look()
    assert "a ZIP archive" in logs.writer.reports[-1][1]
    until = time.monotonic() + 10
    while not logs.writer.takings and time.monotonic() < until:
        logs.look()
    logs.look(2)
    logs.restart()
    logs.look(3)
    (said,) = [s.data for t in logs.writer.takings for s in t.statements]
    assert said.TYPE == "source.rejected"
    assert "a ZIP archive" in said.reason  # type: ignore[attr-defined]


@in_a_loop
async def test_a_packed_file_over_the_limit_that_is_still_written_is_rejected_once(plant: Plant) -> None:
    packed = gzip.compress(bytes(3 * MB), 0)
    async with plant.running(max_file_mb=1, incomplete_after_s=0.3) as task:
        file = plant.put("a.csv.gz", packed[: 2 * MB // 3])
        for size in range(MB, 2 * MB, MB // 8):
            await plant.looks(task, 4)
            file.write_bytes(packed[:size])
        await plant.until(task, lambda: plant.writer.takings)
        await plant.looks(task, 4)
    assert len(reasons(plant)) == 1
    assert "raise max_file_mb" in reasons(plant)[0]


@in_a_loop
async def test_while_it_waits_it_is_told_that_a_file_is_too_large(plant: Plant) -> None:
    async with plant.running(max_file_mb=1) as task:
        plant.put("bomb.csv.gz", gzip.compress(bytes(2 * MB)))
        await plant.until(task, lambda: plant.writer.condition == "waiting")
    assert "bomb.csv.gz: it holds more than 1048576 bytes" in plant.writer.reports[-1][1]


@in_a_loop
async def test_bombs_leave_nothing_in_memory_though_the_collector_comes_seldom(plant: Plant) -> None:
    for number in range(50):
        plant.put(f"{number:02}.csv.gz", gzip.compress(bytes([number]) * (3 * MB), 1))
    gc.disable()
    tracemalloc.start()
    try:
        async with plant.running(max_file_mb=2, incomplete_after_s=0.02) as task:
            await plant.until(task, lambda: len(plant.writer.takings) == 50)
            held, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
        gc.enable()
    assert held < 8 * MB, f"{held / MB:.0f} MiB stay of 50 files of which each unpacks to more than 2 MiB"
    assert most < 24 * MB


def test_the_content_of_a_misnamed_file_goes_with_its_reading() -> None:
    text = rows().replace("[reader]", '[file]\npattern = "HW-(?P<n>[0-9]+)[.]csv"\n\n[reader]')
    gc.disable()
    tracemalloc.start()
    try:
        for _ in range(10):
            assert len(list(reading(text, b"x" * MB, "wrong.csv"))) == 1
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
        gc.enable()
    assert held < 4 * MB
