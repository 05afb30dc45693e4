"""From a machine's file to the record: what must hold whatever people and programs do to files and databases."""

import asyncio
import gzip
import shutil

import pytest
from chain import Chain, mapping_text, rows
from servers import until

from broker_bridge.edge import requests
from broker_bridge.edge.outbox import now_utc
from broker_bridge.edge.survey import holdings
from broker_bridge.errors import ConfigError, NotFound

SOURCE = "/harbour-works/smt/line-1/aoi-files"


def run(coroutine):
    asyncio.run(coroutine)


def backlog(chain: Chain) -> int | None:
    """Events that no record has yet; None while there is no outbox."""
    try:
        return sum(holding.backlog for holding in holdings(chain.folder / "data" / "outbox.db"))
    except NotFound:
        return None


def receipted(chain: Chain) -> bool:
    return backlog(chain) == 0


def test_dropping_renaming_and_zipping_a_file_again_changes_nothing(tmp_path):
    async def life() -> None:
        chain = Chain(tmp_path)
        async with chain.running():
            chain.put("a.csv", rows(1, 5))
            await until(lambda: chain.count() == 5, "recorded")
            chain.put("a.csv", rows(1, 5))
            chain.put("renamed.csv", rows(1, 5))
            chain.put("zipped.csv.gz", gzip.compress(rows(1, 5)))
            chain.put("b.csv", rows(100, 2))
            await until(lambda: chain.count() >= 7, "the other file recorded")
            await until(lambda: len(list(chain.drop.iterdir())) == 4, "all there")
        async with chain.running():
            chain.put("c.csv", rows(200, 1))
            await until(lambda: chain.count() >= 8, "recorded after a restart")
        events = chain.events()
        assert len(events) == 8
        assert len({event["id"] for event in events}) == 8

    run(life())


def test_an_outbox_that_was_deleted_is_a_stated_gap_and_nothing_comes_twice(tmp_path):
    async def life() -> None:
        chain = Chain(tmp_path)
        async with chain.running():
            chain.put("a.csv", rows(1, 5))
            await until(lambda: chain.count() == 5 and receipted(chain), "recorded")
        for path in (tmp_path / "data").glob("outbox.db*"):
            path.unlink()
        async with chain.running():
            chain.put("b.csv", rows(100, 2))
            await until(lambda: len(chain.of("inspection.completed")) == 7, "the new file recorded")
            await until(lambda: len(chain.of("source.gap")) == 1, "the gap stated")
            await until(lambda: receipted(chain), "everything receipted")
        assert chain.of("source.gap")[0]["data"]["cause"] == "outbox_lost"
        assert chain.of("source.gap")[0]["data"]["first"] == 6
        assert len(chain.of("inspection.completed")) == 7

    run(life())


def test_a_record_restored_from_yesterday_s_backup_is_refilled(tmp_path):
    async def life() -> None:
        chain = Chain(tmp_path)
        async with chain.running():
            chain.put("a.csv", rows(1, 5))
            await until(lambda: chain.count() == 5 and receipted(chain), "recorded")
        backup = tmp_path / "backup.db"
        shutil.copy(chain.record, backup)
        async with chain.running():
            chain.put("b.csv", rows(100, 50))
            await until(lambda: chain.count() == 55 and receipted(chain), "recorded")
        whole = {event["id"]: event["data"] for event in chain.events()}
        for path in (tmp_path / "data").glob("record.db-*"):
            path.unlink()
        shutil.copy(backup, chain.record)
        async with chain.running():
            await until(lambda: chain.count() == 55, "refilled")
        assert {event["id"]: event["data"] for event in chain.events()} == whole

    run(life())


def test_a_whole_machine_restored_with_record_and_mark_is_refilled(tmp_path):
    async def life() -> None:
        chain = Chain(tmp_path)
        data = tmp_path / "data"
        async with chain.running():
            chain.put("a.csv", rows(1, 5))
            await until(lambda: chain.count() == 5 and receipted(chain), "recorded")
        kept = {path.name: path.read_bytes() for path in data.glob("record.db*")}
        async with chain.running():
            chain.put("b.csv", rows(100, 50))
            await until(lambda: chain.count() == 55 and receipted(chain), "recorded")
        for path in data.glob("record.db*"):
            path.unlink()
        for name, content in kept.items():
            (data / name).write_bytes(content)
        async with chain.running():
            await until(lambda: chain.count() == 55, "refilled")
            await until(lambda: receipted(chain), "receipted")

    run(life())


def test_an_unchanged_revision_with_a_changed_mapping_is_refused_at_start(tmp_path):
    async def life() -> None:
        chain = Chain(tmp_path)
        async with chain.running():
            chain.put("a.csv", rows(1, 1))
            await until(lambda: chain.count() == 1, "recorded")
        chain.mapping.write_text(mapping_text(values='OK = "failed", NG = "failed"'), encoding="utf-8")
        with pytest.raises(ConfigError, match="revision"):
            async with chain.running() as task:
                await asyncio.wait({task}, timeout=20)

    run(life())


def test_a_mended_mapping_turns_rejected_records_into_events_at_their_place(tmp_path):
    async def life() -> None:
        chain = Chain(tmp_path)
        content = rows(1, 2) + rows(3, 1, "MAYBE").split(b"\n", 1)[1]
        async with chain.running():
            chain.put("a.csv", content)
            await until(lambda: chain.count() == 3, "recorded")
        [rejected] = chain.of("source.rejected")
        assert "MAYBE" in rejected["data"]["reason"] + rejected["data"].get("value", "")
        assert rejected["data"]["place"]
        chain.mapping.write_text(
            mapping_text(2, values='OK = "passed", NG = "failed", MAYBE = "unknown"'), encoding="utf-8"
        )
        number = await requests.ask(
            tmp_path / "data" / "outbox.db", SOURCE, "retry", {"all": "yes"}, now_utc()
        )
        async with chain.running():
            await until(
                lambda: requests.outcome(tmp_path / "data" / "outbox.db", number) is not None, "answered"
            )
            await until(
                lambda: any(
                    event["data"]["outcome"] == "unknown" for event in chain.of("inspection.completed")
                ),
                "mended",
            )
        mended = next(e for e in chain.of("inspection.completed") if e["data"]["outcome"] == "unknown")
        assert mended["id"].rsplit(".", 1) == [rejected["id"].rsplit(".", 1)[0], "2"]

    run(life())


def test_a_full_outbox_lets_files_wait_and_loses_nothing(tmp_path):
    async def life() -> None:
        chain = Chain(tmp_path, edge="ceiling_mb = 0.02")
        async with chain.running("broker", "edge"):
            for number in range(10):
                chain.put(f"{number}.csv", rows(number * 100, 10))
            await until(lambda: (backlog(chain) or 0) >= 10, "filled")
            assert holdings(tmp_path / "data" / "outbox.db")[0].backlog_bytes <= 20_000
        assert chain.count() == 0
        async with chain.running():
            await until(lambda: chain.count() == 100, "all recorded")

    run(life())


@pytest.mark.parametrize(
    "content",
    [
        bytes(range(256)) * 40,
        rows(1, 1).decode().encode("utf-16"),
        b"Serial,Prog\n1,2\n",
        b"Board;Program;Start;Result\n" + b"x" * 5_000_000,
        b"",
    ],
    ids=["random bytes", "wrong encoding", "changed header", "a huge record", "an empty file"],
)
def test_what_no_mapping_understands_is_kept_and_the_source_goes_on(tmp_path, content):
    async def life() -> None:
        chain = Chain(tmp_path)
        async with chain.running():
            chain.put("a.csv", content)
            chain.put("b.csv", rows(1, 2))
            await until(lambda: len(chain.of("inspection.completed")) == 2, "the good file recorded")
            if content:
                await until(lambda: bool(chain.of("source.rejected")), "the bad one rejected")
        for event in chain.of("source.rejected"):
            data = event["data"]
            assert data["reason"]
            assert data["place"]
            assert data["origin"]["raw"]["hash"]
            assert data["origin"]["raw"].get("inline") or data["origin"]["raw"].get("archived")

    run(life())


def test_the_chain_works_over_mosquitto_as_well(tmp_path, mosquitto):
    async def life() -> None:
        chain = Chain(tmp_path, broker=f'kind = "external"\nport = {mosquitto.port}')
        async with chain.running("recorder", "edge"):
            chain.put("a.csv", rows(1, 500))
            await until(lambda: chain.count() == 500 and receipted(chain), "recorded")
            await asyncio.to_thread(mosquitto.kill)
            chain.put("b.csv", rows(1000, 500))
            await asyncio.to_thread(mosquitto.restart)
            await until(
                lambda: chain.count() == 1000 and receipted(chain), "recorded after the broker's death", 50
            )

    run(life())
