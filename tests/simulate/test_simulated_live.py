"""The live drive leaves on the disk and on the wire what the virtual drive delivers."""

import asyncio
import contextlib
import gzip
import json
import re
from collections import defaultdict
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from broker_bridge.simulate import STATIONS, FileStep, LivePlant, Plant, Profile, deliveries, parse_profile
from broker_bridge.simulate.live import perform
from broker_bridge.simulate.profile import Connections

LONG_AGO = datetime(2026, 3, 2, 6, tzinfo=UTC)  # everything is overdue: runs at full speed
HELLO = (
    b'<Hermes Timestamp="x"><SupervisoryServiceDescription SystemId="test" Version="1.4"><SupportedFeatures>'
    b"<FeatureBoardTracking/></SupportedFeatures></SupervisoryServiceDescription></Hermes>"
)


async def listen(port: int) -> list[bytes]:
    """A supervisor: all whole messages until the machine hangs up."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(HELLO)
    data = b""
    with contextlib.suppress(ConnectionError):
        while more := await reader.read(65_536):
            data += more
    writer.close()
    return re.findall(rb"<Hermes.*?</Hermes>", data, re.DOTALL)


async def run_live(plant: Plant, folder: Path, *, listening: tuple[str, ...]) -> dict[str, list[bytes]]:
    live = LivePlant(plant, folder / "machines", folder / "truth.jsonl")
    async with asyncio.timeout(50), asyncio.TaskGroup() as group, live:
        tasks = {station: group.create_task(listen(live.ports[station])) for station in listening}
        await live.wait_for_supervisors(listening)
        await live.run()
    return {station: task.result() for station, task in tasks.items()}


def test_live_is_virtual_on_real_files_and_sockets(tmp_path: Path) -> None:
    profile = replace(
        Profile(),
        files=replace(Profile().files, half_written=0.1, gzipped=0.1, rotate_after=30, redropped=0.1),
    )
    plant = Plant(17, 48, profile, LONG_AGO)
    heard = asyncio.run(run_live(plant, tmp_path, listening=STATIONS))

    truth: list[str] = []
    files: dict[tuple[str, str], bytes] = {}
    logs: dict[str, bytes] = defaultdict(bytes)
    said: dict[str, list[bytes]] = defaultdict(list)
    for delivery in deliveries(plant, lambda _, line: truth.append(line)):
        if delivery.channel == "file":
            files[delivery.station, delivery.name] = delivery.data
        elif delivery.channel == "log":
            logs[delivery.station] += delivery.data
        else:
            said[delivery.station].append(delivery.data.strip())
    assert (tmp_path / "truth.jsonl").read_text().splitlines() == truth
    for station in STATIONS:
        folder = tmp_path / "machines" / station.lower()
        on_disk = {path.name: path.read_bytes() for path in folder.iterdir()}
        own = {name: data for (where, name), data in files.items() if where == station}
        assert {name: data for name, data in on_disk.items() if name in own} == own
        assert sum(len(data) for name, data in on_disk.items() if name not in own) == len(logs[station])
        # The description and the goodbye are stamped by the wall clock; all between is the same.
        assert heard[station][1:-1] == said[station][1:]
        assert b"NotificationCode" in heard[station][-1]
    assert any(gzip.decompress(data) for (_, name), data in files.items() if name.endswith(".gz"))


def test_what_is_said_in_an_outage_is_lost(tmp_path: Path) -> None:
    profile = replace(Profile(), connections=Connections(cuts_per_hour=2.0, outage_s=1e9, stations=("JET",)))
    plant = Plant(3, 48, profile, LONG_AGO)
    heard = asyncio.run(run_live(plant, tmp_path, listening=("JET",)))["JET"]
    truth = [json.loads(line) for line in (tmp_path / "truth.jsonl").read_text().splitlines()]
    assert [f["where"] for f in truth if f["kind"] == "fault" and f["what"] == "connection_cut"] == ["JET"]
    received = [message for message in heard if b"<Board" in message]
    said = [d.data.strip() for d in deliveries(plant) if d.station == "JET" and b"<Board" in d.data]
    everything = [
        d.data.strip()
        for d in deliveries(Plant(3, 48, "clean", LONG_AGO))
        if d.station == "JET" and b"<Board" in d.data
    ]
    assert 0 < len(said) < len(everything)
    assert received == said[: len(received)]  # what was on the wire when it broke may be missing as well
    assert said == everything[: len(said)]


def test_things_happen_at_their_moment(tmp_path: Path) -> None:
    """A plant whose whole run fits into a second of real time takes about that long, and stamps real time."""
    start = datetime.now(UTC)
    plant = Plant(1, 4, parse_profile("[process]\nreview_delay_s = 1.0", "test"), start, speed=20_000.0)
    end = max(plant.moment(item.at) for item in plant)
    asyncio.run(run_live(plant, tmp_path, listening=()))
    assert datetime.now(UTC) >= end
    assert end - start < timedelta(seconds=5)
    first = next(iter(sorted((tmp_path / "machines" / "place1").iterdir()))).read_text().splitlines()[0]
    assert start <= datetime.fromisoformat(json.loads(first)["time"]) <= end


def test_steps_on_the_disk(tmp_path: Path) -> None:
    def do(operation: str, name: str, data: bytes = b"", target: str = "") -> None:
        perform(FileStep(0.0, "SPI", operation, name, data, target), tmp_path)  # type: ignore[arg-type]

    do("create", "a", b"one")
    do("append", "a", b"two")
    do("copy", "a", target="b")
    do("truncate", "a")
    do("append", "a", b"three")
    do("rename", "b", target="c")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"a": b"three", "c": b"onetwo"}
