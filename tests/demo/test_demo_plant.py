"""The demo's folder: a configuration that loads, and every mapping it names."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from broker_bridge.adapters.logs import load_mapping, read_bytes
from broker_bridge.config import FilesAdapter, TransferAdapter, load
from broker_bridge.demo.plant import GROWING, MAPPINGS, write_plant
from broker_bridge.events.line import LineDeclared, LinePartDeclared
from broker_bridge.simulate import PARTS, STATIONS

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
PORTS = {station: 50_000 + number for number, station in enumerate(STATIONS)}


def test_the_configuration_loads_and_its_mappings_too(tmp_path: Path) -> None:
    settings = load(write_plant(tmp_path, tmp_path / "machines", PORTS, START, timedelta(0)))
    assert settings.record.path == tmp_path / "record.db"
    files = [adapter for adapter in settings.adapters if isinstance(adapter, FilesAdapter)]
    assert {adapter.station for adapter in files} == {station.lower() for station in MAPPINGS} | {None}
    growing = {adapter.station for adapter in files if adapter.pickup == "growing"}
    assert growing == {station.lower() for station in GROWING}
    for adapter in files:
        assert adapter.folder == tmp_path / "machines" / (adapter.station or "plan")
        load_mapping(adapter.mapping)


def test_every_machine_is_supervised_at_its_port(tmp_path: Path) -> None:
    settings = load(write_plant(tmp_path, tmp_path / "machines", PORTS, START, timedelta(0)))
    transfers = [adapter for adapter in settings.adapters if isinstance(adapter, TransferAdapter)]
    found = {machine.station: machine.port for adapter in transfers for machine in adapter.machines}
    assert found == {station.lower(): port for station, port in PORTS.items()}
    assert {adapter.labels: len(adapter.machines) for adapter in transfers} == {"panel": 9, "board": 1}


def test_stamps_of_the_past_are_believed(tmp_path: Path) -> None:
    def tolerances(past: timedelta) -> set[float]:
        settings = load(write_plant(tmp_path, tmp_path / "machines", PORTS, START, past))
        return {a.clock_tolerance_s for a in settings.adapters if isinstance(a, TransferAdapter)}

    (now,) = tolerances(timedelta(seconds=-3))
    assert now == 5.0
    (old,) = tolerances(timedelta(days=3))
    assert old > timedelta(days=3).total_seconds()


def test_a_path_with_quotes_and_umlauts_is_written_right(tmp_path: Path) -> None:
    folder = tmp_path / 'a "plant" in Köln'
    settings = load(write_plant(folder, folder / "machines", PORTS, START, timedelta(0)))
    files = [adapter for adapter in settings.adapters if isinstance(adapter, FilesAdapter)]
    assert all(adapter.folder.parent == folder / "machines" for adapter in files)


def test_the_plan_declares_the_line_and_every_part(tmp_path: Path) -> None:
    config = write_plant(tmp_path, tmp_path / "machines", PORTS, START, timedelta(0))
    (plan,) = (a for a in load(config).adapters if isinstance(a, FilesAdapter) and a.station is None)
    (file,) = plan.folder.iterdir()
    reading = read_bytes(
        load_mapping(plan.mapping), file.read_bytes(), file.name, adapter="plan-files", modified=START
    )
    data = [statement.data for taking in reading for statement in taking.statements]
    (line,) = (one for one in data if isinstance(one, LineDeclared))
    assert [station.name for station in line.stations] == [station.lower() for station in STATIONS]
    assert [station.name for station in line.stations if station.optional] == ["review"]
    links = {station.name: [link.to for link in station.links] for station in line.stations}
    assert links["load"] == ["print"]
    assert links["aoi"] == links["review"] == links["test"] == []
    assert line.valid_from < START
    parts = {one.part.number: one for one in data if isinstance(one, LinePartDeclared) and one.part}
    assert set(parts) == {part.number for part in PARTS}
    for part in PARTS:
        declared = parts[part.number]
        assert [spot.name for spot in declared.positions] == [str(n + 1) for n in range(part.positions)]
        assert {(spot.name, spot.side) for spot in declared.placement} == {
            (component.designator, side.name) for side in part.sides for component in side.components
        }
