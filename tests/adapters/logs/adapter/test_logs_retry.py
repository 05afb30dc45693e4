"""Reading again with a mended mapping: what is replaced, what is retracted, what is refused."""

import asyncio
from pathlib import Path
from typing import Any

import pytest
from fakes import MemorySourceWriter
from logs_reading import ended, mapping, rows, until

from broker_bridge.adapters.base import Request
from broker_bridge.adapters.logs.adapter import FolderAdapter
from broker_bridge.adapters.logs.adapter.retry import answer_requests
from broker_bridge.config import FilesAdapter

GOOD = "2026-03-02 06:00:00;B1;OK\n"
ODD = "2026-03-02 06:00:01;B2;ODD\n"
CONTENT = (GOOD + ODD + GOOD).encode()
FILE_NAME = "[file]\npattern = '(?P<panel>\\w+)\\.csv'\n"


class Plant:
    def __init__(self, path: Path) -> None:
        self.drop = path / "drop"
        self.drop.mkdir()
        self.mapping = path / "mapping.toml"
        self.writer = MemorySourceWriter()

    def config(self) -> FilesAdapter:
        return FilesAdapter(
            kind="files",
            name="test",
            area="smt",
            line="line-1",
            folder=self.drop,
            mapping=self.mapping,
            poll_s=0.01,
        )

    async def run_until_idle(self) -> None:
        task = asyncio.create_task(FolderAdapter(self.config()).run(self.writer))
        looks = self.writer.looks + 6
        await until(lambda: self.writer.looks >= looks, task)
        await ended(task)

    async def run_until_waiting(self) -> None:
        task = asyncio.create_task(FolderAdapter(self.config()).run(self.writer))
        await until(lambda: self.writer.condition == "waiting", task)
        await ended(task)

    def read(self, toml: str) -> None:
        self.mapping.write_text(toml)
        asyncio.run(self.run_until_idle())

    def ask(self, **arguments: str) -> str:
        number = len(self.writer.waiting) + 1
        self.writer.waiting.append(Request(number, "retry", arguments))
        asyncio.run(self.run_until_idle())
        return self.writer.answers[number]

    def told(self) -> list[tuple[int, int, str]]:
        """Position, revision and type of every event so far; forgets them."""
        found = [
            (taking.position, taking.revision, statement.data.TYPE)
            for taking in self.writer.takings
            for statement in taking.statements
        ]
        self.writer.takings.clear()
        return found


@pytest.fixture
def plant(tmp_path: Path) -> Plant:
    plant = Plant(tmp_path)
    (plant.drop / "P1.csv").write_bytes(CONTENT)
    plant.read(rows())
    assert plant.told() == [
        (0, 1, "inspection.completed"),
        (26, 1, "source.rejected"),
        (53, 1, "inspection.completed"),
    ]
    return plant


MENDED = (
    rows().replace("revision = 1", "revision = 2").replace('OK = "passed"', 'OK = "passed", ODD = "unknown"')
)


def test_a_mended_mapping_gives_the_records_again_at_its_revision(plant: Plant) -> None:
    plant.read(MENDED)
    assert plant.told() == [], "what was read is not met again by itself"
    answer = plant.ask(all="")
    assert answer == "1 file read again with revision 2, no record rejected"
    assert plant.told() == [(position, 2, "inspection.completed") for position in (0, 26, 53)]


def test_the_original_may_be_gone(plant: Plant) -> None:
    (plant.drop / "P1.csv").unlink()
    plant.read(MENDED)
    assert plant.ask(all="").startswith("1 file read again")
    assert len(plant.told()) == 3


def test_a_file_dropped_again_under_a_higher_revision_is_read_again(plant: Plant) -> None:
    plant.mapping.write_text(MENDED)
    (plant.drop / "again.csv").write_bytes(CONTENT)
    plant.read(MENDED)
    assert plant.told() == [(position, 2, "inspection.completed") for position in (0, 26, 53)]


def test_records_that_give_nothing_any_more_are_retracted_once(plant: Plant) -> None:
    only_odd = MENDED.replace('each = "row"', 'each = "row"\nwhen = { outcome = ["unknown"] }')
    plant.read(only_odd)
    assert "2 records retracted" in plant.ask(all="")
    assert plant.told() == [
        (26, 2, "inspection.completed"),
        (0, 2, "source.retracted"),
        (53, 2, "source.retracted"),
    ]
    nothing = only_odd.replace("revision = 2", "revision = 3").replace('["unknown"]', '["bypassed"]')
    plant.read(nothing)
    assert "1 records retracted" in plant.ask(all="")
    assert plant.told() == [(26, 3, "source.retracted")], "what is retracted already stays so"
    back = rows().replace("revision = 1", "revision = 4")
    plant.read(back)
    plant.ask(all="")
    assert [position for position, *_ in plant.told()] == [0, 26, 53]


def test_without_a_raised_revision_nothing_is_read_again(plant: Plant) -> None:
    answer = plant.ask(all="")
    assert answer.startswith("refused")
    assert "raise its revision to 2" in answer
    assert plant.told() == []


def test_one_generation_can_be_asked_for(plant: Plant) -> None:
    (plant.drop / "P2.csv").write_bytes(GOOD.encode())
    plant.read(rows())
    generation = plant.writer.takings[-1].generation
    plant.told()
    plant.read(MENDED)
    assert plant.ask(generation=generation).startswith("1 file read again")
    assert plant.told() == [(0, 2, "inspection.completed")]
    assert plant.ask(generation="nothing").startswith("refused: nothing of generation nothing")


def test_what_is_no_longer_in_the_archive_is_told(plant: Plant) -> None:
    plant.writer.raw.clear()
    plant.read(MENDED)
    assert plant.ask(all="") == "refused: nothing was read again, 1 file is no longer in the archive"
    assert plant.told() == []


def test_other_requests_are_refused(plant: Plant) -> None:
    assert plant.ask().startswith("refused: retry needs")
    plant.writer.waiting.append(Request(99, "dance", {}))
    asyncio.run(answer_requests(plant.writer, mapping(rows()), plant.config()))
    assert plant.writer.answers[99].startswith("refused: 'dance'")


@pytest.mark.parametrize("again", ["retry", "drop"])
def test_a_content_keeps_its_generation_when_the_mapping_begins_to_use_its_name(
    plant: Plant, again: str
) -> None:
    """Otherwise every event of the file would stand twice, under two ids."""
    (first,) = {key for key in plant.writer.kept if key.startswith("file/")}
    named = MENDED.replace('value = "$code"', 'value = "$panel"') + FILE_NAME
    plant.read(named)
    if again == "retry":
        plant.ask(all="")
    else:
        (plant.drop / "P1.csv").rename(plant.drop / "P7.csv")
        plant.read(named)
    takings: list[Any] = list(plant.writer.takings)
    assert {taking.generation for taking in takings} == {first.removeprefix("file/")}
    assert len(takings) == 3
    (plant.drop / "P8.csv").write_bytes(GOOD.encode())
    plant.read(named)
    assert plant.writer.takings[-1].statements[0].subject == "P8"


def test_a_crash_in_a_retry_ends_in_the_same_events(plant: Plant) -> None:
    many = b"".join(b"2026-03-02 06:00:00;C%d;OK\n" % number for number in range(700))
    (plant.drop / "many.csv").write_bytes(many)
    plant.read(rows())
    plant.told()
    dropped = MENDED.replace('each = "row"', 'each = "row"\nunless = { code = ["C0", "C699"] }')
    plant.mapping.write_text(dropped)
    plant.writer.ceiling = plant.writer._undelivered + 350
    plant.writer.waiting.append(Request(1, "retry", {"all": ""}))
    asyncio.run(plant.run_until_waiting())
    plant.writer.ceiling = None
    asyncio.run(plant.run_until_idle())
    ids = [(taking.generation, taking.position) for taking in plant.writer.takings]
    assert len(ids) == len(set(ids)) == 3 + 700, "nothing twice, nothing missing"
    assert sum(kind == "source.retracted" for *_, kind in plant.told()) == 2
    assert "files read again with revision 2" in plant.writer.answers[1]
