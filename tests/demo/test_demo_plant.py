"""The demo's folder: a configuration that loads, and every mapping it names."""

from datetime import timedelta
from pathlib import Path

from broker_bridge.adapters.logs import load_mapping
from broker_bridge.config import FilesAdapter, TransferAdapter, load
from broker_bridge.demo.plant import GROWING, MAPPINGS, write_plant
from broker_bridge.simulate import STATIONS

PORTS = {station: 50_000 + number for number, station in enumerate(STATIONS)}


def test_the_configuration_loads_and_its_mappings_too(tmp_path: Path) -> None:
    settings = load(write_plant(tmp_path, tmp_path / "machines", PORTS, timedelta(0)))
    assert settings.record.path == tmp_path / "record.db"
    files = [adapter for adapter in settings.adapters if isinstance(adapter, FilesAdapter)]
    assert {adapter.station for adapter in files} == {station.lower() for station in MAPPINGS}
    growing = {adapter.station for adapter in files if adapter.pickup == "growing"}
    assert growing == {station.lower() for station in GROWING}
    for adapter in files:
        assert adapter.folder == tmp_path / "machines" / str(adapter.station)
        load_mapping(adapter.mapping)


def test_every_machine_is_supervised_at_its_port(tmp_path: Path) -> None:
    settings = load(write_plant(tmp_path, tmp_path / "machines", PORTS, timedelta(0)))
    transfers = [adapter for adapter in settings.adapters if isinstance(adapter, TransferAdapter)]
    found = {machine.station: machine.port for adapter in transfers for machine in adapter.machines}
    assert found == {station.lower(): port for station, port in PORTS.items()}
    assert {adapter.labels: len(adapter.machines) for adapter in transfers} == {"panel": 9, "board": 1}


def test_stamps_of_the_past_are_believed(tmp_path: Path) -> None:
    def tolerances(past: timedelta) -> set[float]:
        settings = load(write_plant(tmp_path, tmp_path / "machines", PORTS, past))
        return {a.clock_tolerance_s for a in settings.adapters if isinstance(a, TransferAdapter)}

    (now,) = tolerances(timedelta(seconds=-3))
    assert now == 5.0
    (old,) = tolerances(timedelta(days=3))
    assert old > timedelta(days=3).total_seconds()


def test_a_path_with_quotes_and_umlauts_is_written_right(tmp_path: Path) -> None:
    folder = tmp_path / 'a "plant" in Köln'
    settings = load(write_plant(folder, folder / "machines", PORTS, timedelta(0)))
    files = [adapter for adapter in settings.adapters if isinstance(adapter, FilesAdapter)]
    assert all(adapter.folder.parent == folder / "machines" for adapter in files)
