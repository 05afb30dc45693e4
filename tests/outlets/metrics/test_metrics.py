"""Figures and health of a running plant, read over a socket. Outside check: the Prometheus client parses what is served."""

import asyncio
import json
import math
from pathlib import Path
from typing import Any

import pytest
from contracts.arrivals import EPOCH, SOURCE, arrival, gap, run_of
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from broker_bridge.bootstrap import run_roles
from broker_bridge.config import Settings, load
from broker_bridge.errors import ConfigError
from broker_bridge.outlets.metrics.commits import BOUNDS_S, CommitTimes, TimedWriter
from broker_bridge.outlets.metrics.condition import problems
from broker_bridge.outlets.metrics.exposition import (
    CONTENT_TYPE,
    Family,
    Sample,
    counter,
    gauge,
    histogram,
    text,
)
from broker_bridge.outlets.metrics.figures import Figures
from broker_bridge.outlets.metrics.server import serve
from broker_bridge.queries.record import open_record
from broker_bridge.store.base import Refusal
from broker_bridge.store.sqlite import SqliteStore

PLANT = """
[plant]
site = "harbour"
[metrics]
port = 0
[[outlets]]
kind = "tables"
name = "lake"
folder = "lake"
"""


def parsed(page: str) -> dict[str, Any]:
    """Families by name, as the Prometheus client reads them."""
    return {family.name: family for family in text_string_to_metric_families(page)}


def value(families: dict[str, Any], sample: str, **labels: str) -> float:
    """The one value with these labels."""
    (found,) = [
        one.value
        for family in families.values()
        for one in family.samples
        if one.name == sample and labels.items() <= one.labels.items()
    ]
    return float(found)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    (tmp_path / "plant.toml").write_text(PLANT)
    return load(tmp_path / "plant.toml")


async def record(settings: Settings, times: CommitTimes) -> None:
    """Seven events, one missing, one gap, one refusal."""
    store = await SqliteStore.open(settings.record.path, "record")
    writer = TimedWriter(store, times)
    await writer.commit(run_of(1, 5))
    await writer.commit([arrival(7)], [Refusal("plant/v1/x", "json", "is not JSON", b"no")])
    await writer.commit([arrival(8, data=gap(EPOCH - 1, 1, None))])
    await writer.close()


def test_what_is_served_is_what_the_record_holds(settings: Settings) -> None:
    times = CommitTimes()
    asyncio.run(record(settings, times))
    open_record(f"sqlite:///{settings.record.path}").close()
    figures = Figures(settings, ["recorder", "projector", "outlets"], times)
    found = parsed(text(figures.read()))
    assert value(found, "broker_bridge_record_events") == 7
    assert value(found, "broker_bridge_recorded_events_total", source=SOURCE, type="board.arrived") == 6
    assert value(found, "broker_bridge_gaps_total", source=SOURCE) == 1
    assert value(found, "broker_bridge_rejected_total", source=SOURCE) == 0
    assert value(found, "broker_bridge_missing_events", source=SOURCE) == 1
    assert value(found, "broker_bridge_refused_payloads") == 1
    assert value(found, "broker_bridge_index_lag_events") == 0
    assert value(found, "broker_bridge_commit_duration_seconds_count") == 3
    assert value(found, "broker_bridge_outlet_lag_events", outlet="lake") == 7
    assert value(found, "broker_bridge_outlet_up", outlet="lake") == 0
    assert 0 <= value(found, "broker_bridge_last_event_age_seconds", source=SOURCE) < 60
    assert found["broker_bridge_last_event_age_seconds"].unit == "seconds"
    assert value(found, "broker_bridge_unreadable") == 0

    async def more() -> None:
        store = await SqliteStore.open(settings.record.path, "record")
        await store.commit([arrival(6)])
        await store.close()

    asyncio.run(more())
    found = parsed(text(figures.read()))
    assert value(found, "broker_bridge_recorded_events_total", source=SOURCE, type="board.arrived") == 7
    assert value(found, "broker_bridge_missing_events", source=SOURCE) == 0
    assert value(found, "broker_bridge_index_lag_events") == 1
    figures.close()


def test_a_damaged_database_is_counted_and_the_rest_is_told(settings: Settings) -> None:
    settings.record.path.write_bytes(b"no database, and longer than a header of one would be" * 40)
    figures = Figures(settings, ["recorder"], CommitTimes())
    found = parsed(text(figures.read()))
    assert value(found, "broker_bridge_unreadable") == 1
    assert value(found, "broker_bridge_disk_free_bytes") > 0


def test_labels_and_numbers_survive_the_text() -> None:
    odd = 'a "b"\\c\nd'
    page = text(
        [
            gauge("x_age_seconds", odd, [({"source": odd}, 0.1), ({"source": "big"}, 1e16)]),
            counter("y", "counts", [({}, 3)]),
            histogram("z_seconds", "times", (0.1, 1.0), (1, 0, 2), 7.5),
            Family("b", "info", "which", (Sample(1, {"version": "1"}, "_info"),)),
        ]
    )
    found = parsed(page)
    assert page.endswith("# EOF\n")
    assert value(found, "x_age_seconds", source=odd) == 0.1
    assert value(found, "x_age_seconds", source="big") == 1e16
    assert value(found, "y_total") == 3
    assert [value(found, "z_seconds_bucket", le=le) for le in ("0.1", "1.0", "+Inf")] == [1, 1, 3]
    assert found["x_age_seconds"].documentation == odd
    assert value(found, "z_seconds_sum") == 7.5


def test_commits_are_counted_by_how_long_they_took() -> None:
    times = CommitTimes()
    for seconds in (0.001, 0.002, 0.0021, 99.0):
        times.add(seconds)
    assert times.counts[0] == 2
    assert times.counts[1] == 1
    assert times.counts[len(BOUNDS_S)] == 1
    assert math.isclose(times.total_s, 99.0051)


async def asked(port: int, request: bytes) -> tuple[int, dict[str, str], bytes]:
    """What a raw request is answered."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(request)
    answer = await reader.read()
    writer.close()
    head, _, body = answer.partition(b"\r\n\r\n")
    if not head:
        return 0, {}, b""
    first, *lines = head.decode().split("\r\n")
    return int(first.split()[1]), dict(line.split(": ", 1) for line in lines), body


def get(path: str) -> bytes:
    return f"GET {path} HTTP/1.1\r\nhost: x\r\n\r\n".encode()


def test_the_server_answers_what_it_has_and_nothing_else(settings: Settings) -> None:
    async def play() -> None:
        at: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        started = ["recorder"]
        troubles: list[str] = []
        serving = asyncio.create_task(
            serve(
                settings, ["recorder", "outlets"], started, CommitTimes(), lambda: troubles,
                lambda host, port: at.set_result(port),
            )
        )  # fmt: skip
        port = await at
        assert (await asked(port, get("/live")))[0] == 200
        status, _, body = await asked(port, get("/ready"))
        assert status == 503
        found = json.loads(body)["problems"]
        assert found[0] == "outlets has not started"
        assert "there is no record at" in found[1]
        await record(settings, CommitTimes())
        started.append("outlets")
        assert (await asked(port, get("/ready")))[0] == 200
        troubles.append("recorder: not connected to 127.0.0.1:1883 yet")
        status, _, body = await asked(port, get("/ready"))
        assert (status, json.loads(body)["problems"]) == (503, troubles)
        status, fields, body = await asked(port, get("/metrics?x=1"))
        assert (status, fields["content-type"]) == (200, CONTENT_TYPE)
        assert value(parsed(body.decode()), "broker_bridge_record_events") == 7
        assert (await asked(port, b"HEAD /metrics HTTP/1.1\r\n\r\n"))[2] == b""
        assert (await asked(port, get("/")))[0] == 404
        assert (await asked(port, b"POST /metrics HTTP/1.1\r\n\r\n"))[0] == 405
        assert (await asked(port, b"nonsense\r\n\r\n"))[0] == 405
        assert (await asked(port, b"GET /" + b"x" * 20_000))[0] == 0
        assert settings.metrics is not None
        taken = settings.model_copy(update={"metrics": settings.metrics.model_copy(update={"port": port})})
        with pytest.raises(ConfigError, match=r"metrics\.host"):
            await serve(taken, [], [], CommitTimes(), list)
        serving.cancel()
        await asyncio.wait([serving])

    asyncio.run(play())


def test_a_role_runs_with_its_figures_beside_it(settings: Settings, caplog: pytest.LogCaptureFixture) -> None:
    """The recorder waits for a broker that is not there: alive, and not ready, with the reason."""
    caplog.set_level("INFO")

    async def play() -> None:
        here = settings.model_copy(
            update={"broker": settings.broker.model_copy(update={"kind": "external", "port": 9})}
        )
        running = asyncio.create_task(run_roles(here, ["recorder"], lambda role: None))
        try:
            port = 0
            for _ in range(1000):
                await asyncio.sleep(0.01)
                for line in caplog.messages:
                    if line.startswith("metrics and health at"):
                        port = int(line.split(":")[2].split("/")[0])
                if port and (await asked(port, get("/ready")))[2].count(b"127.0.0.1:9"):
                    break
            assert (await asked(port, get("/live")))[0] == 200
            status, _, body = await asked(port, get("/ready"))
            assert status == 503
            assert json.loads(body)["roles"] == ["recorder"]
            assert "recorder: " in json.loads(body)["problems"][0]
        finally:
            running.cancel()
            await asyncio.wait([running])

    asyncio.run(play())


def test_an_index_far_behind_and_an_outlet_that_stopped_are_no_readiness(settings: Settings) -> None:
    from broker_bridge.outlets.cursor import Cursor
    from broker_bridge.store.sqlite_reader import SqliteReader

    async def make() -> None:
        await record(settings, CommitTimes())
        open_record(f"sqlite:///{settings.record.path}").close()
        store = await SqliteStore.open(settings.record.path, "record")
        await store.commit(run_of(10, 1500))
        await store.close()
        cursor = await Cursor.open(settings.position(settings.outlets[0]))
        reader = SqliteReader(settings.record.path)
        await cursor.meet(reader, at_end=False)
        await cursor.told("stopped", "1,000 dead letters are there")
        reader.close()
        await cursor.close()

    asyncio.run(make())
    found = problems(settings, ["projector", "outlets"], ["projector", "outlets"])
    assert found == [
        "projector: the index is 1,491 events behind",
        "outlet lake is stopped: 1,000 dead letters are there",
    ]
