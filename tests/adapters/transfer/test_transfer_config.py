"""A supervisor as it stands in a plant's configuration."""

from pathlib import Path

import pytest

from broker_bridge.adapters.registry import build
from broker_bridge.adapters.transfer.adapter import SupervisorAdapter
from broker_bridge.config import Settings, TransferAdapter, load
from broker_bridge.errors import ConfigError

PLANT = """
[plant]
site = "harbour-works"

[[adapters]]
kind = "transfer"
name = "transfer"
area = "smt"
line = "line-1"
zone = "Europe/Berlin"
keep_alive_s = 10
read = ["configuration"]

[[adapters.machines]]
station = "place-1"
host = "10.0.0.7"
port = 50100

[[adapters.machines]]
station = "place-2"
host = "place-2.example"
port = 1248
lane = 2
machine_id = "PLACE-2"
zone = "UTC"
"""


def settings_of(text: str, folder: Path) -> Settings:
    path = folder / "plant.toml"
    path.write_text(text, encoding="utf-8")
    return load(path)


def test_one_adapter_has_any_number_of_machines(tmp_path):
    (config,) = settings_of(PLANT, tmp_path).adapters
    assert isinstance(config, TransferAdapter)
    assert [(one.station, one.port, one.lane, one.zone) for one in config.machines] == [
        ("place-1", 50_100, None, None),
        ("place-2", 1248, 2, "UTC"),
    ]


def test_the_registry_builds_it(tmp_path):
    adapters = build(settings_of(PLANT, tmp_path))
    assert isinstance(adapters["/harbour-works/smt/line-1/transfer"], SupervisorAdapter)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("port = 50100\n", "", "machines.1.port: missing"),
        ("port = 50100", "port = 0", "port = 0"),
        ('station = "place-2"', 'station = "place-1"', "two machines stand at station 'place-1'"),
        ('"Europe/Berlin"', '"Mars/Crater"', "'Mars/Crater': is no time zone"),
        ('area = "smt"', 'area = "smt"\nstation = "place-1"', "station stands with each of the machines"),
        ("keep_alive_s = 10", "keep_alive_s = 0", "keep_alive_s = 0"),
        ("keep_alive_s = 10", "reconnect_longest_s = 0.5", "reconnect_longest_s is below reconnect_first_s"),
        ('read = ["configuration"]', 'read = ["everything"]', "read.1 = 'everything'"),
        ('read = ["configuration"]', 'write = ["configuration"]', "write: unknown key"),
        ('host = "10.0.0.7"', 'host = ""', "host = ''"),
    ],
)
def test_what_cannot_be_is_refused(old, new, told, tmp_path):
    assert old in PLANT
    with pytest.raises(ConfigError) as caught:
        settings_of(PLANT.replace(old, new, 1), tmp_path)
    assert told in str(caught.value)
