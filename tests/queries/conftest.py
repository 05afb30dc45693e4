"""Records that several tests of this folder ask, each made once."""

from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
import quality_runs

from broker_bridge.events.fact import Fact
from broker_bridge.queries.record import Record, open_record


@pytest.fixture(scope="session")
def printed_run(tmp_path_factory: pytest.TempPathFactory) -> quality_runs.Run:
    """A bad nozzle, a worn aperture and a print off its pads; every pad measured."""
    folder = tmp_path_factory.mktemp("print") / "run"
    return quality_runs.run(folder, quality_runs.PRINT, 320, every_pad=True)


@pytest.fixture(scope="session")
def reel_run(tmp_path_factory: pytest.TempPathFactory) -> quality_runs.Run:
    """The second reel of a part is poor."""
    return quality_runs.run(tmp_path_factory.mktemp("reel") / "run", quality_runs.REEL, 260)


@pytest.fixture(scope="session")
def lived_run(tmp_path_factory: pytest.TempPathFactory) -> quality_runs.Run:
    """A plant with all its habits."""
    return quality_runs.run(tmp_path_factory.mktemp("lived") / "run", "plant_life", 50)


@pytest.fixture
def printed(printed_run: quality_runs.Run) -> Iterator[Record]:
    with open_record(printed_run.url) as record:
        yield record


@pytest.fixture
def reel(reel_run: quality_runs.Run) -> Iterator[Record]:
    with open_record(reel_run.url) as record:
        yield record


@pytest.fixture
def lived(lived_run: quality_runs.Run) -> Iterator[Record]:
    with open_record(lived_run.url) as record:
        yield record


@pytest.fixture
def told_by_hand(tmp_path: Path) -> Iterator[quality_runs.Opened]:
    """Opens a record of facts told in the test."""
    opened: list[Record] = []

    def open_(facts: Iterable[Fact]) -> Record:
        opened.append(quality_runs.told_record(facts, tmp_path / f"i{len(opened)}.db"))
        return opened[-1]

    yield open_
    for record in opened:
        record.index.close()
