"""The access list, proven: every login against every kind of topic, on both brokers.

A publish that the list forbids is acknowledged and dropped (MQTT 3.1.1, 3.3.5), so what counts is what arrives.
"""

import asyncio
import contextlib
import itertools
import shutil
import subprocess
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import orjson
import pytest
from servers import free_port, require, until, until_open

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.bootstrap import connect
from broker_bridge.bus import mosquitto
from broker_bridge.bus.access import (
    Access,
    access_list,
    adapter_login,
    edge_login,
    matches,
    may_publish,
    may_read,
    merged,
    record_login,
    subjects,
)
from broker_bridge.bus.authority import make_authority
from broker_bridge.bus.broker import EmbeddedBroker
from broker_bridge.bus.credentials import PASSWORDS, authority, id_secret, login, read_access
from broker_bridge.bus.mqtt import Client
from broker_bridge.bus.securing import secure
from broker_bridge.bus.topics import Topics
from broker_bridge.config import Settings
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.forwarder import Forwarder, receipt_filters
from broker_bridge.edge.outbox import Outbox
from broker_bridge.events.base import Origin
from broker_bridge.events.source import SourceConnected
from broker_bridge.secret import write_secret

OBSERVER = Access("observer", ("#",), ("#",))
"""Sees and says everything: the test's own, in no plant's list."""


def plant(data: Path, port: int = 0) -> Settings:
    adapter = {"kind": "files", "area": "smt", "mapping": data / "m.toml"}
    return Settings.model_validate(
        {
            "plant": {"site": "harbour-works"},
            "data": data,
            "broker": {
                "port": port,
                "store": data / "broker",
                "credentials": data / "credentials",
                "readers": ["mes"],
            },
            "edge": {"name": "edge-1"},
            "adapters": [
                {**adapter, "name": "spi-1-files", "line": "line-1", "folder": data / "a"},
                {**adapter, "name": "aoi-1-files", "line": "line-1", "folder": data / "b"},
                {**adapter, "name": "spi-2-files", "line": "line-2", "folder": data / "c"},
            ],
        }
    )


SOURCE, OTHER = "/harbour-works/smt/line-1/spi-1-files", "/harbour-works/smt/line-2/spi-2-files"
T = Topics("plant")
TOPICS = {
    "own event": T.event(SOURCE, "spi-1", "inspection.completed"),
    "own event, station unknown": T.event(SOURCE, None, "source.gap"),
    "own batch": T.batch(SOURCE),
    "own state": T.state(SOURCE),
    "own receipt": T.receipt(SOURCE, "record"),
    "own receipt of another record": T.receipt(SOURCE, "record-2"),
    "another's event": T.event(OTHER, "spi-1", "inspection.completed"),
    "another's batch": T.batch(OTHER),
    "another's state": T.state(OTHER),
    "another's receipt": T.receipt(OTHER, "record"),
    "edge": T.edge_state("harbour-works", "edge-1"),
    "another edge": T.edge_state("harbour-works", "edge-2"),
    "record": T.record_state("harbour-works", "record"),
    "another record": T.record_state("harbour-works", "record-2"),
    "command": "plant/v1/harbour-works/smt/line-1/spi-1/spi-1-files/command/stop",
    "elsewhere": "other/topic",
}
EVENTS = {name for name in TOPICS if "event" in name or "batch" in name}
STATES = {"own state", "another's state", "edge", "another edge", "record", "another record"}
READER = (set(), EVENTS | STATES)
EXPECTED: dict[str, tuple[set[str], set[str]]] = {
    "adapter.smt.line-1.spi-1-files": (
        {"own event", "own event, station unknown", "own batch", "own state"},
        {"own receipt"},
    ),
    "adapter.smt.line-1.aoi-1-files": (set(), set()),
    "adapter.smt.line-2.spi-2-files": (
        {"another's event", "another's batch", "another's state"},
        {"another's receipt"},
    ),
    "edge.edge-1": ({"edge"}, set()),
    "record.record": ({"own receipt", "another's receipt", "record"}, EVENTS | STATES),
    "watch": READER,
    "reader.mes": READER,
}
"""What each login may publish and read, written by hand."""


def test_the_list_says_what_the_table_says(tmp_path: Path) -> None:
    listed = {one.login: one for one in access_list(plant(tmp_path))}
    assert listed.keys() == EXPECTED.keys()
    for name, (publish, read) in EXPECTED.items():
        assert {topic for topic, text in TOPICS.items() if may_publish(listed[name], text)} == publish
        assert {topic for topic, text in TOPICS.items() if may_read(listed[name], text)} == read


def test_two_configurations_of_one_plant_share_the_watch_login(tmp_path: Path) -> None:
    one = access_list(plant(tmp_path))
    two = access_list(plant(tmp_path).model_copy(update={"adapters": ()}))
    assert merged([two, one]) == [one[3], one[4], one[5], one[6], *one[:3]]


@pytest.mark.parametrize(
    ("pattern", "topic", "taken"),
    [  # examples of MQTT 3.1.1, 4.7.1.2 and 4.7.1.3
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("#", "sport/tennis", True),
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
    ],
)
def test_filters_match_as_the_standard_says(pattern: str, topic: str, taken: bool) -> None:
    assert matches(pattern, topic) is taken


def test_the_parent_level_is_listed_too() -> None:
    assert subjects(["a/+/b/#", "a/b"]) == ["a.*.b", "a.*.b.>", "a.b"]


def test_the_password_file_is_what_the_broker_s_own_tool_writes(tmp_path: Path) -> None:
    tool = require("mosquitto_passwd")
    theirs = tmp_path / "theirs"
    subprocess.run([tool, "-b", "-c", str(theirs), "watch", "Harbour 1!"], check=True, timeout=20)
    line = theirs.read_text().strip()
    salt = mosquitto.base64.b64decode(line.split("$")[3])
    assert mosquitto.password_file({"watch": "Harbour 1!"}, lambda size: salt).strip() == line


# -- on real brokers


@contextlib.asynccontextmanager
async def secured(kind: str, data: Path, *, without: str = "") -> AsyncIterator[tuple[Settings, int]]:
    """A running broker with the plant's access list and the observer; `without`: a login that may do nothing."""
    settings = plant(data, free_port() if kind == "mosquitto" else 0)
    folder = data / "credentials"
    secure([settings], folder, now=datetime.now(UTC), for_mosquitto=True)
    access = [one._replace(publish=()) if one.login == without else one for one in read_access(folder)]
    access.append(OBSERVER)
    write_secret(folder / PASSWORDS / "observer", "observer's password")
    (folder / "access.json").write_bytes(orjson.dumps([one._asdict() for one in access]))
    if kind == "embedded":
        broker = EmbeddedBroker(settings.broker)
        _, port = await broker.start()
        try:
            yield settings, port
        finally:
            await broker.stop()
        return
    ours = folder / "mosquitto"
    passwords = {one.login: login(settings.broker, one.login)[1] or "" for one in access}
    (ours / "access").write_text(mosquitto.access_file(access))
    (ours / "passwords").write_text(mosquitto.password_file(passwords, lambda size: bytes(size)))
    conf = ours / "mosquitto.conf"
    conf.write_text(conf.read_text().replace("/var/lib/mosquitto", str(ours)) + "user root\n")
    with (data / "log").open("wb") as log:
        process = subprocess.Popen([require("mosquitto"), "-c", str(conf)], stdout=log, stderr=log)  # noqa: ASYNC220  (it is started, not waited for)
    try:
        await asyncio.to_thread(until_open, settings.broker.port, lambda: process.poll() is None)
        yield settings, settings.broker.port
    finally:
        process.terminate()
        await asyncio.to_thread(process.wait, 10)


def client(settings: Settings, port: int, name: str, **more: object) -> Client:
    username, password = login(settings.broker, name)
    return Client(
        host="127.0.0.1", port=port, client_id=f"{name}-{more.pop('number', 0)}".replace(".", "-"), username=username,
        password=password, ca_file=authority(settings.broker), clean=True, back_off=(0.05, 0.2), **more,  # type: ignore[arg-type]
    )  # fmt: skip


async def drained(reader: Client, last: str) -> set[str]:
    """Topics that came up to the message on `last`, which everybody in this test waits for."""
    seen: set[str] = set()
    async with asyncio.timeout(20):
        while last not in seen:
            message = await reader.next()
            assert message is not None
            reader.ack([message])
            seen.add(message.topic)
    return seen


@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
def test_every_login_may_do_what_the_list_says_and_nothing_else(kind: str, tmp_path: Path) -> None:
    async def published(settings: Settings, port: int) -> dict[str, set[str]]:
        found: dict[str, set[str]] = {}
        numbers = itertools.count()
        async with client(settings, port, "observer", filters=["plant/#", "other/#"]) as observer:
            await observer.wait_connected()
            for name in EXPECTED:
                async with client(settings, port, name, number=next(numbers)) as speaker:
                    await speaker.wait_connected()
                    for topic in TOPICS.values():
                        # Forbidden or not: it is acknowledged.
                        await asyncio.wait_for(await speaker.publish(topic, b"x"), 10)
                await (await observer.publish("plant/end", b"x"))
                seen = await drained(observer, "plant/end")
                found[name] = {topic for topic, text in TOPICS.items() if text in seen}
        return found

    async def read(settings: Settings, port: int) -> dict[str, set[str]]:
        found: dict[str, set[str]] = {}
        async with client(settings, port, "observer", number=1) as observer:
            await observer.wait_connected()
            for name in EXPECTED:
                topics = list(TOPICS.values())
                async with client(settings, port, name, filters=topics) as listener:
                    await listener.wait_connected()
                    # Retained, so that a listener that may read hears of it, now or at its own pace.
                    for topic in topics:
                        await (await observer.publish(topic, name.encode()))
                    allowed = [TOPICS[topic] for topic in EXPECTED[name][1]]
                    seen: set[str] = set()
                    with contextlib.suppress(TimeoutError):
                        async with asyncio.timeout(10 if allowed else 0.5):
                            while not set(allowed) <= seen or not allowed:
                                message = await listener.next()
                                assert message is not None
                                listener.ack([message])
                                seen.add(message.topic)
                    while (late := await listener.next(0.3)) is not None:
                        seen.add(late.topic)
                    found[name] = {topic for topic, text in TOPICS.items() if text in seen}
        return found

    async def run() -> None:
        async with secured(kind, tmp_path) as (settings, port):
            assert await published(settings, port) == {name: rights[0] for name, rights in EXPECTED.items()}
            assert await read(settings, port) == {name: rights[1] for name, rights in EXPECTED.items()}

    asyncio.run(run())


@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
def test_no_other_login_throws_a_role_out_by_its_client_id(kind: str, tmp_path: Path) -> None:
    name = record_login("record")

    async def run() -> None:
        async with secured(kind, tmp_path) as (settings, port):
            mine = [await connect(settings, client_id="harbour-works-record", name=name) for _ in range(2)]
            username, password = login(settings.broker, "reader.mes")
            thief = Client(
                host="127.0.0.1", port=port, client_id="harbour-works-record", username=username, password=password,
                ca_file=authority(settings.broker), clean=True,
            )  # fmt: skip
            async with mine[0]:
                await mine[0].wait_connected()
                async with thief:
                    await thief.wait_connected()
                    await (await mine[0].publish(T.record_state("harbour-works", "record"), b"x"))
                    assert mine[0].connected
                    assert mine[0].connection == 1
            async with mine[1]:
                await mine[1].wait_connected()
                assert mine[1].session_present, "it is the same client at each start"

    asyncio.run(run())


def test_what_makes_a_client_id_unknown_is_told_nowhere(tmp_path: Path) -> None:
    settings = plant(tmp_path)
    secure([settings], tmp_path / "credentials", now=datetime.now(UTC))
    secrets = [id_secret(settings.broker, one.login) for one in access_list(settings)]
    assert len(set(secrets)) == len(secrets)
    assert all(len(secret) == 16 for secret in secrets)
    ours = Client(host="127.0.0.1", port=1, client_id="harbour-works-record", id_secret=secrets[0])
    assert ours.client_id == "harbour-works-record"
    assert secrets[0] not in repr(ours._options)
    assert id_secret(plant(tmp_path).broker.model_copy(update={"credentials": None}), "watch") == ""


@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
def test_nobody_gets_in_without_the_right_password(kind: str, tmp_path: Path) -> None:
    async def run() -> None:
        async with secured(kind, tmp_path) as (settings, port):
            for username, password in ((None, None), ("watch", "wrong"), ("nobody", "observer's password")):
                async with Client(
                    host="127.0.0.1", port=port, client_id="x", username=username, password=password,
                    ca_file=authority(settings.broker), back_off=(0.05, 0.1),
                ) as stranger:  # fmt: skip
                    await until(lambda at=stranger: "refuses" in at.trouble, "a refusal")
                    assert not stranger.connected
                    assert "does not know this login or its password" in stranger.trouble
            async with Client(host="127.0.0.1", port=port, client_id="x", back_off=(0.05, 0.1)) as plain:
                await until(lambda: "if it wants TLS" in plain.trouble, "no TLS told")
                assert not plain.connected

    asyncio.run(run())


def test_a_password_and_an_authority_that_were_put_right_are_used_without_a_start(tmp_path: Path) -> None:
    name = record_login("record")

    async def run() -> None:
        async with secured("embedded", tmp_path) as (settings, _):
            folder = tmp_path / "a copy"
            shutil.copytree(settings.broker.credentials, folder)
            mine = settings.model_copy(
                update={"broker": settings.broker.model_copy(update={"credentials": folder})}
            )
            password, authority_file = folder / "passwords" / name, folder / "authority.pem"
            right, known = password.read_text(), authority_file.read_text()
            write_secret(password, "last year's\n")
            async with await connect(mine, client_id="harbour-works-record", name=name) as client:
                await until(lambda: "does not know this login" in client.trouble, "a refusal")
                assert client.refused
                assert "read again by itself" in client.trouble
                password.unlink()
                await until(lambda: "there is no password for" in client.trouble, "a missing file")
                authority_file.write_text(make_authority("other-works", datetime.now(UTC)).certificate)
                write_secret(password, right)
                await until(lambda: "authority" in client.trouble, "the wrong authority")
                assert client.refused
                authority_file.write_text(known)
                async with asyncio.timeout(20):
                    assert await client.wait_connected() == 1
                assert not client.refused
                assert client.trouble == ""

    asyncio.run(run())


@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
def test_a_forbidden_source_is_told_although_the_broker_acknowledges(kind: str, tmp_path: Path) -> None:
    name = adapter_login(SOURCE)

    async def run() -> None:
        clock = [0.0]
        async with secured(kind, tmp_path, without=name) as (settings, port):
            outbox = await Outbox.open(
                tmp_path / "outbox.db", archive=Archive(tmp_path / "raw"), ceiling_bytes=2**30
            )
            try:
                writer = await outbox.writer(SOURCE)
                now = datetime.now(UTC)
                origin = Origin(adapter="spi-1-files", time_means="taken_in")
                said = Statement(SourceConnected(origin=origin), now)
                await writer.take([Taking("g", 1, 1, (said,))])
                async with (
                    client(settings, port, name, filters=receipt_filters(T, [SOURCE], "record")) as ours,
                    client(settings, port, edge_login("edge-1")) as edges,
                ):
                    shared = {"site": "harbour-works", "edge": "edge-1", "record": "record"}
                    own = Forwarder(
                        outbox, ours, T, **shared, keep=timedelta(days=1), sources=[SOURCE], others=None,
                        monotonic=lambda: clock[0],
                    )  # fmt: skip
                    whole = Forwarder(
                        outbox, edges, T, **shared, keep=timedelta(days=1), sources=[], others=[own]
                    )
                    sending = asyncio.create_task(own.run())

                    def overdue() -> bool:
                        clock[0] += 1.0
                        return "the broker acknowledged, but no receipt" in "".join(whole.edge_alarms())

                    await until(overdue, "the alarm")
                    assert "look at the broker's access list" in whole.edge_alarms()[0]
                    assert SOURCE in whole.edge_alarms()[0]
                    sending.cancel()
                    await asyncio.wait([sending])
            finally:
                await outbox.close()

    asyncio.run(run())


def test_the_logins_have_names_of_their_own() -> None:
    assert (adapter_login(SOURCE), edge_login("edge-1"), record_login("record")) == (
        "adapter.smt.line-1.spi-1-files",
        "edge.edge-1",
        "record.record",
    )
