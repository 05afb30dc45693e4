"""The broker's own store is used again after a kill and after an orderly end, and not after the machine went down."""

import asyncio
import os
import signal
from pathlib import Path

import pytest

from broker_bridge.bus import kept_store
from broker_bridge.bus.broker import EmbeddedBroker
from broker_bridge.bus.mqtt import Client
from broker_bridge.config import Broker


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store with something kept, in use in a machine that can be started anew."""
    monkeypatch.setattr(kept_store, "BOOT_ID", tmp_path / "boot_id")
    boots(tmp_path, "first")
    folder = tmp_path / "broker"
    (folder / "jetstream").mkdir(parents=True)
    (folder / "in-use").write_text("first\n")
    return folder


def boots(folder: Path, boot: str) -> None:
    (folder / "boot_id").write_text(f"{boot}\n")


def test_a_killed_process_leaves_a_whole_store(store: Path) -> None:
    assert not kept_store.begin(store)
    assert (store / "jetstream").exists()


def test_a_machine_that_went_down_does_not(store: Path) -> None:
    boots(store.parent, "second")
    assert kept_store.begin(store)
    assert not (store / "jetstream").exists()
    assert not kept_store.begin(store), "nothing is there to be thrown away"


def test_an_orderly_end_is_enough_for_any_start(store: Path) -> None:
    kept_store.end(store)
    boots(store.parent, "second")
    assert not kept_store.begin(store)
    boots(store.parent, "third")
    assert kept_store.begin(store), "it was in use again"


@pytest.mark.parametrize("mark", [None, "", "fir"])
def test_a_mark_that_is_gone_or_torn_proves_nothing(store: Path, mark: str | None) -> None:
    (store / "in-use").unlink() if mark is None else (store / "in-use").write_text(mark)
    assert kept_store.begin(store)


@pytest.mark.parametrize(
    ("first", "then", "thrown"),
    [
        ({}, {}, False),
        ({"a": "1"}, {"a": "1"}, False),
        ({"a": "1"}, {"a": "1", "b": "2"}, False),
        ({"a": "1"}, {"a": "2"}, True),
        ({"a": "1", "b": "2"}, {"a": "1"}, True),
        ({"a": "1"}, {}, True),
    ],
)
def test_what_waits_for_clients_that_never_come_again_is_not_kept(
    store: Path, first: dict[str, str], then: dict[str, str], thrown: bool
) -> None:
    kept_store.begin(store, first)
    (store / "jetstream").mkdir(exist_ok=True)
    assert bool(kept_store.begin(store, then)) is thrown
    assert (store / "jetstream").exists() is not thrown
    assert not kept_store.begin(store, then)


@pytest.mark.parametrize("noted", [None, "{", "[]"])
def test_a_store_of_before_logins_were_noted_is_begun_anew_where_there_are_any(
    store: Path, noted: str | None
) -> None:
    if noted is not None:
        (store / "logins.json").write_text(noted)
    assert kept_store.begin(store, {"a": "1"})


def test_the_broker_starts_anew_after_the_machine_went_down(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept_store, "BOOT_ID", tmp_path / "boot_id")

    async def session_kept(boot: str, how: signal.Signals) -> bool | None:
        boots(tmp_path, boot)
        broker = EmbeddedBroker(Broker(port=0, store=tmp_path / "broker"))
        host, port = await broker.start()
        async with Client(host=host, port=port, client_id="reader", filters=["t"]) as client:
            await client.wait_connected()
            kept = client.session_present
        assert broker.server_pid is not None
        if how is signal.SIGKILL:  # the role is killed with it: nothing is said of an end
            monkeypatch.setattr(broker, "_write_state", lambda _: None)
            os.kill(broker.server_pid, how)
            monkeypatch.setattr(kept_store, "end", lambda _: None)
        await broker.stop()
        monkeypatch.undo()
        monkeypatch.setattr(kept_store, "BOOT_ID", tmp_path / "boot_id")
        return kept

    async def story() -> None:
        assert await session_kept("first", signal.SIGKILL) is False
        assert await session_kept("first", signal.SIGKILL) is True
        assert await session_kept("second", signal.SIGTERM) is False
        assert await session_kept("third", signal.SIGTERM) is True

    asyncio.run(story())
